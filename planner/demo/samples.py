"""Samples: whose clip or larva lies in which well of which plate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from planner.demo.captures import Caught, Swimmers
from planner.demo.days import day, stamps
from planner.demo.history import History
from planner.demo.scale import Scale
from planner.demo.waters import SITE_CODES
from planner.demo.wild import ZONE_WORDS

_MANY = 3_000_000


@dataclass
class Samples:
    """Samples in order of the table.

    Attributes
    ----------
    table : DataFrame
        The table ``samples``, without haplotypes.
    row : ndarray, int64, shape (n_samples,)
        Fish whose tissue should be in the well; -1 for blanks.
    of_capture : dict of int to str
        Sample of each capture that was clipped.
    """

    table: pd.DataFrame
    row: BigIntArray
    of_capture: dict[int, str]


def take_samples(
    history: History,
    scale: Scale,
    stock_ids: np.ndarray,
    fish: Swimmers,
    caught: Caught,
    capture_days: np.ndarray,
    rng: np.random.Generator,
) -> Samples:
    """Choose the samples of every group, number them, and lay them on plates.

    Parameters
    ----------
    history : History
        Hidden truth.
    scale : Scale
        Samples by group.
    stock_ids : ndarray, object, shape (n_stock,)
        Names of the fish of the stock.
    fish, caught : Swimmers, Caught
        Captures; every fish without a readable tag is sampled.
    capture_days : ndarray, int32, shape (n_captures,)
        Day of each capture.
    rng : Generator
        Random numbers.
    """
    parts = [
        _founders(history),
        _brood(history),
        _stock(history, scale, stock_ids, rng),
        _releases(history, scale, rng),
        _larvae(history, scale, rng),
        _backwater(history, scale, rng),
        _captures(fish, caught, capture_days),
    ]
    frame = pd.concat([p for p in parts if len(p)], ignore_index=True)
    frame = frame.sort_values("collected", kind="stable", ignore_index=True)
    frame = _with_controls(frame, scale, rng)
    frame["sample_id"] = [f"S-{i + 1:05d}" for i in range(len(frame))]
    names = frame["sample_id"].to_numpy(dtype=object)
    of = frame["repeats"].to_numpy()
    frame["replicate_of"] = np.where(of >= 0, names[np.maximum(of, 0)], "")
    plate, well = _wells(len(frame))
    frame["plate"], frame["well"] = plate, well
    frame["marker_set"] = _marker_sets(frame, scale)
    frame["collected_on"] = stamps(frame["collected"].to_numpy())
    frame["year_class"] = pd.array([y if y else pd.NA for y in frame["year_class"]], dtype="Int64")
    row = frame["row"].to_numpy(dtype=np.int64)
    capture = frame["capture"].to_numpy()
    of_capture = {int(c): str(names[i]) for i, c in enumerate(capture) if c >= 0}
    return Samples(frame.drop(columns=["collected", "row", "repeats", "capture"]), row, of_capture)


def _part(n: int, **columns: Any) -> pd.DataFrame:
    base: dict[str, Any] = {
        "fish_id": "",
        "stock_id": "",
        "group": "",
        "year_class": 0,
        "family": "",
        "site_id": "",
        "line": "",
        "zone": "",
        "collected": 0,
        "row": -1,
        "repeats": -1,
        "capture": -1,
    }
    base |= columns
    return pd.DataFrame({k: np.full(n, v) if np.ndim(v) == 0 else v for k, v in base.items()}).astype(
        dict.fromkeys(("fish_id", "stock_id", "group", "family", "site_id", "line", "zone"), object)
    )


def _founders(history: History) -> pd.DataFrame:
    f = history.founders
    return _part(
        len(f.rows),
        fish_id=np.array(f.names, dtype=object),
        group="founder",
        line="wild",
        zone=np.array(ZONE_WORDS, dtype=object)[f.zone],
        collected=f.entered,
        row=f.rows,
    )


def _brood(history: History) -> pd.DataFrame:
    b = history.brood
    who = [i for i in range(len(b)) if b.kind[i] != "wild"]
    return _part(
        len(who),
        fish_id=np.array([b.names[i] for i in who], dtype=object),
        group="brood",
        year_class=np.array([b.year_class[i] for i in who]),
        family=np.array([b.family[i] for i in who], dtype=object),
        line=np.array(["hatchery" if b.kind[i] == "hatchery" else "wild-larvae" for i in who], dtype=object),
        collected=np.array([b.entered[i] for i in who]),
        row=np.array([b.rows[i] for i in who]),
    )


def _stock(history: History, scale: Scale, stock_ids: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Sample some fish of every family of the stock, then any."""
    stock = history.stock
    order = rng.permutation(len(stock))
    rank = pd.Series(stock.family[order]).groupby(stock.family[order], sort=False).cumcount().to_numpy()
    # Clips lie in the order of tagging, families mixed.
    chosen = order[np.lexsort((rng.random(len(order)), np.minimum(rank, 6)))][: scale.samples["stock"]]
    chosen = rng.permutation(chosen)
    hatchery = np.array([str(f).startswith("H") for f in stock.family[chosen]])
    return _part(
        len(chosen),
        stock_id=stock_ids[chosen],
        group="release",
        year_class=np.full(len(chosen), scale.last_year),
        family=stock.family[chosen],
        line=np.where(hatchery, "hatchery", "wild-larvae").astype(object),
        collected=np.full(len(chosen), day(f"{scale.last_year}-09-24")),
        row=stock.row[chosen],
    )


