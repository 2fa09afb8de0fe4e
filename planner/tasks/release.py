"""Plan a release from the records, recheck it, and write the manifest, tables, figure and plan file."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from planner.optimise.release.assign import assign_fish
from planner.optimise.release.change import next_best, would_let_stay_go
from planner.optimise.release.explain import allocations, kept_back_reasons
from planner.optimise.release.naive import PlainPlan, fill_in_order, proportional
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.recheck import breaches
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from planner.provenance import Provenance
from planner.tasks.no_plan import STOPPED_WORDS, NoPlanError, why_none
from planner.tasks.programme import Programme
from planner.tasks.release_data import SETTINGS_USED, ReleaseInputs, release_inputs
from planner.tasks.release_fallbacks import SiteFallbacks, fallbacks
from planner.tasks.release_goals import ReleaseGoals, release_goals

MOST_FAMILIES = 8
LINE_COLUMNS = [
    "group", "family", "size_class", "site", "number", "survival", "kinship_to_site", "why", "what_else"
]  # fmt: skip
FIGURE_KINDS = ("svg", "png", "html", "data")


class NoReleasePlanError(NoPlanError):
    """No plan can meet the rules, or none was found in time; the message says which rules conflict."""


@dataclass(frozen=True)
class ReleaseOutcome:
    """A release plan with all that is shown of it.

    Parameters
    ----------
    plan : ReleasePlan
        The plan; it has passed the recheck.
    inputs : ReleaseInputs
        What it was made from.
    fish : DataFrame
        One row per fish of the stock: ``stock_id, tag, family, year_class, sex, total_length_mm, unit,
        site`` (empty when it stays) and ``why``.
    lines : DataFrame
        One row per group and site with the number, expected survival and reason.
    plain : tuple of PlainPlan
        Plans without optimisation.
    provenance : Provenance
        Inputs, settings, seed, proof.
    day : date
        Day of release.
    closed : tuple of str
        Sites found closed against the records.
    fallbacks : tuple of SiteFallbacks
        For each water with fish: the other waters ranked, should it be red on the day.
    changes : tuple of str
        What differs from the plan this version voids; empty for a first plan.
    goals : ReleaseGoals or None
        Goals the plan does not aim at: founders, spread of families, the way.
    """

    plan: ReleasePlan
    inputs: ReleaseInputs
    fish: pd.DataFrame
    lines: pd.DataFrame
    plain: tuple[PlainPlan, ...]
    provenance: Provenance
    day: dt.date
    closed: tuple[str, ...] = ()
    fallbacks: tuple[SiteFallbacks, ...] = ()
    changes: tuple[str, ...] = ()
    goals: ReleaseGoals | None = None

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the plan as label and value."""
        m = self.plan.measures
        assert m is not None
        return (
            ("Fish released", f"{m.released} of {len(self.fish)}"),
            ("Kept at the station", str(m.kept_back)),
            ("Expected first-year survivors", m.survivors.text(0)),
            ("Mean kinship within sites", three_digits(m.kinship_within)),
            (
                "Mean kinship of all sites",
                f"{three_digits(m.kinship_whole)} (before {three_digits(m.kinship_whole_before)})",
            ),
            ("Mean kinship across sites", three_digits(m.kinship_across)),
            ("Effective families at all sites", _one(m.effective_families)),
            *(() if self.goals is None else self.goals.facts()),
            ("Objective, proven bound", f"{self.plan.objective:.4f}, {_bound_words(self.plan.bound)}"),
            ("Proven gap", f"{self.plan.gap:.3%}" if self.plan.gap is not None else "none"),
        )

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water that receives fish."""
        m = self.plan.measures
        assert m is not None
        return ["water", "fish", "kg", "expected survivors", "kinship before", "after", "families"], [
            [
                s.site,
                str(s.arrivals),
                f"{s.arrivals_kg:.1f}",
                s.survivors.text(0),
                three_digits(s.kinship_before),
                three_digits(s.kinship),
                str(s.families),
            ]
            for s in m.sites
            if s.arrivals
        ]

    def _stay(self) -> list[dict[str, Any]]:
        """Return the groups with fish that stay: number, reason, and what would let them go."""
        data, numbers = self.inputs.data, self.plan.numbers
        assert numbers is not None
        at = {name: g for g, name in enumerate(data.groups.name)}
        return [
            {
                "group": group,
                "number": number,
                "why": why,
                "what_would_change_it": would_let_stay_go(data, at[group], why),
            }
            for group, number, why in kept_back_reasons(data, numbers)
        ]

    def _sent(self) -> pd.DataFrame:
        return self.fish[self.fish["site"] != ""]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        m = self.plan.measures
        assert m is not None
        return {
            "status": str(self.plan.status),
            "objective": self.plan.objective,
            "bound": self.plan.bound,
            "gap": self.plan.gap,
            "released": m.released,
            "kept_back": m.kept_back,
            "survivors": m.survivors.as_dict(),
            "kinship_within": m.kinship_within,
            "kinship_across": m.kinship_across,
            "kinship_whole": m.kinship_whole,
            "gene_diversity": m.gene_diversity,
            "effective_families": m.effective_families,
            "goals": None if self.goals is None else self.goals.as_dict(),
            "sites": [_site_dict(s) for s in m.sites],
            "lines": self.lines.to_dict("records"),
            "fish": {str(site): list(here["stock_id"]) for site, here in self._sent().groupby("site")},
            "closed": list(self.closed),
            "changes": list(self.changes),
            "fallbacks": [f.as_dict() for f in self.fallbacks],
            "refused": [r.text() for r in self.plan.refused],
            "stay": self._stay(),
            "plans_without_optimisation": [
                {
                    "name": p.name,
                    "objective": p.objective,
                    "released": p.measures.released,
                    "survivors": p.measures.survivors.as_dict(),
                    "kinship_within": p.measures.kinship_within,
                    "kinship_across": p.measures.kinship_across,
                    "rules_broken": [b.text() for b in p.breaches],
                }
                for p in self.plain
            ],
            "notes": list(self.inputs.notes),
            "provenance": self.provenance.as_dict(),
        }


def release_plan(
    programme: Programme,
    day: dt.date | None = None,
    closed: tuple[str, ...] = (),
    version: int = 1,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> ReleaseOutcome:
    """Plan which fish go where, prove how good the plan is, and recheck it without the solver.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date, optional
        Day of release; default the setting ``release_day``.
    closed : tuple of str
        Sites found closed against the records.
    version : int
        Version of the plan.
    progress : callable, optional
        Told in words what is being done.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best plan so far is returned and its notes say so.

    Returns
    -------
    ReleaseOutcome
        Plan, tables and provenance.

    Raises
    ------
    NoReleasePlanError
        If no plan can meet the rules (exit code 4) or none was found in time (exit code 5).
    UsageError, ValueRangeError
        If the records do not allow a plan.
    """
    day = day or programme.settings.day("release_day")
    inputs = release_inputs(programme, day, closed)

    def tell(step: str, value: float | None, bound: float | None) -> None:
        if progress is not None:
            figures = "" if value is None or bound is None else f": value {value:.4f}, bound {bound:.4f}"
            progress(step + figures)

    plan = plan_release(inputs.data, progress=tell, cancel=cancel)
    if plan.status is SolveStatus.STOPPED:
        inputs = replace(inputs, notes=(*inputs.notes, STOPPED_WORDS))
    if plan.numbers is None:
        if plan.conflicts is not None:
            raise NoReleasePlanError(plan.conflicts.text(), 4)
        raise NoReleasePlanError(
            f"Release plan: {why_none(plan.status)}, or ask for less.",
            5,
        )
    fish = _fish_table(inputs, plan, int(programme.settings["seed"]))
    return outcome_of(programme, inputs, plan, fish, day, closed, version)


def outcome_of(
    programme: Programme,
    inputs: ReleaseInputs,
    plan: ReleasePlan,
    fish: pd.DataFrame,
    day: dt.date,
    closed: tuple[str, ...],
    version: int,
) -> ReleaseOutcome:
    """Recheck a plan and put all that is shown of it together.

    Parameters
    ----------
    programme : Programme
        Open records.
    inputs : ReleaseInputs
        What the plan was made from.
    plan : ReleasePlan
        The plan; it has numbers.
    fish : DataFrame
        One row per fish with its site, as in `ReleaseOutcome`.
    day : date
        Day of release.
    closed : tuple of str
        Sites found closed against the records.
    version : int
        Version of the plan.

    Returns
    -------
    ReleaseOutcome
        Plan, tables, fallbacks and provenance.
    """
    assert plan.numbers is not None
    broken = breaches(inputs.data, plan.numbers, plan.survivors_floor)
    if broken:
        raise AssertionError("the recheck refuses the plan: " + "; ".join(b.text() for b in broken))
    group_at = {name: g for g, name in enumerate(inputs.data.groups.name)}
    site_at = {name: s for s, name in enumerate(inputs.data.sites.name)}
    changes = next_best(inputs.data, plan.numbers)
    class_of = dict(zip(inputs.data.groups.name, inputs.data.groups.size_class, strict=True))
    lines = pd.DataFrame(
        [
            {
                "group": a.group,
                "family": a.family,
                "size_class": class_of[a.group],
                "site": a.site,
                "number": a.number,
                "survival": a.survival,
                "kinship_to_site": a.kinship_to_site,
                "why": a.reason,
                "what_else": changes[group_at[a.group], site_at[a.site]],
            }
            for a in allocations(inputs.data, plan.numbers)
        ],
        columns=LINE_COLUMNS,
    )
    provenance = Provenance(
        kind="release plan",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(programme.settings["seed"]),
        settings=programme.settings.used(SETTINGS_USED)
        | {"release_day": day.isoformat(), "closed": ", ".join(closed) or "none"},
        version=version,
        proof={
            "status": str(plan.status),
            "value": f"{plan.objective:.6f}",
            "bound": "none" if plan.bound is None else f"{plan.bound:.6f}",
            "gap": "none" if plan.gap is None else f"{plan.gap:.4%}",
        },
    )
    plain = (
        proportional(inputs.data, plan.survivors_floor),
        fill_in_order(inputs.data, None, plan.survivors_floor),
    )
    ranked = fallbacks(inputs.data, plan.numbers)
    assert plan.measures is not None
    goals = release_goals(programme, inputs.data, plan.numbers, plan.measures)
    inputs = replace(inputs, notes=(*inputs.notes, *goals.notes))
    return ReleaseOutcome(plan, inputs, fish, lines, plain, provenance, day, closed, ranked, goals=goals)


def _fish_table(inputs: ReleaseInputs, plan: ReleasePlan, seed: int) -> pd.DataFrame:
    """Choose the single fish for each line of the plan."""
    assert plan.numbers is not None
    fish = inputs.fish
    sex = fish["sex"].where(fish["sex"] != "", "unknown")
    assignment = assign_fish(plan.numbers, fish["group"].to_numpy(), sex.to_numpy(), seed=seed)
    return fish_columns(inputs, assignment.site, plan.numbers)


def fish_columns(inputs: ReleaseInputs, place: BigIntArray, numbers: BigIntArray) -> pd.DataFrame:
    """Return the table of fish: the site of each, or why it stays.

    Parameters
    ----------
    inputs : ReleaseInputs
        The stock with its groups.
    place : ndarray, int64, shape (n_fish,)
        Position of the site of each fish; -1: it stays.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        The plan.

    Returns
    -------
    DataFrame
        As `ReleaseOutcome.fish`.
    """
    fish = inputs.fish.copy()
    names = np.array([*inputs.data.sites.name, ""], dtype=object)
    fish["site"] = names[place]
    stays = {group: why for group, _, why in kept_back_reasons(inputs.data, numbers)}
    group_names = np.array(inputs.data.groups.name, dtype=object)[fish["group"]]
    fish["why"] = [
        "" if site else dna or stays.get(group, "kept at the station")
        for site, group, dna in zip(fish["site"], group_names, fish["dna"], strict=True)
    ]
    columns = ["stock_id", "tag", "family", "year_class", "sex", "total_length_mm", "unit", "site", "why"]
    return fish[columns]


def _site_dict(s: Any) -> dict[str, Any]:
    return {
        "site": s.site,
        "arrivals": s.arrivals,
        "residents": s.residents,
        "arrivals_kg": s.arrivals_kg,
        "survivors": s.survivors.as_dict(),
        "kinship_before": s.kinship_before,
        "kinship": s.kinship,
        "families": s.families,
        "effective_families": s.effective_families,
        "largest_family": s.largest_family,
        "largest_share": s.largest_share,
    }


def three_digits(x: float | None) -> str:
    """Return a kinship with four decimals, a dash where there is none."""
    return "–" if x is None else f"{x:.4f}"


def _bound_words(bound: float | None) -> str:
    return "none yet" if bound is None else f"{bound:.4f}"


def _one(x: float | None) -> str:
    return "–" if x is None else f"{x:.1f}"
