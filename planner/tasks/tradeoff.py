"""Survivors against kinship: a row of release plans, each with its proof, and plans almost as good but different."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frontier import FEWEST, MOST, TradeOffPoint, trade_off
from planner.optimise.release.near_best import NearBest, alternatives
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.solve import plan_release
from planner.provenance import Provenance
from planner.reports.figures import write_figure
from planner.reports.tradeoff_figure import tradeoff_figure
from planner.tasks.no_plan import why_none
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release import NoReleasePlanError
from planner.tasks.release_data import SETTINGS_USED, ReleaseInputs, release_inputs

HEADINGS = (
    "share of most",
    "expected survivors",
    "weighted kinship",
    "within sites",
    "all sites",
    "fish",
    "objective",
    "proven bound",
    "gap",
    "note",
)

STOPPED_WORDS_OF_POINTS = "Stopped by hand: the points made by then keep their plans and proofs; the notes in the table name the others."

OTHERS_WORDS = (
    "Placed otherwise: fish, against the plan and each alternative before it.",
    "At most: proven for this step alone. With the plans before it as they are, no plan within the tolerance differs by "
    "more from all of them.",
    "The alternatives are found one after the other, each as different as possible from those before it. Nothing is "
    "proven of them together: other plans chosen together could lie further apart.",
)


@dataclass(frozen=True)
class TradeOff:
    """The trade-off, and near-best plans when they were asked for.

    Parameters
    ----------
    points : tuple of TradeOffPoint
        Plans by rising share of the most expected survivors.
    others : tuple of NearBest
        Plans within the tolerance of the plan of the settings that differ from it as much as was found.
    tolerance : float
        The tolerance of `others`.
    inputs : ReleaseInputs
        What the plans were made from.
    provenance : Provenance
        Inputs, settings, seed, proof.
    """

    points: tuple[TradeOffPoint, ...]
    others: tuple[NearBest, ...]
    tolerance: float
    inputs: ReleaseInputs
    provenance: Provenance

    def frame(self) -> pd.DataFrame:
        """Return one row per point with plain numbers, NaN where a point has none; ``note`` says why."""
        return pd.DataFrame([_record(p) for p in self.points])

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per plan, as text."""
        cells = []
        for p in self.points:
            m = p.plan.measures
            if m is None:
                cells.append([f"{p.survivors_share:.1%}", *[""] * 8, p.note])
                continue
            cells.append(
                [
                    f"{p.survivors_share:.1%}",
                    m.survivors.text(0),
                    _five(p.kinship_weighted),
                    _five(p.kinship_within),
                    _five(p.kinship_whole),
                    str(m.released),
                    "" if p.plan.objective is None else f"{p.plan.objective:.4f}",
                    "" if p.plan.bound is None else f"{p.plan.bound:.4f}",
                    "" if p.plan.gap is None else f"{p.plan.gap:.3%}",
                    p.note,
                ]
            )
        return list(HEADINGS), cells

    def others_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per near-best plan, as text."""
        head = [
            "plan",
            "placed otherwise",
            "at most",
            "objective above",
            "expected survivors",
            "gap to the bound",
        ]
        return head, [
            [
                f"alternative {k}",
                ", ".join(str(x) for x in o.otherwise),
                f"{o.most_otherwise:.0f}",
                f"{o.above:.2%}",
                o.measures.survivors.text(0),
                "" if o.gap is None else f"{o.gap:.2%}",
            ]
            for k, o in enumerate(self.others, 1)
        ]

    def others_lines(self) -> pd.DataFrame:
        """Return one row per near-best plan, group and site with the number."""
        data = self.inputs.data
        return pd.DataFrame(
            [
                {
                    "plan": k,
                    "group": data.groups.name[g],
                    "family": data.families.name[int(data.groups.family[g])],
                    "site": data.sites.name[s],
                    "number": int(o.numbers[g, s]),
                }
                for k, o in enumerate(self.others, 1)
                for g, s in np.argwhere(o.numbers > 0)
            ],
            columns=["plan", "group", "family", "site", "number"],
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "points": [_record(p) for p in self.points],
            "alternatives": [
                {
                    "objective": o.objective,
                    "above": o.above,
                    "gap": o.gap,
                    "placed_otherwise": list(o.otherwise),
                    "most_otherwise": o.most_otherwise,
                    "status": str(o.status),
                    "survivors": o.measures.survivors.as_dict(),
                }
                for o in self.others
            ],
            "alternatives_words": " ".join(OTHERS_WORDS) if self.others else "",
            "tolerance": self.tolerance,
            "recommended": None,
            "notes": list(self.inputs.notes),
            "provenance": self.provenance.as_dict(),
        }


def release_tradeoff(
    programme: Programme,
    points: int = 7,
    lowest: float = 0.8,
    day: dt.date | None = None,
    number_of_others: int = 0,
    tolerance: float = 0.02,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> TradeOff:
    """Make a plan at each share of the most expected survivors; recheck and prove each.

    Parameters
    ----------
    programme : Programme
        Open records.
    points : int
        Plans, evenly spaced from `lowest` to 1.
    lowest : float
        Least share of the most expected survivors.
    day : date, optional
        Day of release; default the setting ``release_day``.
    number_of_others : int
        Near-best plans to look for beside the plan of the settings, 0 to 3.
    tolerance : float
        Share by which their objective may lie above that plan's.
    progress : callable, optional
        Told in words what is being done.
    cancel : threading.Event, optional
        Set from elsewhere to stop: the point being worked on keeps its best plan so far with its proof so far, later
        ones have none, and the notes say so.

    Returns
    -------
    TradeOff
        No point is recommended: a person chooses.

    Raises
    ------
    NoReleasePlanError
        If no plan can meet the rules (exit code 4) or none was found in time (exit code 5).
    UsageError
        If the number of points or the lowest share is out of range.
    """
    if not (FEWEST <= points <= MOST and 0 <= lowest < 1):
        raise UsageError(
            f"trade-off: found {points} points from a share of {lowest:g}. Expected {FEWEST} to {MOST} points and a "
            "share from 0 to below 1. Correct the options."
        )
    day = day or programme.settings.day("release_day")
    inputs = release_inputs(programme, day)
    say = progress or _say_nothing
    say(f"planning {points} points from {lowest:.0%} to 100% of the most survivors")
    shares = tuple(float(x) for x in np.linspace(lowest, 1.0, points))

    def tell(step: str, value: float | None, bound: float | None) -> None:
        figures = "" if value is None or bound is None else f": value {value:.4f}, bound {bound:.4f}"
        say(step + figures)

    found = tuple(trade_off(inputs.data, shares, progress=tell, cancel=cancel))
    _stop_without_plan(found)
    broken = [b.text() for p in found for b in p.plan.breaches]
    others: tuple[NearBest, ...] = ()
    if number_of_others and not _is_set(cancel):
        plan = _plan_of_the_settings(inputs.data, found, tell, cancel)
        if plan.numbers is not None and not _is_set(cancel):
            say(f"seeking {number_of_others} plans within {tolerance:.1%} that differ as much as possible")
            others = tuple(
                alternatives(
                    inputs.data,
                    plan,
                    tolerance=tolerance,
                    number=number_of_others,
                    time_limit=inputs.data.settings.time_limit,
                    cancel=cancel,
                )
            )
            broken += [b.text() for o in others for b in o.breaches]
    if _is_set(cancel):
        inputs = replace(inputs, notes=(*inputs.notes, STOPPED_WORDS_OF_POINTS))
    if broken:
        raise AssertionError("the recheck refuses a plan: " + "; ".join(broken))
    provenance = Provenance(
        kind="release trade-off",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(programme.settings["seed"]),
        settings=programme.settings.used(SETTINGS_USED)
        | {"release_day": day.isoformat(), "points": points, "lowest": lowest, "tolerance": tolerance},
        proof={
            f"gap at {p.survivors_share:.1%}": "none" if p.plan.gap is None else f"{p.plan.gap:.4%}"
            for p in found
        },
    )
    return TradeOff(found, others, tolerance, inputs, provenance)


def _stop_without_plan(points: tuple[TradeOffPoint, ...]) -> None:
    """Raise when no point has a plan."""
    if any(p.plan.numbers is not None for p in points):
        return
    first = points[0].plan
    if first.conflicts is not None:
        raise NoReleasePlanError(first.conflicts.text(), 4)
    raise NoReleasePlanError(
        f"Trade-off, a plan: {why_none(first.status)}.",
        5,
    )


def _plan_of_the_settings(
    data: ReleaseData,
    points: tuple[TradeOffPoint, ...],
    tell: Callable[[str, float | None, float | None], None],
    cancel: threading.Event | None,
) -> ReleasePlan:
    """Return the plan at the share of the settings, that of a point where one has it."""
    share = data.settings.survivors_share
    for p in points:
        if abs(p.survivors_share - share) < 1e-9 and p.plan.numbers is not None:
            return p.plan
    return plan_release(data, progress=tell, cancel=cancel)


def _is_set(cancel: threading.Event | None) -> bool:
    return cancel is not None and cancel.is_set()


def _record(p: TradeOffPoint) -> dict[str, Any]:
    """Return a point as plain values, None where it has none."""
    plan, m = p.plan, p.plan.measures
    survivors = None if m is None else m.survivors
    value = None if survivors is None else survivors.value
    bound = None
    if plan.bound is not None and plan.objective is not None and p.kinship_weighted is not None:
        bound = p.kinship_weighted * (plan.bound / plan.objective if plan.objective > 0 else 1.0)
    return {
        "share": p.survivors_share,
        "survivors": value,
        "survivors_low": value if survivors is None or survivors.low is None else survivors.low,
        "survivors_high": value if survivors is None or survivors.high is None else survivors.high,
        "kinship": p.kinship_weighted,
        "kinship_bound": bound,
        "kinship_within": p.kinship_within,
        "kinship_whole": p.kinship_whole,
        "released": None if m is None else m.released,
        "objective": plan.objective,
        "bound": plan.bound,
        "gap": plan.gap,
        "status": str(plan.status),
        "dominated": p.dominated,
        "note": p.note,
    }


def write_tradeoff(outcome: TradeOff, folder: Path) -> list[Path]:
    """Write the table, the figure, the near-best plans and the plan file; each file whole or not at all."""
    frame = outcome.frame()
    out = [folder / "tradeoff.csv"]
    write_text(out[0], frame.to_csv(index=False, lineterminator="\n"))
    planned = frame[frame["survivors"].notna() & frame["kinship"].notna()]
    out += write_figure(tradeoff_figure(planned, "Survivors against kinship"), folder / "tradeoff")
    if outcome.others:
        out.append(folder / "alternatives.csv")
        write_text(out[-1], outcome.others_lines().to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "tradeoff.json", outcome.as_dict()))
    return out


def _five(x: float | None) -> str:
    return "–" if x is None else f"{x:.5f}"


def _say_nothing(words: str) -> None:
    """Ignore progress."""
