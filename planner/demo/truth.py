"""The hidden truth as tables, so that tests can score what the tool finds."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from planner.demo.breeders import breeders_of
from planner.demo.captures import adults_in_lake
from planner.demo.days import NEVER, day, stamps
from planner.demo.life import FIRST_YEAR, LAST_YEAR
from planner.demo.parameters import SEASONS, first_year_survival, parameter_rows, season_of, yearly_survival
from planner.demo.planted_row import Planted
from planner.demo.records import Demo
from planner.demo.true_fish import ORIGIN_WORDS
from planner.demo.waters import SITE_CODES

_SITE_WORDS = np.array([*SITE_CODES, "-"], dtype=object)


def truth_tables(demo: Demo, planted: list[Planted]) -> dict[str, pd.DataFrame]:
    """Return all tables of the hidden truth by file name without ending.

    Parameters
    ----------
    demo : Demo
        Records and truth.
    planted : list of Planted
        Planted errors.

    Returns
    -------
    dict of str to DataFrame
        ``parents``: every fish, fish of the stock and sample with its real parents; ``pedigree``: the hidden
        pedigree of all of them and of every released fish; ``released``: real place, death and tag loss;
        ``captures``: who each capture really was; ``ghosts`` and ``unknown_tags``; ``breeders``: exact
        effective breeders by year class; ``losses``: where the breeders of today's year class were lost;
        ``survival``: real survival of each release event; ``curves``; ``adults``; ``parameters``;
        ``lot_families``: true families of lots after their events; ``planted``.
    """
    return {
        "parents": _parents(demo),
        "pedigree": _pedigree(demo),
        "released": _released(demo),
        "captures": _captures(demo),
        "ghosts": demo.ghosts,
        "unknown_tags": pd.DataFrame({"tag": demo.unknown}),
        "breeders": breeders_table(demo),
        "losses": pd.DataFrame(
            [(s.name, round(s.breeders, 3), s.note) for s in demo.history.stock.steps],
            columns=["step", "effective_breeders", "note"],
        ),
        "survival": _survival(demo),
        "curves": _curves(),
        "adults": _adults(demo),
        "parameters": pd.DataFrame(
            [
                *parameter_rows(),
                ("netting_effort", repr(round(demo.effort, 6)), "", "Effort that was needed."),
            ],
            columns=["name", "value", "unit", "sentence"],
        ),
        "lot_families": demo.lot_truth,
        "planted": pd.DataFrame(planted, columns=list(Planted.__dataclass_fields__)),
    }


def true_name(rows: BigIntArray | np.ndarray) -> np.ndarray:
    """Return the hidden names of fish, empty for none."""
    return np.array([f"T{int(r):06d}" if r >= 0 else "" for r in rows], dtype=object)


def public_names(demo: Demo) -> dict[int, str]:
    """Return the fish_id of hidden fish that the table of fish knows."""
    b = demo.history.brood
    return {b.rows[i]: b.names[i] for i in range(len(b))}


def _parents(demo: Demo) -> pd.DataFrame:
    fish, history = demo.history.fish, demo.history
    known = public_names(demo)
    b = history.brood
    extra = demo.tables["fish"]["fish_id"].eq("Y-01")
    kinds, names, rows = ["fish"] * len(b), list(b.names), list(b.rows)
    stock = demo.tables["stock"]
    if extra.any():
        tag = str(demo.tables["fish"].loc[extra, "tag"].iloc[0])
        at = int(np.flatnonzero(stock["tag"].eq(tag).to_numpy())[0])
        kinds, names, rows = [*kinds, "fish"], [*names, "Y-01"], [*rows, int(history.stock.row[at])]
    kinds += ["stock"] * len(stock) + ["sample"] * len(demo.samples.row)
    names += [*stock["stock_id"], *demo.samples.table["sample_id"]]
    row = np.concatenate([np.array(rows), history.stock.row, demo.samples.row])
    real = np.concatenate([row[: len(rows) + len(stock)], demo.wells.row])
    second = np.concatenate([np.full(len(rows) + len(stock), -1), demo.wells.second])
    safe = np.maximum(row, 0)
    dam = np.where(row >= 0, fish.dam[safe], -1)
    sire = np.where(row >= 0, fish.sire[safe], -1)
    return pd.DataFrame(
        {
            "kind": kinds,
            "name": names,
            "true_id": true_name(row),
            "sex": np.where(row >= 0, np.array(["female", "male"], dtype=object)[fish.sex[safe]], ""),
            "true_dam": true_name(dam),
            "true_sire": true_name(sire),
            "dam": [known.get(int(d), "") for d in dam],
            "sire": [known.get(int(s), "") for s in sire],
            "foreign_share": np.where(row >= 0, np.round(fish.foreign[safe].astype(float), 4), 0.0),
            "in_the_well": true_name(np.where(np.arange(len(row)) < len(rows) + len(stock), -1, real)),
            "second_in_the_well": true_name(second),
        }
    )


def _pedigree(demo: Demo) -> pd.DataFrame:
    history = demo.history
    fish = history.fish
    used = np.concatenate(
        [
            np.array(history.brood.rows),
            history.stock.row,
            history.released.row,
            demo.samples.row[demo.samples.row >= 0],
            demo.wells.second[demo.wells.second >= 0],
        ]
    )
    rows = fish.with_ancestors(np.unique(used))
    return pd.DataFrame(
        {
            "true_id": true_name(rows),
            "dam": true_name(fish.dam[rows]),
            "sire": true_name(fish.sire[rows]),
            "sex": np.array(["female", "male"], dtype=object)[fish.sex[rows]],
            "hatched_on": stamps(fish.hatched[rows]),
            "died_on": stamps(fish.died[rows]),
            "origin": np.array(ORIGIN_WORDS, dtype=object)[fish.origin[rows]],
            "year_class": pd.array([int(y) if y else pd.NA for y in fish.year_class[rows]], dtype="Int64"),
            "foreign_share": np.round(fish.foreign[rows].astype(float), 4),
        }
    )


def _released(demo: Demo) -> pd.DataFrame:
    r, fish = demo.history.released, demo.history.fish
    died = fish.died[r.row]
    years = np.arange(FIRST_YEAR, LAST_YEAR)
    last = np.where(died >= NEVER, day("2024-10-20"), died)
    where = _SITE_WORDS[r.life.where[:, : len(years)]]
    lived = (years[None, :] >= _year(r.on)[:, None]) & (years[None, :] <= _year(last)[:, None])
    return pd.DataFrame(
        {
            "tag": demo.tags.released,
            "true_id": true_name(r.row),
            "family": r.family,
            "released_on": stamps(r.on),
            "real_site": _SITE_WORDS[r.site],
            "died_on": stamps(died),
            "tag_lost_on": stamps(r.life.lost_tag),
            "alive": np.where(died >= NEVER, "yes", "no"),
            "site_by_year": [" ".join(w[k]) for w, k in zip(where, lived, strict=True)],
        }
    )


def _year(numbers: np.ndarray) -> np.ndarray:
    return numbers.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970


def _captures(demo: Demo) -> pd.DataFrame:
    words = np.array(
        ["tag of first tagging read", "no tag read", "tag given in the water read"], dtype=object
    )
    return pd.DataFrame(
        {
            "capture_id": demo.tables["captures"]["capture_id"],
            "true_id": true_name(demo.fish.row[demo.caught.swimmer]),
            "tag_state": words[demo.caught.mark],
        }
    )


def breeders_table(demo: Demo) -> pd.DataFrame:
    """Return exact effective breeders by year class and line.

    ``hatchery``: tagged young of the crosses; ``wild-larvae``: all larvae taken; ``wild-larvae tagged``: those
    that were tagged.
    """
    history = demo.history
    fish, released, stock = history.fish, history.released, history.stock
    rows = []
    made = np.concatenate([released.row[released.line == "hatchery"], stock.row])
    made = made[fish.origin[made] == 4]
    for year in sorted({*demo.scale.larvae, *demo.scale.seasons}):
        sets = {"hatchery": made[fish.year_class[made] == year]}
        if year in history.rearing.takes:
            takes = history.rearing.takes[year].larvae
            sets["wild-larvae"] = takes
            sets["wild-larvae tagged"] = takes[history.rearing.tagged[year]]
        for line, young in sets.items():
            if len(young) < 2:
                continue
            b = breeders_of(fish.dam[young], fish.sire[young])
            rows.append(
                (
                    year,
                    line,
                    b.n_young,
                    b.n_dams,
                    b.n_sires,
                    round(b.females, 4),
                    round(b.males, 4),
                    round(b.both, 4),
                )
            )
    names = ["year_class", "line", "n_young", "n_dams", "n_sires", "females", "males", "effective_breeders"]
    return pd.DataFrame(rows, columns=names)


def _survival(demo: Demo) -> pd.DataFrame:
    """Return for each event the fish alive one year later, and the chance by the true curve."""
    r, fish = demo.history.released, demo.history.fish
    rows = []
    events = demo.tables["releases"].drop_duplicates("event")["event"].to_numpy()
    for k, name in enumerate(events):
        here = np.flatnonzero(r.event == k)
        on, site = int(r.on[here[0]]), SITE_CODES[int(r.site[here[0]])]
        month = int(str(np.datetime64(on, "D"))[5:7])
        season = int(season_of(np.array([month]))[0])
        chance = first_year_survival(r.length_mm[here], np.full(len(here), season), site)
        alive = int((fish.died[r.row[here]] > on + 365).sum()) if on + 365 <= day("2024-10-20") else -1
        rows.append(
            (
                name,
                stamps(np.array([on]))[0],
                site,
                SEASONS[season],
                len(here),
                alive,
                round(float(chance.mean()), 5),
            )
        )
    frame = pd.DataFrame(
        rows, columns=["event", "released_on", "site_id", "season", "n", "alive_after_a_year", "true_chance"]
    )
    frame["alive_after_a_year"] = (
        frame["alive_after_a_year"].where(frame["alive_after_a_year"] >= 0).astype("Int64")
    )
    return frame


def _curves() -> pd.DataFrame:
    """Return the true chance to live one year by site, season and length, and the yearly survival after it."""
    lengths = np.arange(200.0, 501.0, 50.0)
    rows = []
    for site in SITE_CODES[:-1]:
        for k, season in enumerate(SEASONS):
            chance = first_year_survival(lengths, np.full(len(lengths), k), site)
            rows += [
                (site, season, int(x), round(float(c), 5), yearly_survival(site))
                for x, c in zip(lengths, chance, strict=True)
            ]
    return pd.DataFrame(rows, columns=["site_id", "season", "total_length_mm", "first_year", "later_yearly"])


def _adults(demo: Demo) -> pd.DataFrame:
    """Return the adults that really lived in the lake on 5 March of each year."""
    rows = []
    for year in demo.scale.years:
        at = adults_in_lake(demo.fish, day(f"{year}-03-05"))
        wild = int(demo.fish.wild[at].sum())
        rows.append((year, wild, len(at) - wild, len(at)))
    return pd.DataFrame(rows, columns=["year", "wild", "repatriates", "adults"])
