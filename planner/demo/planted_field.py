"""Planted errors in the records of the water: captures, releases, scans."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.demo.planted_row import Planted, row_of
from planner.demo.records import Demo


def transposed_digits(demo: Demo) -> list[Planted]:
    """Transpose two digits of a tag in one capture."""
    captures = demo.tables["captures"]
    # The census of two visits is left alone: its counts are known.
    counted = captures["captured_on"].between("2024-03-01", "2024-03-31")
    can = captures.index[captures["tag"].str.startswith("999009") & (~counted | (demo.scale.chapman is None))]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    right = str(captures.loc[i, "tag"])
    wrong = right[:4] + right[5] + right[4] + right[6:]
    captures.loc[i, "tag"] = wrong
    what = f"digits of tag {right} transposed"
    return [
        Planted(
            2,
            what,
            "captures.csv",
            i + 2,
            "tag",
            str(captures.loc[i, "capture_id"]),
            "tag-unknown",
            "captures.csv",
        )
    ]


def two_identities(demo: Demo) -> list[Planted]:
    """Write down the fish whose old tag was not read and that was given a second identity."""
    name = demo.history.faults["legacy"]
    row = demo.history.brood.rows[demo.history.brood.names.index(name)]
    samples, captures = demo.tables["samples"], demo.tables["captures"]
    mine = [k for k in demo.samples.of_capture if int(demo.fish.row[demo.caught.swimmer[k]]) == row]
    sample = demo.samples.of_capture[mine[0]]
    caught = captures[captures["sample_id"] == sample].iloc[0]
    what = f"legacy tag of {name} was not read on {caught['captured_on'].date()}; the fish got tag {caught['new_tag']}"
    return [
        Planted(
            5,
            what,
            "samples.csv",
            row_of(samples, "sample_id", sample),
            "fish_id",
            sample,
            "genotype-twice",
            "samples.csv",
        )
    ]


def standard_length(demo: Demo) -> list[Planted]:
    """Enter the standard lengths of some fish as total lengths on one day at one site."""
    captures = demo.tables["captures"]
    can = captures[captures["length_type"].eq("TL") & captures["tag"].ne("") & (captures["length_mm"] > 380)]
    # Lean fish are left alone: on them the slip does not show.
    can = can[1e5 * can["weight_g"] / (0.85 * can["length_mm"]) ** 3 > 1.66]
    sizes = can.groupby(["captured_on", "site_id"]).size()
    low, high = (8, 16) if demo.scale.name == "full" else (1, 6)
    day_site = sizes[(sizes >= low) & (sizes <= high)].index
    day_site = day_site if len(day_site) else sizes.index
    on, site = day_site[int(demo.rngs["planted"].integers(0, len(day_site)))]
    rows = can.index[can["captured_on"].eq(on) & can["site_id"].eq(site)]
    captures.loc[rows, "length_mm"] = np.round(captures.loc[rows, "length_mm"] * 0.85)
    what = f"standard lengths entered as total lengths at {site} on {on.date()}"
    return [
        Planted(
            21,
            what,
            "captures.csv",
            int(i) + 2,
            "length_mm",
            str(captures.loc[i, "capture_id"]),
            "length-kind-doubtful",
            "captures.csv",
        )
        for i in rows
    ]


def _one_capture(
    demo: Demo, number: int, column: str, factor: float, digits: int, what: str
) -> list[Planted]:
    captures = demo.tables["captures"]
    spoilt = captures["weight_g"].lt(20) | captures["length_mm"].lt(60)
    k = 1e5 * captures["weight_g"] / captures["length_mm"] ** 3
    can = captures.index[
        captures["tag"].ne("") & ~spoilt & captures["length_type"].eq("TL") & k.between(0.9, 1.4)
    ]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    captures.loc[i, column] = round(float(captures[column].to_numpy()[i]) * factor, digits)
    return [
        Planted(
            number,
            what,
            "captures.csv",
            i + 2,
            column,
            str(captures.loc[i, "capture_id"]),
            "measures-implausible",
            "captures.csv",
        )
    ]


def inches(demo: Demo) -> list[Planted]:
    """Enter one length in inches."""
    return _one_capture(demo, 22, "length_mm", 1 / 25.4, 1, "length in inches entered as mm")


def kilograms(demo: Demo) -> list[Planted]:
    """Enter one weight in kilograms."""
    return _one_capture(demo, 23, "weight_g", 0.001, 2, "weight in kg entered as g")


def dry_site(demo: Demo) -> list[Planted]:
    """Write down the release entered for a water that was being renovated."""
    releases = demo.tables["releases"]
    rows = releases.index[
        releases["site_id"].eq("NP") & releases["released_on"].eq(pd.Timestamp("2023-11-23"))
    ]
    what = "release entered for Nine Posts on the day it was renovated; the fish went to the Dam Pool"
    return [
        Planted(
            25,
            what,
            "releases.csv",
            int(i) + 2,
            "site_id",
            str(releases.loc[i, "tag"]),
            "site-without-water",
            "releases.csv",
        )
        for i in rows
    ]


def clock(demo: Demo) -> list[Planted]:
    """Write down the reader whose clock ran an hour fast."""
    name = demo.spells.name[demo.spells.fast]
    row = row_of(demo.tables["deployments"], "deployment_id", name)
    what = "clock of the reader one hour fast: summer time"
    return [
        Planted(
            28, what, "deployments.csv", row, "from_time", name, "clock-outside-deployment", "deployments.csv"
        )
    ]


def marker(demo: Demo) -> list[Planted]:
    """Write down the marker tag among the contacts."""
    row = 0
    if demo.contacts is not None:
        row = int(np.flatnonzero(demo.contacts.tag == len(demo.contacts.codes) - 1)[0]) + 2
    what = f"marker tag counted {demo.scale.marker_contacts} times"
    file = "scans.csv.gz" if demo.scale.name == "full" else "scans.csv"
    return [Planted(29, what, file, row, "tag", demo.tags.marker, "tag-marker", file)]