def _releases(history: History, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    """Sample earlier releases, about as many of each year class."""
    released = history.released
    n = scale.samples["release"] - scale.samples["stock"]
    can = np.flatnonzero(released.line != "wild")
    classes = released.year_class[can]
    order = rng.permutation(len(can))
    turn = pd.Series(classes[order]).groupby(classes[order], sort=False).cumcount().to_numpy()
    chosen = np.sort(can[order[np.argsort(turn, kind="stable")]][:n])
    return _part(
        len(chosen),
        group="release",
        year_class=released.year_class[chosen].astype(np.int64),
        family=released.family[chosen],
        site_id=np.array(SITE_CODES, dtype=object)[released.site[chosen]],
        line=released.line[chosen],
        collected=released.on[chosen] - 9,
        row=released.row[chosen],
    )


def _larvae(history: History, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    years = list(history.rearing.takes)
    numbers = _evenly(scale.samples["larva"], len(years))
    parts = []
    for year, n in zip(years, numbers, strict=True):
        takes = history.rearing.takes[year]
        # A larva in a vial is dead: none of them was reared.
        dead = np.setdiff1d(np.arange(len(takes.larvae)), history.rearing.alive[year])
        chosen = np.sort(rng.choice(dead, size=int(n), replace=False))
        parts.append(
            _part(
                int(n),
                group="larva",
                year_class=np.full(int(n), year),
                family=history.rearing.group_of[year][chosen],
                line="wild-larvae",
                zone=np.array(ZONE_WORDS, dtype=object)[takes.zone[takes.take[chosen]]],
                collected=takes.night[takes.take[chosen]],
                row=takes.larvae[chosen],
            )
        )
    return pd.concat(parts, ignore_index=True)


def _evenly(total: int, parts: int) -> BigIntArray:
    out: BigIntArray = np.full(parts, total // parts, dtype=np.int64)
    out[: total - int(out.sum())] += 1
    return out


def _backwater(history: History, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    cohorts = list(history.recruits)
    if not cohorts:
        return _part(0)
    moved = set(history.released.row.tolist())
    parts = []
    for (code, year), n in zip(cohorts, _evenly(scale.samples["backwater-young"], len(cohorts)), strict=True):
        young = np.array([r for r in history.recruits[(code, year)] if int(r) not in moved])
        chosen = np.sort(rng.choice(len(young), size=int(n), replace=False))
        parts.append(
            _part(
                int(n),
                group="backwater-young",
                year_class=np.full(int(n), year),
                family=f"B{year % 100:02d}-{code}",
                site_id=code,
                line="backwater",
                collected=np.full(int(n), min(day(f"{year}-10-17"), day("2024-10-10"))),
                row=young[chosen],
            )
        )
    return pd.concat(parts, ignore_index=True)


def _captures(fish: Swimmers, caught: Caught, capture_days: np.ndarray) -> pd.DataFrame:
    at = np.flatnonzero(caught.mark == 1)
    return _part(
        len(at),
        group="capture",
        site_id=np.array(SITE_CODES, dtype=object)[caught.site[at]],
        collected=capture_days[at],
        row=fish.row[caught.swimmer[at]],
        capture=at,
    )


def _with_controls(frame: pd.DataFrame, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    """Scatter replicates, blanks and positive controls among the samples."""
    n_rep, n_control = scale.samples["replicate"], scale.samples["control"]
    chosen = np.sort(rng.choice(len(frame), size=n_rep, replace=False))
    again = frame.iloc[chosen].copy()
    again["group"], again["repeats"], again["capture"] = "replicate", chosen, -1
    n_blank = n_control // 2
    blanks = _part(n_blank, group="control", collected=day("2013-01-01"))
    positive = frame.iloc[[0] * (n_control - n_blank)].copy()
    positive["group"], positive["repeats"] = "control", 0
    extra = pd.concat([again, blanks, positive], ignore_index=True)
    n = len(frame) + len(extra)
    # Controls are spread evenly; a replicate never stands before the sample it repeats.
    step = n / max(1, len(blanks) + len(positive))
    key = np.concatenate([np.arange(len(frame), dtype=np.float64), np.full(len(extra), -1.0)])
    back = np.minimum(chosen + rng.uniform(5.0, 200.0, n_rep), len(frame) - 0.5)
    key[len(frame) : len(frame) + n_rep] = np.maximum(back, chosen + 0.5)
    even = (np.arange(n_control) + 0.5) * step * len(frame) / n
    key[len(frame) + n_rep :] = np.maximum(rng.permutation(even), 0.5)
    joined = pd.concat([frame, extra], ignore_index=True)
    order = np.argsort(key, kind="stable")
    new_place = np.empty(n, dtype=np.int64)
    new_place[order] = np.arange(n)
    joined = joined.iloc[order].reset_index(drop=True)
    of = joined["repeats"].to_numpy()
    joined["repeats"] = np.where(of >= 0, new_place[np.maximum(of, 0)], -1)
    return joined


def _wells(n: int) -> tuple[list[str], list[str]]:
    """Return plate and well of samples filled column by column."""
    plate = [f"PL-{i // 96 + 1:02d}" for i in range(n)]
    well = [f"{'ABCDEFGH'[i % 8]}{i // 8 % 12 + 1:02d}" for i in range(n)]
    return plate, well


def _marker_sets(frame: pd.DataFrame, scale: Scale) -> np.ndarray:
    """Return the marker sets: the oldest samples were typed with microsatellites and again with SNPs."""
    real = frame["group"].isin(["founder", "larva", "release"]).to_numpy()
    key = np.where(frame["group"].eq("founder"), -1, frame["collected"].to_numpy())
    key = np.where(real, key, _MANY)
    old = np.argsort(key, kind="stable")[: scale.microsatellite_samples]
    out = np.full(len(frame), "SNP-192", dtype=object)
    out[old] = "SNP-192+MS-14"
    return out
