"""Mating designs side by side for the fish of today's plan."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from planner.optimise.season.compare import DesignFigures, design_figures
from planner.optimise.season.designs import Design, mating_designs
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.designs import DesignRow, compare_designs, usual_designs
from planner.optimise.spawning.solve import SearchSettings
from planner.tasks.programme import Programme
from planner.tasks.season_answer import AnswerTable, SeasonAnswer, provenance_of, seed_of, version_in
from planner.tasks.season_fish import RIPENING_SETTINGS, SeasonPlan, season_plan
from planner.tasks.spawning_data import SETTINGS_USED, spawning_inputs

NAME = "designs"
LONGEST_DESIGN = 10.0
"""Most seconds for the best plan of one design."""
SETTINGS = ("sterile_chance", "success_cv_female", "success_cv_dish")
SAME_DIVERSITY = (
    "Who is crossed with whom does not change the mean kinship or gene diversity of the young: only how much each "
    "parent contributes does. Single pairs and factorials of the same, equally used parents have the same. Designs "
    "differ in cells, in families, in what one failing fish takes with it, and in inbreeding."
)

BEST_NOTE = (
    "Here each design may choose its own fish, under all other rules of the day and with as many of the wanted dishes as "
    "it can use. Every dish counts the same. Value: what the spawning plan makes as small as it can (mean kinship of the "
    "cohort and of the living group); no plan of the design can be better by more than the gap. Where a design has a "
    "higher value, that is because it uses fewer fish, other fish, or fish in other shares: not because of who is "
    "crossed with whom."
)


def designs(
    programme: Programme,
    day: dt.date | None = None,
    plan_file: Path | None = None,
    *,
    out: Path | None = None,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> SeasonAnswer:
    """Compare mating designs: for the females and males of a spawning plan, and each with the fish best for it.

    Parameters
    ----------
    programme : Programme
    day : date, optional
        Spawning day; default the setting ``spawning_day``.
    plan_file : Path, optional
        A spawning plan whose fish are taken, instead of a new one.
    out : Path, optional
        Folder that may hold an earlier version.
    progress : callable, optional
    cancel : threading.Event, optional
        Set from elsewhere to stop the search for a new plan; the best so far is used and the notes say so.

    Returns
    -------
    SeasonAnswer

    Raises
    ------
    UsageError, NoPlanError
        As `planner.tasks.season_fish.season_plan`.
    """
    say = progress or (lambda words: None)
    settings = programme.settings
    when = day or settings.day("spawning_day")
    say("Making the plan of the day" if plan_file is None else "Reading the plan")
    plan = season_plan(programme, [when], plan_file, whole_season=False, progress=progress, cancel=cancel)
    f, m = (np.flatnonzero(plan.planned.sum(axis=axis)) for axis in (1, 0))
    data = plan.data
    fish = np.concatenate([f, data.n_females + m])
    kinship = coefficients(data).K[np.ix_(fish, fish)]
    pairs = kinship[: len(f), len(f) :]
    limit = data.pair_limit
    if data.limit_on == "upper" and data.pair_upper is not None:
        pairs = data.pair_upper[np.ix_(f, m)]
    say(f"Drawing designs for {len(f)} females and {len(m)} males")
    drawn = mating_designs(pairs, limit)
    seed = seed_of(programme)

    def figures(eggs: FloatArray, dishes: np.ndarray | None = None) -> DesignFigures:
        return design_figures(
            eggs,
            kinship,
            dishes=dishes,
            sterile_chance=settings["sterile_chance"],
            cv_female=settings["success_cv_female"],
            cv_dish=settings["success_cv_dish"],
            seed=seed,
        )

    say("Making the best plan of each design from all fish of the day")
    today = spawning_inputs(programme, when).data
    asked = usual_designs(today)
    best = compare_designs(
        today,
        asked,
        SearchSettings(
            time_limit=min(float(settings["time_limit"]), LONGEST_DESIGN),
            relative_gap=float(settings["gap"]),
            seed=seed,
        ),
        sterile_chance=settings["sterile_chance"],
        cv_female=settings["success_cv_female"],
        cv_dish=settings["success_cv_dish"],
        cancel=cancel,
    )
    planned = plan.planned[np.ix_(f, m)]
    # The plan's own egg shares: equal dishes, as the plan counts them.
    found: list[tuple[str, DesignFigures | None, Design | None]] = [
        ("this plan", figures(planned.astype(np.float64), planned), None)
    ]
    found += [(d.name, figures(d.egg_shares()) if d.possible else None, d) for d in drawn]
    cells = int(settings["cells"])
    provenance = provenance_of(
        programme,
        "mating designs",
        seed,
        (*SETTINGS_USED, *RIPENING_SETTINGS, *SETTINGS),
        {"day": when.isoformat(), "plan": plan.source},
        version_in(out, NAME),
    )
    chance = float(settings["sterile_chance"])
    fitting = _fitting(found, cells)
    warnings = [] if fitting else [f"No design stays within {cells} cells and the limit on kinship."]
    if len(best) < len(asked):
        warnings.append(
            f"Stopped by hand: the best plans of {len(asked) - len(best)} designs were not looked for."
        )
    return SeasonAnswer(
        NAME,
        "Mating designs side by side",
        f"{settings['programme_name']}, {len(f)} females and {len(m)} males of {when:%d %b %Y}",
        (
            ("Females, males", f"{len(f)}, {len(m)}"),
            ("Cells free", str(cells)),
            ("Limit on kinship of a pair", "none" if limit is None else f"{limit:g}"),
            ("Chance that a male is sterile", f"{chance:.1%}"),
            ("Within cells and limit", ", ".join(fitting) or "none"),
        ),
        (_diversity_table(found, cells), _risk_table(found, chance), _best_table(best)),
        tuple(warnings),
        (
            SAME_DIVERSITY,
            "Every female counts the same and her eggs are divided equally over her dishes; this plan counts every "
            "dish the same. The expected share of eggs lost to sterile males is the same in every design of equally "
            "used males; what differs is how many females lose everything.",
            "Nb with uneven success: females differ by success_cv_female and the dishes of a female by "
            "success_cv_dish; dishes of several males even out, which is why factorials lose less there.",
            f"Plan: {plan.source}",
            *plan.inputs.notes,
        ),
        _values(plan, found, f, m) | {"best_plans": [_best_values(row) for row in best]},
        provenance,
        when,
        landscape=True,
    )


def _diversity_table(found: list[tuple[str, DesignFigures | None, Design | None]], cells: int) -> AnswerTable:
    lines = []
    for name, x, design in found:
        if x is None:
            assert design is not None
            lines.append((name, *("-",) * 8, f"not possible: {design.why_not}"))
            continue
        lines.append(
            (
                name,
                str(x.dishes),
                str(x.families),
                f"{x.effective:.2f}",
                x.uneven.text(1),
                f"{x.inbreeding_rate:.2%}",
                f"{x.kinship:.5f}",
                f"{x.diversity:.5f}",
                f"{x.inbreeding:.4f}, {x.inbreeding_most:.4f}",
                _remarks(x, design, cells),
            )
        )
    return AnswerTable(
        "Diversity and cells",
        (
            "design",
            "cells",
            "families",
            "Nb",
            "Nb, uneven success",
            "inbreeding rate",
            "mean kinship",
            "gene diversity",
            "inbreeding, most",
            "remarks",
        ),
        tuple(lines),
        tuple(range(1, 9)),
        (1.6, 0.6, 0.8, 0.7, 1.5, 0.9, 0.9, 0.9, 1.3, 1.8),
        "Nb, mean kinship (self pairs in), gene diversity and inbreeding are exact for equal success. Nb with uneven "
        "success: median and 90 % of 1000 draws. Inbreeding rate: 1/(2 Nb).",
    )


def _remarks(x: DesignFigures, design: Design | None, cells: int) -> str:
    out = []
    if x.dishes > cells:
        out.append(f"{x.dishes - cells} cells too few")
    if design is not None:
        if design.above_limit:
            out.append(f"{design.above_limit} pairs above the limit")
        if design.unused_females:
            out.append(f"{design.unused_females} females unused")
        if design.unused_males:
            out.append(f"{design.unused_males} males unused")
    return ", ".join(out)


def _risk_table(found: list[tuple[str, DesignFigures | None, Design | None]], chance: float) -> AnswerTable:
    lines = []
    for name, x, _ in found:
        if x is None:
            continue
        s = x.sterile
        lines.append(
            (
                name,
                f"{s.eggs:.1%}",
                f"{s.eggs_most:.1%}",
                f"{s.families:.1f}",
                str(s.females_alone),
                f"{s.effective_after:.2f}",
                f"{s.effective_least:.2f}",
                f"{s.females_expected:.2f}",
                f"{chance:.1%} +- {s.eggs_sd:.1%}",
            )
        )
    return AnswerTable(
        "If one male is sterile",
        (
            "design",
            "eggs lost",
            "at most",
            "families lost",
            "females with one male",
            "Nb after",
            "at least",
            "females lost",
            "eggs lost to all",
        ),
        tuple(lines),
        tuple(range(1, 9)),
        (1.6, 0.8, 0.7, 0.9, 1.1, 0.8, 0.8, 0.9, 1.1),
        "Left: one male fails, each as likely. The last two columns: every male fails with the stated chance on his "
        "own; expected females without any young, and mean and standard deviation of the share of eggs lost.",
    )


def _best_table(best: list[DesignRow]) -> AnswerTable:
    lines = []
    for row in best:
        x = row.figures
        if x is None:
            why = ", ".join(c.code for c in row.plan.conflicts) or "none found in time"
            lines.append((row.design.name, str(row.dishes), *("-",) * 9, f"no plan: {why}"))
            continue
        gap = "none" if row.plan.gap is None else f"{row.plan.gap:.3%}"
        lines.append(
            (
                row.design.name,
                str(x.dishes),
                str(x.families),
                f"{x.females}, {x.males}",
                f"{x.effective:.2f}",
                f"{row.plan.value:.6f}",
                gap,
                f"{x.kinship:.5f}",
                f"{x.inbreeding:.4f}, {x.inbreeding_most:.4f}",
                f"{x.sterile.eggs_most:.1%}",
                f"{x.sterile.effective_least:.2f}",
                "",
            )
        )
    return AnswerTable(
        "The best plan of each design, from all fish of the day",
        (
            "design",
            "cells",
            "families",
            "females, males",
            "Nb",
            "value",
            "proven gap",
            "mean kinship",
            "inbreeding, most",
            "sterile male: eggs lost, at most",
            "Nb after, at least",
            "remarks",
        ),
        tuple(lines),
        tuple(range(1, 11)),
        (1.7, 0.6, 0.8, 0.9, 0.7, 0.9, 0.8, 0.9, 1.3, 1.0, 0.8, 1.2),
        BEST_NOTE,
    )


def _best_values(row: DesignRow) -> dict[str, Any]:
    return {
        "design": row.design.name,
        "dishes": row.dishes,
        "status": str(row.plan.status),
        "value": row.plan.value,
        "bound": row.plan.bound,
        "gap": row.plan.gap,
        "figures": None if row.figures is None else row.figures.as_dict(),
        "conflicts": [f"{c.sentence} {c.facts} [{c.code}]" for c in row.plan.conflicts],
    }


def _fitting(found: list[tuple[str, DesignFigures | None, Design | None]], cells: int) -> list[str]:
    """Return the designs that stay within the cells and the limit on kinship."""
    return [name for name, x, d in found if x is not None and x.dishes <= cells and not (d and d.above_limit)]


def _values(
    plan: SeasonPlan,
    found: list[tuple[str, DesignFigures | None, Design | None]],
    f: np.ndarray,
    m: np.ndarray,
) -> dict[str, Any]:
    data = plan.data
    females = [data.name(int(i)) for i in f]
    males = [data.name(data.male_position(int(i))) for i in m]
    rows = []
    for name, x, design in found:
        row: dict[str, Any] = {"design": name, "possible": x is not None}
        if x is not None:
            row |= x.as_dict()
        if design is not None:
            row |= {
                "why_not": design.why_not,
                "above_limit": design.above_limit,
                "unused_females": design.unused_females,
                "unused_males": design.unused_males,
                "how": design.how,
            }
            if design.pairs is not None:
                row["pairs"] = [[females[a], males[b]] for a, b in np.argwhere(design.pairs).tolist()]
        rows.append(row)
    return {"females": females, "males": males, "designs": rows}
