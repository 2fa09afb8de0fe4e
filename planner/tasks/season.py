"""The season ahead: how many fish will be ripe on which day, which pairs to hold for which, what to prepare."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from broodstock.estimates import Estimate
from planner.optimise.season.holding import NO_DAY, HoldingPlan, hold_for_days, kept_as_planned
from planner.optimise.season.rehearsal import ToPrepare, rehearse, to_prepare
from planner.optimise.season.ripening import expected_ripe
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import changed
from planner.optimise.status import SolveStatus
from planner.tasks.no_plan import STOPPED_WORDS
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

NAME = "season"
LEVEL = 0.9
CERTAINTY = 0.95
MODEL_WORDS = (
    "Ripening model: inside the recorded window the chance is the recorded one, outside it falls in a straight "
    "line over ripe_shoulder_days; a fish found ripe loses its chance evenly over its ripe time; all windows move "
    "together with the season (ripe_shift_days). Fish are independent otherwise."
)


def season_view(
    programme: Programme,
    days: Sequence[dt.date],
    plan_file: Path | None = None,
    *,
    out: Path | None = None,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> SeasonAnswer:
    """Look at several spawning days ahead.

    Parameters
    ----------
    programme : Programme
    days : sequence of date
        Spawning days.
    plan_file : Path, optional
        A spawning plan to use instead of a new one.
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
        As `planner.tasks.season_fish.season_plan`; also when the limits of the days cannot be met.
    """
    say = progress or (lambda words: None)
    say("Making the plan of the season")
    plan = season_plan(programme, days, plan_file, progress=progress, cancel=cancel)
    when = plan.ripening.days
    settings = programme.settings
    seed = seed_of(programme)
    females, males = plan.chances("female"), plan.chances("male")
    held = hold_for_days(
        plan.planned,
        females,
        males,
        np.full(len(when), settings["dishes_per_day_max"]),
        np.full(len(when), settings["dishes_per_day_min"]),
        time_limit=float(settings["time_limit"]),
        # A plan stopped by hand is still held for its days: the event has done its work by then.
        cancel=None if cancel is None or cancel.is_set() else cancel,
    )
    made = kept_as_planned(held, plan.planned, females, males, seed=seed, level=LEVEL)
    may = np.array([f not in plan.barred for f in plan.ripening.fish], dtype=bool)
    ripe = {
        sex: expected_ripe(plan.ripening.chances.of(mask & may), LEVEL)
        for sex, mask in (("female", plan.ripening.female), ("male", ~plan.ripening.female))
    }
    say(f"Playing {len(when)} days {settings['rehearsals']} times")
    prepare = [_prepare(programme, plan, held, d, seed) for d in range(len(when))]
    kinship = coefficients(plan.data).pair_kinship
    provenance = provenance_of(
        programme,
        "season view",
        seed,
        (*SETTINGS_USED, *RIPENING_SETTINGS, *RISK_SETTINGS, "dishes_per_day_max", "dishes_per_day_min"),
        {"days": ", ".join(d.isoformat() for d in when), "plan": plan.source},
        version_in(out, NAME),
        {
            "status": str(held.status),
            "expected planned dishes made": "none" if held.expected is None else f"{held.expected:.4f}",
            "bound": "none" if held.bound is None else f"{held.bound:.4f}",
            "gap": "none" if held.gap is None else f"{held.gap:.3%}",
        },
    )
    table = _held_rows(plan, held, kinship)
    return SeasonAnswer(
        NAME,
        "Season ahead",
        f"{settings['programme_name']}, {when[0]:%d %b %Y} to {when[-1]:%d %b %Y}",
        _facts(plan, held, made),
        (
            _day_table(plan, held, ripe, prepare),
            _pair_table(table),
            _fish_table(plan),
        ),
        _warnings(programme, plan, held, prepare),
        (
            f"Plan: {plan.source}",
            MODEL_WORDS,
            "A female is stripped once, so all her dishes are held for one day. Expected dishes made count one try "
            "on that day, without stand-ins.",
            f"Fish with less than {least_chance(programme):.0%} on every day are not planned with.",
            *plan.ripening.notes,
            *plan.inputs.notes,
            *_stopped_words(held),
        ),
        _values(plan, held, made, ripe, prepare, table),
        provenance,
        when[0],
        ("names", "spawning", "decision"),
    )


def _stopped_words(held: HoldingPlan) -> list[str]:
    if held.status is not SolveStatus.STOPPED:
        return []
    return [
        STOPPED_WORDS if held.expected is not None else "Stopped by hand before days were found to hold for."
    ]


def _prepare(
    programme: Programme, plan: SeasonPlan, held: HoldingPlan, day: int, seed: int
) -> ToPrepare | None:
    """Play one day with its own females, spare females that no day is held for, and all males."""
    mine = held.day == day
    if not mine.any():
        return None
    data = plan.data
    planned = np.where(mine[:, None], plan.planned, 0)
    elsewhere = (held.day != NO_DAY) & ~mine
    usable = data.ripe & ~np.concatenate([elsewhere, np.zeros(data.n_males, bool)])
    fair = plan.ripe[:, :, day].mean(axis=0) >= least_chance(programme)
    in_plan = np.concatenate([planned.sum(axis=1), planned.sum(axis=0)]) > 0
    today = changed(data, ripe=usable & (fair | in_plan), dishes=int(planned.sum()))
    out = rehearse(
        today,
        planned,
        plan.ripe[:, :, day],
        morning_risks(programme),
        times=int(programme.settings["rehearsals"]),
        seed=seed + day,
    )
    return to_prepare(out, CERTAINTY)


def _facts(plan: SeasonPlan, held: HoldingPlan, made: Estimate) -> tuple[tuple[str, str], ...]:
    total = int(plan.planned.sum())
    return (
        ("Planned dishes", f"{total} of {int((plan.planned.sum(axis=1) > 0).sum())} females"),
        ("Held for a day", f"{int(held.dishes.sum())}"),
        ("Expected made as planned", made.text(1)),
        ("No choice of days makes more than", "not proven" if held.bound is None else f"{held.bound:.2f}"),
        ("Proven gap", "none" if held.gap is None else f"{held.gap:.3%}"),
    )


def _day_table(
    plan: SeasonPlan, held: HoldingPlan, ripe: dict[str, list[Estimate]], prepare: list[ToPrepare | None]
) -> AnswerTable:
    lines = []
    for d, day in enumerate(plan.ripening.days):
        mine = held.day == d
        p = prepare[d]
        expected = float(held.value[mine, d].sum())
        ready = ("-", "-", "-") if p is None else (str(p.females), str(p.males), str(p.cells))
        lines.append(
            (
                f"{day:%a %d %b %Y}",
                ripe["female"][d].text(1),
                ripe["male"][d].text(1),
                str(int(mine.sum())),
                str(int(held.dishes[d])),
                f"{expected:.1f}",
                *ready,
            )
        )
    return AnswerTable(
        "Days",
        (
            "day",
            "ripe females",
            "ripe males",
            "females held",
            "dishes held",
            "expected made",
            "spare females",
            "spare males",
            "cells",
        ),
        tuple(lines),
        tuple(range(1, 9)),
        (1.5, 1.5, 1.5, 0.8, 0.8, 0.9, 0.8, 0.8, 0.7),
        f"Ripe: expected number of the broodfish that no other rule bars, with the range that holds in {LEVEL:.0%} of seasons. Spares and "
        f"cells: enough in {CERTAINTY:.0%} of the rehearsed mornings; spares include those that fail when looked at.",
    )


def _held_rows(plan: SeasonPlan, held: HoldingPlan, kinship: np.ndarray) -> list[dict[str, Any]]:
    data = plan.data
    days = plan.ripening.days
    mean = plan.ripe.mean(axis=0)
    out = []
    for f in np.flatnonzero(plan.planned.sum(axis=1)).tolist():
        d = int(held.day[f])
        dishes = int(plan.planned[f].sum())
        other = [k for k in np.argsort(-held.value[f], kind="stable").tolist() if k != d]
        males = [
            {
                "sire": data.name(data.male_position(m)),
                "dishes": int(plan.planned[f, m]),
                "kinship": float(kinship[f, m]),
                "chance_ripe": None if d == NO_DAY else float(mean[data.male_position(m), d]),
            }
            for m in np.flatnonzero(plan.planned[f]).tolist()
        ]
        out.append(
            {
                "dam": data.name(f),
                "day": None if d == NO_DAY else days[d].isoformat(),
                "chance_ripe": None if d == NO_DAY else float(mean[f, d]),
                "dishes": dishes,
                "expected_made": 0.0 if d == NO_DAY else float(held.value[f, d]),
                "next_best_day": days[other[0]].isoformat() if other else None,
                "chance_ripe_then": float(mean[f, other[0]]) if other else None,
                "males": males,
            }
        )
    return sorted(out, key=lambda r: (r["day"] or "9999", -r["expected_made"], r["dam"]))


def _pair_table(table: list[dict[str, Any]]) -> AnswerTable:
    lines = tuple(
        (
            r["day"] or "no room",
            r["dam"],
            "-" if r["chance_ripe"] is None else f"{r['chance_ripe']:.0%}",
            ", ".join(
                m["sire"] if m["chance_ripe"] is None else f"{m['sire']} ({m['chance_ripe']:.0%})"
                for m in r["males"]
            ),
            f"{r['expected_made']:.1f} of {r['dishes']}",
            "-" if r["next_best_day"] is None else f"{r['next_best_day']} ({r['chance_ripe_then']:.0%})",
        )
        for r in table
    )
    return AnswerTable(
        "Pairs to hold",
        ("day", "female", "ripe", "males (ripe)", "expected dishes", "else"),
        lines,
        (2, 4),
        (1.1, 0.9, 0.6, 3.1, 1.1, 1.9),
        blank=("made",),
    )


def _fish_table(plan: SeasonPlan) -> AnswerTable:
    ripening = plan.ripening
    mean = ripening.chances.mean
    order = sorted(range(len(ripening.fish)), key=lambda k: (not ripening.female[k], ripening.fish[k]))
    lines = tuple(
        (
            ripening.fish[k],
            "female" if ripening.female[k] else "male",
            *(f"{c:.0%}" for c in mean[k]),
            ripening.words[k],
            plan.barred.get(ripening.fish[k], "may be crossed if ripe"),
        )
        for k in order
    )
    days = tuple(f"{d:%d %b}" for d in ripening.days)
    return AnswerTable(
        "Chance to be ripe",
        ("fish", "sex", *days, "last look", "rules"),
        lines,
        tuple(range(2, 2 + len(days))),
        (1.0, 0.8, *(0.6,) * len(days), 1.6, 2.4),
    )


def _warnings(
    programme: Programme, plan: SeasonPlan, held: HoldingPlan, prepare: list[ToPrepare | None]
) -> tuple[str, ...]:
    out = []
    cells = int(programme.settings["cells"])
    needed = sum(p.cells for p in prepare if p is not None)
    if needed > cells:
        out.append(
            f"The days need {needed} cells together, and {cells} are free. Empty cells between the days, or plan "
            "fewer dishes."
        )
    left = int(((plan.planned.sum(axis=1) > 0) & (held.day == NO_DAY)).sum())
    if left:
        out.append(f"{left} planned females have no day: raise dishes_per_day_max or add a day.")
    for day, p in zip(plan.ripening.days, prepare, strict=True):
        if p is None:
            out.append(
                f"No pairs are held for {day:%d %b %Y}. Spawning time is heritable: to keep early and late fish in "
                "the brood, set dishes_per_day_min."
            )
        elif p.dishes_short > 0:
            out.append(
                f"{day:%d %b %Y}: one morning in {round(1 / (1 - CERTAINTY))} leaves {p.dishes_short} or more dishes "
                "empty although every spare fish is asked."
            )
    return tuple(out)


def _values(
    plan: SeasonPlan,
    held: HoldingPlan,
    made: Estimate,
    ripe: dict[str, list[Estimate]],
    prepare: list[ToPrepare | None],
    table: list[dict[str, Any]],
) -> dict[str, Any]:
    mean = plan.ripening.chances.mean
    return {
        "status": str(held.status),
        "expected_made": made.as_dict(),
        "bound": held.bound,
        "gap": held.gap,
        "days": [
            {
                "day": day.isoformat(),
                "ripe_females": ripe["female"][d].as_dict(),
                "ripe_males": ripe["male"][d].as_dict(),
                "females_held": int((held.day == d).sum()),
                "dishes_held": int(held.dishes[d]),
                "expected_made": float(held.value[held.day == d, d].sum()),
                "prepare": None if ready is None else asdict(ready),
            }
            for (d, day), ready in zip(enumerate(plan.ripening.days), prepare, strict=True)
        ],
        "hold": table,
        "fish": [
            {
                "fish_id": name,
                "sex": "female" if plan.ripening.female[k] else "male",
                "chance_ripe": [float(c) for c in mean[k]],
                "last_look": plan.ripening.words[k],
                "barred": plan.barred.get(name, ""),
            }
            for k, name in enumerate(plan.ripening.fish)
        ],
    }
