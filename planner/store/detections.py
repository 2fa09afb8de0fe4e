"""Scanner contacts as days: one row per tag, deployment and day, and back to the form that checks read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.intake.tables import typed_frame
from planner.store.own_tables import OWN_TABLES


def detection_days(scans: pd.DataFrame) -> pd.DataFrame:
    """Collapse contacts to one row per tag, deployment and day.

    Parameters
    ----------
    scans : DataFrame
        Contacts in the shared form: ``deployment_id``, ``scanned_at``, ``tag``; contacts with an empty cell are
        left out (the readers report them).

    Returns
    -------
    DataFrame
        The columns of the table ``detection_days`` in its order, sorted by deployment, day and tag; index ``row``
        counts from 1. The day is that of the reader's own clock.
    """
    tag_number, tag_words = pd.factorize(scans["tag"], sort=True)
    place_number, place_words = pd.factorize(scans["deployment_id"], sort=True)
    stamps = scans["scanned_at"].to_numpy(dtype="datetime64[ns]")
    tags, places = (np.append(np.asarray(a, dtype=object), "") for a in (tag_words, place_words))
    use = (tags != "")[tag_number] & (places != "")[place_number] & ~np.isnat(stamps)
    tag_number, place_number, stamps = tag_number[use], place_number[use], stamps[use]
    days = stamps.astype("datetime64[D]").astype(np.int64)
    order = np.lexsort((stamps, tag_number, days, place_number))
    tag_number, place_number, days, stamps = (a[order] for a in (tag_number, place_number, days, stamps))
    starts = np.ones(len(days), dtype=bool)
    for numbers in (tag_number, place_number, days):
        starts[1:] = starts[1:] & (np.diff(numbers) == 0)
    starts[1:] = ~starts[1:]
    first = np.flatnonzero(starts)
    ends = np.append(first[1:], len(days))
    return typed_frame(
        OWN_TABLES["detection_days"],
        {
            "deployment_id": places[place_number[first]],
            "day": days[first].astype("datetime64[D]").astype("datetime64[ns]"),
            "tag": tags[tag_number[first]],
            "contacts": pd.array(ends[: len(first)] - first, dtype="Int64"),
            "first_at": stamps[first],
            "last_at": stamps[ends[: len(first)] - 1],
        },
        np.arange(1, len(first) + 1),
        "detection_days",
    )


def scans_of(days: pd.DataFrame) -> pd.DataFrame:
    """Return contacts in the form of the table of scans: as many a day as were counted.

    Parameters
    ----------
    days : DataFrame
        As `detection_days` returns them, index the number of the record.

    Returns
    -------
    DataFrame
        ``deployment_id``, ``scanned_at``, ``tag``; the first and the last contact of a day at their own time, those
        between at the time of the first, whose times were not kept. The index repeats the number of the record.
    """
    contacts = days["contacts"].to_numpy(dtype=np.int64, na_value=1)
    at = np.repeat(np.arange(len(days)), contacts)
    stamps = days["first_at"].to_numpy(dtype="datetime64[ns]")[at]
    stamps[np.cumsum(contacts) - 1] = days["last_at"].to_numpy(dtype="datetime64[ns]")
    index = pd.Index(np.asarray(days.index, dtype=np.int64)[at], name="row")
    return pd.DataFrame(
        {
            "deployment_id": days["deployment_id"].to_numpy(dtype=object)[at],
            "scanned_at": stamps,
            "tag": days["tag"].to_numpy(dtype=object)[at],
        },
        index=index,
    )
