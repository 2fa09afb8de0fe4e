"""Tables about fish in the water: releases, captures, residents, larval takes, permits."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray, IntArray
from planner.demo.captures import METHODS, Caught, Swimmers
from planner.demo.days import NEVER, day, stamps
from planner.demo.history import History
from planner.demo.parameters import TRUTH
from planner.demo.releases import weights
from planner.demo.sampling import split_in_proportion
from planner.demo.scale import LAKE, Scale
from planner.demo.station_tables import words_of_sex
from planner.demo.waters import PONDS, SITE_CODES
from planner.demo.wild import ZONE_WORDS

LAKE_BELIEVED = 1665
"""Adults of the lake by the spring census of two visits."""


def releases_table(history: History, scale: Scale, tags: np.ndarray) -> pd.DataFrame:
    """Return the table of released fish, with the sites as recorded."""
    r = history.released
    site = np.array([e.site for e in scale.events], dtype=object)[r.event]
    number = {}
    for k, event in enumerate(scale.events):
        year = event.on[:4]
        number[k] = f"R-{year}-{sum(1 for e in scale.events[: k + 1] if e.on[:4] == year):02d}"
    at = np.arange(len(r))
    order = np.lexsort((at, r.event))
    frame = pd.DataFrame(
        {
            "event": np.array([number[k] for k in range(len(scale.events))], dtype=object)[r.event],
            "released_on": stamps(r.on),
            "site_id": site,
            "tag": tags,
            "family": r.family,
            "year_class": pd.array([int(y) if y else pd.NA for y in r.year_class], dtype="Int64"),
            "sex": words_of_sex(r.sex),
            "total_length_mm": r.length_mm,
            "weight_g": r.weight_g,
            "truck": np.where(at % 400 < 200, "truck 1", "truck 2").astype(object),
        }
    )
    return frame.iloc[order].reset_index(drop=True)


def captures_table(
    history: History,
    fish: Swimmers,
    caught: Caught,
    first_tag: np.ndarray,
    new_tag: dict[int, str],
    sample_of: dict[int, str],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the table of captures.

    Parameters
    ----------
    history : History
        For the true sexes.
    fish, caught : Swimmers, Caught
        Who was caught.
    first_tag : ndarray, object, shape (n_swimmers,)
        Tag of each fish at the start; empty for untagged fish.
    new_tag : dict of int to str
        Tag given in the water, by swimmer.
    sample_of : dict of int to str
        Sample, by capture.
    rng : Generator
        Random numbers.

    Returns
    -------
    DataFrame
        Lengths carry an error of measurement; a part of the early records gives fork length, marked so.
    """
    n = len(caught)
    true_length = np.array(
        [fish.length_on(np.array([s]), int(d))[0] for s, d in zip(caught.swimmer, caught.on, strict=True)]
    )
    total = np.maximum(true_length + rng.normal(0.0, TRUTH.measuring_sd_mm, n), 60.0)
    weight = weights(total, rng)
    fork = (caught.on < day("2015-01-01")) & (caught.kind == "census")
    shown = np.round(np.where(fork, 0.94 * total, total))
    sex = history.fish.sex[fish.row[caught.swimmer]].astype(np.int64)
    sure = rng.random(n) < np.where(total > 430.0, 0.9, np.where(total > 350.0, 0.4, 0.0))
    tag = np.where(
        caught.mark == 0,
        first_tag[caught.swimmer],
        np.array([new_tag.get(int(s), "") for s in caught.swimmer], dtype=object),
    )
    given = np.where(caught.mark == 1, tag, "").astype(object)
    return pd.DataFrame(
        {
            "capture_id": [f"C-{k + 1:05d}" for k in range(n)],
            "captured_on": stamps(caught.on),
            "site_id": np.array(SITE_CODES, dtype=object)[caught.site],
            "tag": np.where(caught.mark == 1, "", tag).astype(object),
            "new_tag": given,
            "sex": words_of_sex(np.where(sure, sex, -1)),
            "length_mm": shown,
            "length_type": np.where(fork, "FL", "TL").astype(object),
            "weight_g": weight,
            "method": np.array([METHODS[k] for k in caught.kind], dtype=object),
            "effort_h": _effort(caught.occasion, caught.kind, rng),
            "sample_id": [sample_of.get(k, "") for k in range(n)],
            "note": np.full(n, "", dtype=object),
        }
    )


def _effort(occasion: IntArray, kind: np.ndarray, rng: np.random.Generator) -> FloatArray:
    """Return net hours, the same for all fish of one occasion."""
    hours = {int(o): float(np.round(rng.uniform(12.0, 60.0) * 2) / 2) for o in np.unique(occasion)}
    return np.array([hours[int(o)] for o in occasion])


