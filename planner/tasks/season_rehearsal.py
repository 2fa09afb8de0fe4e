"""Rehearse a spawning day: play it many times and say what comes out and what to have ready."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import numpy as np

from broodstock.estimates import Estimate
from planner.optimise.season.rehearsal import (
    MorningRisks,
    Mornings,
    ToPrepare,
    rehearse,
    spread_of,
    to_prepare,
)
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.measures import CohortMeasures, cohort_measures
from planner.tasks.programme import Programme
from planner.tasks.season_answer import AnswerTable, SeasonAnswer, provenance_of, seed_of, version_in
from planner.tasks.season_fish import (
    RIPENING_SETTINGS,
    RISK_SETTINGS,
    SeasonPlan,
    least_chance,
    morning_risks,
    season_plan,
)
from planner.tasks.spawning_data import SETTINGS_USED

NAME = "rehearsal"
LEVEL = 0.9
CERTAINTY = 0.95
RESULTS = (
    ("effective_parents", "effective number of parents", 1),
    ("kinship", "mean kinship of the young", 5),
    ("families", "families", 0),
    ("laid", "dishes laid", 0),
    ("kept", "dishes laid as planned", 0),
    ("lost", "dishes lost afterwards", 0),
    ("failed_females", "planned females that fail", 0),
    ("failed_males", "planned males that fail", 0),
    ("spare_females", "spare females used", 0),
    ("spare_males", "spare males used", 0),
    ("asked_females", "spare females looked at", 0),
    ("asked_males", "spare males looked at", 0),
    ("idle_females", "ripe females left unused", 0),
    ("idle_males", "ripe males left unused", 0),
)


def rehearsal(
    programme: Programme,
    day: dt.date | None = None,
    times: int | None = None,
    plan_file: Path | None = None,
    *,
    out: Path | None = None,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> SeasonAnswer:
    """Play the spawning day of a plan many times.

    Parameters
    ----------
    programme : Programme
    day : date, optional
        Spawning day; default the setting ``spawning_day``.
    times : int, optional
        Mornings to play; default the setting ``rehearsals``.
    plan_file : Path, optional
        A spawning plan to rehearse instead of a new one.
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
    ValueRangeError
        If `times` is below 1.
    """
    say = progress or (lambda words: None)
    settings = programme.settings
    when = day or settings.day("spawning_day")
    number = int(settings["rehearsals"]) if times is None else times
    say("Making the plan of the day" if plan_file is None else "Reading the plan")
    plan = season_plan(programme, [when], plan_file, whole_season=False, progress=progress, cancel=cancel)
    say(f"Playing the morning {number} times")
    seed = seed_of(programme)
    co = coefficients(plan.data)
    risks = morning_risks(programme)
    played = rehearse(plan.data, plan.planned, plan.ripe[:, :, 0], risks, times=number, seed=seed, co=co)
    ready = to_prepare(played, CERTAINTY)
    as_planned = cohort_measures(plan.data, co, plan.planned)
    cells = int(settings["cells"])
    spreads = {name: played.spread(name, LEVEL) for name, _, _ in RESULTS}
    spreads["cells_unused"] = spread_of(
        (cells - played.laid).astype(np.float64), LEVEL, f"median and quantiles of {number} played mornings"
    )
    provenance = provenance_of(
        programme,
        "rehearsal",
        seed,
        (*SETTINGS_USED, *RIPENING_SETTINGS, *RISK_SETTINGS),
        {"day": when.isoformat(), "times": str(number), "plan": plan.source},
        version_in(out, NAME),
        {"plan": plan.source},
    )
    return SeasonAnswer(
        NAME,
        "Rehearsal of the spawning day",
        f"{settings['programme_name']}, {when:%a %d %b %Y}, played {number} times",
        _facts(plan, played, ready, as_planned, cells),
        (_result_table(spreads, as_planned, plan), _risk_table(plan, risks)),
        _warnings(played, ready, cells, as_planned),
        (
            f"Plan: {plan.source}",
            "Every planned fish is looked at. Missing dishes go to the next fish in line under the same rules as the "
            "plan, the one that raises mean kinship least; a spare that fails when looked at is passed over.",
            f"Spares are fish that no rule bars and that have a chance of {least_chance(programme):.0%} or more to be "
            "ripe. The chances of failure are settings: correct them from your own days.",
            *plan.ripening.notes,
            *plan.inputs.notes,
        ),
        {
            "day": when.isoformat(),
            "times": number,
            "seed": seed,
            "wanted": played.wanted,
            "results": {k: v.as_dict() for k, v in spreads.items()},
            "as_planned": as_planned.as_dict(),
            "prepare": asdict(ready),
            "risks": asdict(risks),
        },
        provenance,
        when,
        ("names", "spawning", "decision"),
    )


def _facts(
    plan: SeasonPlan, played: Mornings, ready: ToPrepare, as_planned: CohortMeasures, cells: int
) -> tuple[tuple[str, str], ...]:
    short = int((played.laid < played.wanted).sum())
    return (
        (
            "Planned",
            f"{played.wanted} dishes, {as_planned.females_used} females, {as_planned.males_used} males",
        ),
        ("Effective number of parents", played.spread("effective_parents", LEVEL).text(1)),
        ("as planned", f"{as_planned.effective_parents:.1f}"),
        ("Mean kinship of the young", played.spread("kinship", LEVEL).text(5)),
        ("as planned ", f"{as_planned.cohort_kinship:.5f}"),
        ("All dishes filled", f"{played.times - short} of {played.times} mornings"),
        ("Spare females to have ready", f"{ready.females} (of them used {ready.females_used})"),
        ("Spare males to have ready", f"{ready.males} (of them used {ready.males_used})"),
        ("Cells to prepare", f"{ready.cells} of {cells} free"),
    )


def _result_table(spreads: dict[str, Estimate], as_planned: CohortMeasures, plan: SeasonPlan) -> AnswerTable:
    planned = {
        "effective_parents": f"{as_planned.effective_parents:.1f}",
        "kinship": f"{as_planned.cohort_kinship:.5f}",
        "families": str(as_planned.families),
        "laid": str(int(plan.planned.sum())),
        "kept": str(int(plan.planned.sum())),
    }
    digits = {name: d for name, _, d in RESULTS} | {"cells_unused": 0}
    words = {name: w for name, w, _ in RESULTS} | {"cells_unused": "cells left empty"}
    lines = []
    for name, e in spreads.items():
        numbers = (e.value, e.low, e.high)
        cells = tuple("-" if x is None else f"{x:.{digits[name]}f}" for x in numbers)
        lines.append((words[name], planned.get(name, "-"), *cells))
    tail = (1 - LEVEL) / 2
    return AnswerTable(
        "What comes out",
        ("result", "as planned", "median", f"{tail:.0%}", f"{1 - tail:.0%}"),
        tuple(lines),
        (1, 2, 3, 4),
        (2.4, 1.0, 1.0, 1.0, 1.0),
        "Effective number, kinship and families are of the dishes that live, dishes made before included; kinship "
        "with self pairs.",
    )


def _risk_table(plan: SeasonPlan, risks: MorningRisks) -> AnswerTable:
    uses = np.concatenate([plan.planned.sum(axis=1), plan.planned.sum(axis=0)]) > 0
    ripe = plan.ripe[:, :, 0].mean(axis=0)
    data = plan.data
    lines = []
    for word, sex in (("planned females", data.is_female), ("planned males", ~data.is_female)):
        mine = uses & sex & (data.straws < 0)
        lines.append(
            (
                f"{word} not ripe",
                f"{(1 - ripe[mine]).sum():.1f} of {int(mine.sum())}",
                "from the ripeness records",
            )
        )
    flesh = uses & (data.straws < 0)
    frozen = uses & (data.straws >= 0)
    lines += [
        ("ripe males without milt", f"{risks.no_milt * ripe[flesh & ~data.is_female].sum():.1f}", f"{risks.no_milt:.1%} each"),
        ("ripe females with bad eggs", f"{risks.bad_eggs * ripe[flesh & data.is_female].sum():.1f}", f"{risks.bad_eggs:.1%} each"),
        ("females with few eggs", f"{risks.few_eggs * ripe[flesh & data.is_female].sum():.1f}",
         f"{risks.few_eggs:.1%} each, then {risks.few_eggs_dishes} dishes"),
        ("fish that die first", f"{risks.death * flesh.sum():.2f}", f"{risks.death:.1%} each"),
        ("frozen milt that fails", f"{risks.thaw_fails * frozen.sum():.1f} of {int(frozen.sum())}", f"{risks.thaw_fails:.1%} each"),
        ("dishes lost after laying", f"{risks.dish_fails * plan.planned.sum():.1f}", f"{risks.dish_fails:.1%} each"),
    ]  # fmt: skip
    return AnswerTable(
        "What goes wrong, expected among the planned",
        ("event", "expected number", "chance"),
        tuple(lines),
        (1,),
        (2.0, 1.2, 2.0),
    )


def _warnings(played: Mornings, ready: ToPrepare, cells: int, as_planned: CohortMeasures) -> tuple[str, ...]:
    out = []
    if ready.cells > cells:
        out.append(f"{ready.cells} cells are needed to make up for lost dishes, and {cells} are free.")
    if ready.dishes_short:
        out.append(
            f"In one morning of {round(1 / (1 - CERTAINTY))} {ready.dishes_short} or more dishes stay empty although "
            "every spare fish is asked. Find more fish or spread the day."
        )
    if played.floors_kept.shape[1]:
        kept = played.floors_kept.all(axis=1).mean()
        out.append(f"All least shares of founders are kept in {kept:.0%} of the mornings.")
    low = played.spread("effective_parents", LEVEL).low
    if low is not None and low < 0.75 * as_planned.effective_parents:
        out.append(
            f"A bad morning leaves {low:.1f} effective parents, less than three quarters of the "
            f"{as_planned.effective_parents:.1f} planned: have the spare fish ready."
        )
    return tuple(out)
