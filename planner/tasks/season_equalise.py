"""How many fish of each family of a season to keep at each cull, and what is over."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.optimise.season.equalise import Cull, cull_schedule, with_count_error
from planner.optimise.season.families import cohort_kinship
from planner.tasks.programme import Programme
from planner.tasks.season_answer import AnswerTable, SeasonAnswer, provenance_of, seed_of, version_in

NAME = "cull"
Stage = Literal["eggs", "fertilised", "hatched", "swim_up", "kept"]
STAGES: tuple[Stage, ...] = ("eggs", "fertilised", "hatched", "swim_up", "kept")
SETTINGS = (
    "family_cap_times_mean",
    "small_family_share",
    "count_cv",
    "swim_up_to_3_months_middle",
    "pond_month_middle",
)
SURPLUS_ORDER = (
    "Surplus: follow the written disposition order of your programme (commonly planned stocking, refuge or research "
    "first, then education, then holding if there is space); the last steps need an approver and a record."
)


def cull_plan(
    programme: Programme,
    season: int,
    keeps: Sequence[int],
    *,
    stage: Stage = "swim_up",
    survival: Sequence[float] = (),
    out: Path | None = None,
) -> SeasonAnswer:
    """Plan the culls of the families of a season.

    Parameters
    ----------
    programme : Programme
    season : int
        Spawning season.
    keeps : sequence of int
        Fish to keep in all, at each cull.
    stage : {'eggs', 'fertilised', 'hatched', 'swim_up', 'kept'}
        Count of the table ``crosses`` that the first cull starts from.
    survival : sequence of float
        Survival from each cull to the next; default: swim-up to 3 months, then twelve pond months, by settings.
    out : Path, optional
        Folder that may hold an earlier version.

    Returns
    -------
    SeasonAnswer

    Raises
    ------
    UsageError
        If the season has no crosses, no counts of that stage, or no number to keep is given.
    ShapeError, ValueRangeError
        If a number makes no sense.
    """
    table, left_out = _families(programme, season, stage)
    settings = programme.settings
    rates = _survival(programme, len(keeps), survival)
    available = table["available"].to_numpy(np.int64)
    culls = cull_schedule(
        available,
        list(keeps),
        rates,
        cap_times_mean=settings["family_cap_times_mean"],
        small_share=settings["small_family_share"],
    )
    seed = seed_of(programme)
    amounts = [available, *(c.keep for c in culls)]
    names = ["counted", *(_cull_name(k, len(culls)) for k in range(len(culls)))]
    parents = [
        with_count_error(x, table["dam"], table["sire"], settings["count_cv"], seed=seed) for x in amounts
    ]
    kinship = [_kinship(programme, table, x) for x in amounts]
    provenance = provenance_of(
        programme,
        "cull plan",
        seed,
        SETTINGS,
        {
            "season": str(season),
            "stage": stage,
            "keep": ", ".join(map(str, keeps)),
            "survival": ", ".join(f"{r:g}" for r in rates) or "none",
        },
        version_in(out, NAME),
        {"status": "proven: no other whole numbers make the smallest families larger"},
    )
    return SeasonAnswer(
        NAME,
        f"Cull plan of season {season}",
        f"{settings['programme_name']}, from the counts at {_stage_words(stage)}",
        (
            ("Families, with fish", f"{len(table)}, {int((available > 0).sum())}"),
            ("Counted", str(int(available.sum()))),
            *((f"Kept at {_cull_name(k, len(culls))}", str(c.kept)) for k, c in enumerate(culls)),
            (
                "Effective families before, after",
                f"{culls[0].effective_before:.1f}, {culls[0].effective_after:.1f}",
            ),
            ("Effective parents before", parents[0].text(1)),
            ("Effective parents after", parents[1].text(1)),
        ),
        (_step_table(names, amounts, culls, parents, kinship), _family_table(table, culls)),
        _warnings(table, culls, left_out, len(keeps)),
        (
            "Places go one by one to the family with the fewest expected survivors, so the families come out as equal "
            "as their counts allow; proven, whole numbers.",
            f"Cap: no family above {settings['family_cap_times_mean']:g} times the mean share of what is kept.",
            "Families are made equal, not parents: a parent with more families keeps more young.",
            "Effective parents: the range shows the counting error only (count_cv). Unequal survival later makes the "
            "real number smaller.",
            SURPLUS_ORDER,
            *(
                ("Later culls start from expected survivors; plan them again from counts.",)
                if len(culls) > 1
                else ()
            ),
        ),
        _values(table, culls, names, parents, kinship),
        provenance,
        programme.today,
    )


def _families(programme: Programme, season: int, stage: Stage) -> tuple[pd.DataFrame, int]:
    """Return one row per family of a season with its count, and the number of dishes without a count."""
    if stage not in STAGES:
        raise UsageError(f"--count: found {stage!r}. Expected one of {', '.join(STAGES)}.")
    crosses = programme.tables["crosses"]
    mine = crosses[crosses["season"] == season]
    if mine.empty:
        years = sorted(crosses["season"].dropna().astype(int).unique())
        have = f"{years[0]} to {years[-1]}" if years else "none"
        raise UsageError(f"season: found no crosses of {season}. Expected a season of the records ({have}).")
    counted = mine[mine[stage].notna()]
    if counted.empty:
        raise UsageError(
            f"crosses of season {season}: found no count at {_stage_words(stage)}. Expected counts in the column "
            f"{stage}. Enter them, or choose another count."
        )
    family = counted["family"].where(counted["family"].fillna("") != "", counted["cross_id"])
    frame = pd.DataFrame(
        {
            "family": family.to_numpy(),
            "dam": counted["dam"].to_numpy(),
            "sire": counted["sire"].to_numpy(),
            "available": counted[stage].to_numpy(dtype=np.int64),
        }
    )
    grouped = frame.groupby("family", sort=False, as_index=False)
    out = grouped.agg(dam=("dam", "first"), sire=("sire", "first"), available=("available", "sum"))
    return out, len(mine) - len(counted)


def _survival(programme: Programme, culls: int, given: Sequence[float]) -> list[float]:
    if not culls:
        raise UsageError("--keep: found no number. Expected the fish to keep, once for each cull.")
    if given:
        if len(given) != culls - 1:
            raise UsageError(
                f"--survival: found {len(given)} numbers. Expected {culls - 1}, one between each two culls."
            )
        return [float(x) for x in given]
    settings = programme.settings
    year = float(settings["pond_month_middle"]) ** 12
    return [float(settings["swim_up_to_3_months_middle"]), *(year,) * (culls - 2)][: culls - 1]


def _kinship(programme: Programme, table: pd.DataFrame, amounts: np.ndarray) -> float | None:
    """Return the mean kinship of the young, self pairs in; None without fish or for unknown parents."""
    index = programme.pedigree.index
    dams, sires = (list(dict.fromkeys(table[role])) for role in ("dam", "sire"))
    if not amounts.any() or not all(p in index for p in (*dams, *sires)):
        return None
    rows = np.array([index[p] for p in (*dams, *sires)], dtype=np.int32)
    kinship: FloatArray
    if programme.by_markers is None:
        from broodstock.pedigree.kinship import kinship_between

        kinship = kinship_between(programme.pedigree.parents, rows, rows, programme.inbreeding)
    else:
        kinship = programme.by_markers.kinship[np.ix_(rows, rows)]
    young = np.zeros((len(dams), len(sires)))
    place_f = {d: k for k, d in enumerate(dams)}
    place_m = {s: k for k, s in enumerate(sires)}
    for dam, sire, number in zip(table["dam"], table["sire"], amounts.tolist(), strict=True):
        young[place_f[dam], place_m[sire]] += number
    return cohort_kinship(young, kinship)


def _step_table(
    names: list[str],
    amounts: list[np.ndarray],
    culls: list[Cull],
    parents: list[Estimate],
    kinship: list[float | None],
) -> AnswerTable:
    lines = []
    for k, name in enumerate(names):
        families = int((amounts[k] > 0).sum())
        effective = culls[0].effective_before if k == 0 else culls[k - 1].effective_after
        mean = kinship[k]
        lines.append(
            (
                name,
                str(int(amounts[k].sum())),
                str(families),
                f"{effective:.1f}",
                parents[k].text(1),
                "not estimable because a parent is not in the records" if mean is None else f"{mean:.5f}",
                f"{amounts[k].max() / max(1, amounts[k].sum()):.1%}",
            )
        )
    return AnswerTable(
        "Step by step",
        (
            "step",
            "fish",
            "families",
            "effective families",
            "effective parents",
            "mean kinship",
            "largest family",
        ),
        tuple(lines),
        (1, 2, 3, 4, 5, 6),
        (1.2, 0.7, 0.7, 1.0, 1.4, 1.1, 0.9),
    )


def _family_table(table: pd.DataFrame, culls: list[Cull]) -> AnswerTable:
    lines = []
    for k, (family, dam, sire) in enumerate(zip(table["family"], table["dam"], table["sire"], strict=True)):
        keeps = [f"{c.keep[k]}" for c in culls]
        lines.append(
            (
                str(family),
                str(dam),
                str(sire),
                str(int(culls[0].available[k])),
                *keeps,
                str(int(culls[0].surplus[k])),
                "small" if k in culls[0].small else "",
            )
        )
    heads = [f"keep, {_cull_name(k, len(culls))}" for k in range(len(culls))]
    return AnswerTable(
        "Families",
        ("family", "dam", "sire", "counted", *heads, "surplus", ""),
        tuple(lines),
        tuple(range(3, 5 + len(culls))),
        (1.2, 0.9, 0.9, 0.8, *(1.0,) * len(culls), 0.8, 0.6),
        "Surplus: counted less kept at the first cull.",
        ("kept",),
    )


def _warnings(table: pd.DataFrame, culls: list[Cull], left_out: int, n_keeps: int) -> tuple[str, ...]:
    out = []
    if left_out:
        out.append(f"{left_out} dishes of the season have no count and are not planned.")
    gone = [str(table["family"].iloc[i]) for i in np.flatnonzero(culls[0].available == 0).tolist()]
    if gone:
        out.append(f"{len(gone)} families have no fish: {', '.join(gone)}.")
    for k, cull in enumerate(culls):
        name = _cull_name(k, n_keeps)
        if cull.short:
            how = (
                "there are too few fish"
                if cull.cap_needed is None
                else f"the cap forbids more of the large families; a cap of {cull.cap_needed:.2f} times the mean fills them"
            )
            out.append(f"{name}: {cull.short} of {cull.wanted} places stay empty: {how}.")
        small = [i for i in cull.small.tolist() if cull.available[i] > 0]
        if small:
            worst = [f"{table['family'].iloc[i]} ({cull.keep[i]})" for i in small]
            more = f" and {len(worst) - 8} others" if len(worst) > 8 else ""
            out.append(
                f"{name}: {len(worst)} families are far below the mean and may be lost: "
                f"{', '.join(worst[:8])}{more}."
            )
    return tuple(out)


def _values(
    table: pd.DataFrame,
    culls: list[Cull],
    names: list[str],
    parents: list[Estimate],
    kinship: list[float | None],
) -> dict[str, Any]:
    return {
        "families": [
            {
                "family": str(table["family"].iloc[k]),
                "dam": str(table["dam"].iloc[k]),
                "sire": str(table["sire"].iloc[k]),
                "available": int(culls[0].available[k]),
                "keep": [int(c.keep[k]) for c in culls],
                "surplus": int(culls[0].surplus[k]),
            }
            for k in range(len(table))
        ],
        "steps": [
            {
                "step": name,
                "effective_parents": parents[k].as_dict(),
                "mean_kinship": kinship[k],
                "effective_families": culls[0].effective_before if k == 0 else culls[k - 1].effective_after,
                "kept": int(culls[0].available.sum()) if k == 0 else culls[k - 1].kept,
                "short": 0 if k == 0 else culls[k - 1].short,
                "cap": None if k == 0 else culls[k - 1].cap,
            }
            for k, name in enumerate(names)
        ],
    }


def _cull_name(k: int, culls: int) -> str:
    return "the cull" if culls == 1 else f"cull {k + 1}"


def _stage_words(stage: str) -> str:
    return {"swim_up": "swim-up", "hatched": "hatch", "fertilised": "fertilisation", "eggs": "laying"}.get(
        stage, "the last cull"
    )