def residents_table(history: History, scale: Scale, wild_alive: int) -> pd.DataFrame:
    """Return residents by site and family.

    Backwaters: as counted. Lake: the census estimate, families mixed and unknown, spread over the zones as the
    releases and yearly survival let expect. Grow-out pond: larvae too small to tag.
    """
    r, fish = history.released, history.fish
    rows: list[tuple[str, str, int, str, str]] = []
    age = np.maximum((day("2024-10-20") - r.on) / 365.25, 0.0)
    expected = 0.15 * 0.75 ** np.maximum(age - 1.0, 0.0)
    believed = LAKE_BELIEVED if scale.name == "full" else 40
    zones = [z for z in range(len(LAKE)) if LAKE[z] in scale.sites]
    shares = np.array([expected[r.site == z].sum() for z in zones])
    wild = split_in_proportion(shares, wild_alive)
    repatriates = split_in_proportion(shares, max(believed - wild_alive, 1))
    for z, n_wild, n_back in zip(zones, wild, repatriates, strict=True):
        rows.append((LAKE[z], "", int(n_wild), "2024-03-22", "census of March 2024, wild adults"))
        rows.append(
            (LAKE[z], "", int(n_back), "2024-03-22", "census of March 2024, repatriates of all families")
        )
    for code in PONDS:
        here = (r.life.where[:, -1] == SITE_CODES.index(code)) & (fish.died[r.row] >= NEVER)
        names, counts = np.unique(r.family[here].astype(str), return_counts=True)
        counted = "2024-10-08" if code != "PP" else "2024-09-25"
        for name, k in zip(names, counts, strict=True):
            rows.append((code, str(name), int(k), counted, "drawdown and scan"))
    rows += _grow_out(history, scale)
    frame = pd.DataFrame(rows, columns=["site_id", "family", "number", "counted_on", "method"])
    frame["counted_on"] = pd.to_datetime(frame["counted_on"])
    return frame[frame["site_id"].isin(scale.sites)].reset_index(drop=True)


def _grow_out(history: History, scale: Scale) -> list[tuple[str, str, int, str, str]]:
    """Return the larvae of today's year class that were alive but not tagged, for the grow-out pond."""
    if "GP" not in scale.sites:
        return []
    year = scale.last_year
    rearing = history.rearing
    rest = np.setdiff1d(rearing.alive[year], rearing.tagged[year])
    names, counts = np.unique(rearing.group_of[year][rest].astype(str), return_counts=True)
    take = split_in_proportion(counts.astype(np.float64), min(3140, len(rest)))
    return [
        ("GP", str(n), int(k), "2024-10-01", "sample count") for n, k in zip(names, take, strict=True) if k
    ]


def larval_takes_table(history: History) -> pd.DataFrame:
    """Return the table of nights of larval collection."""
    parts = []
    for year, takes in history.rearing.takes.items():
        n = len(takes.night)
        parts.append(
            pd.DataFrame(
                {
                    "take_id": [f"LT-{year}-{k + 1:03d}" for k in range(n)],
                    "collected_on": stamps(takes.night),
                    "zone": np.array(ZONE_WORDS, dtype=object)[takes.zone],
                    "year_class": np.full(n, year),
                    "number": np.bincount(takes.take, minlength=n),
                    "effort_h": takes.effort_h,
                    "family": history.rearing.take_group[year],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def permits_table(scale: Scale, larvae_taken: int) -> pd.DataFrame:
    """Return the permits in force; the number of larvae allowed was 212 fewer than were taken."""
    over = 212 if scale.name == "full" else 12
    full = scale.name == "full"
    rows = [
        (
            "XZ-24-101",
            "collect-larvae",
            "larva",
            larvae_taken - over,
            larvae_taken,
            "2023-12-01",
            "2024-11-30",
        ),
        ("XZ-25-101", "collect-larvae", "larva", 11000 if full else 200, 0, "2024-12-01", "2025-11-30"),
        ("XZ-25-102", "collect-adults", "adult", 20, 0, "2024-10-01", "2025-09-30"),
        ("XZ-25-103", "spawn", "females", 30, 0, "2025-01-01", "2025-12-31"),
        ("XZ-25-104", "release", "tagged fish", 6000 if full else 200, 0, "2024-10-01", "2025-09-30"),
        ("XZ-25-105", "tag", "tagged fish", 8000 if full else 400, 0, "2024-10-01", "2025-09-30"),
        ("XZ-25-106", "sacrifice", "juvenile", 60, 0, "2024-10-01", "2025-09-30"),
    ]
    names = ["permit_id", "activity", "stage", "limit_number", "used", "valid_from", "valid_until"]
    frame = pd.DataFrame(rows, columns=names)
    for column in ("valid_from", "valid_until"):
        frame[column] = pd.to_datetime(frame[column])
    frame["phone_note"] = "permit officer of the river office"
    return frame
