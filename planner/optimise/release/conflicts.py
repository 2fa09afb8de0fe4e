"""When no plan meets all rules: which rules conflict, and the smallest relaxations that would help.

Every demand of every rule gets a slack at a price; the cheapest slacks are the smallest relaxations. The
conflicting set is found by the elastic filter (demands that need slack are made hard until nothing fits)
and made minimal by the deletion filter (a demand without which the rest still conflicts is left out).

References
----------
.. [1] Chinneck & Dravnieks (1991), ORSA Journal on Computing 3, 157-168 (from memory).
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.release.count_rules import COUNT_RULES, CountRule
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frame import Frame, group_place, make_frame, site_place
from planner.optimise.release.model import DEFINITION, LoadedModel, Row, load, row
from planner.optimise.release.pair_rules import PAIR_RULES
from planner.optimise.release.rules import RULE_BY_CODE
from planner.optimise.solver import Session, read_values
from planner.optimise.status import SolveReport, SolveStatus

NEVER_GIVEN_UP = frozenset({DEFINITION, "stock"})
"""Codes without slack: definitions, and the fish that exist."""

USED = 1e-6
"""Slack above this is counted as used."""

FULL_SEARCH_SECONDS = 20.0
"""Time for the whole search; what is found by then is returned."""


@dataclass(frozen=True, slots=True)
class Demand:
    """One demand of one rule that takes part in a conflict.

    Parameters
    ----------
    code : str
        Code of the rule.
    place : str
        Site, family, group or total concerned.
    sentence : str
        The rule in one sentence.
    limit : str
        The numbers, in words, for example ``at least 60``; empty when the sentence says it all.
    """

    code: str
    place: str
    sentence: str
    limit: str

    def text(self) -> str:
        """Return the demand as one line."""
        limit = f" ({self.limit})" if self.limit else ""
        return f"{self.place}: {self.sentence}{limit} [{self.code}]"


@dataclass(frozen=True, slots=True)
class Relaxation:
    """One change that, with the others of its list, would make a plan possible.

    Parameters
    ----------
    code : str
        Code of the rule.
    place : str
        Site, family, group or total concerned.
    amount : float
        By how much, in the unit of the rule.
    words : str
        The change in words.
    """

    code: str
    place: str
    amount: float
    words: str


@dataclass(frozen=True)
class Conflicts:
    """Why no plan exists.

    Parameters
    ----------
    rules : tuple of Demand
        Demands that cannot hold together; without any one of them the others can (`minimal`).
    relaxations : tuple of Relaxation
        Changes that together make a plan possible, the smallest in fish that were found.
    minimal : bool
        False when time was up before the set was made minimal.
    """

    rules: tuple[Demand, ...]
    relaxations: tuple[Relaxation, ...]
    minimal: bool

    def text(self) -> str:
        """Return the conflict and what would help, in words."""
        lines = [
            "Release plan: no plan meets all rules. With the fish there are, these cannot hold together:"
        ]
        lines += [f"- {d.text()}" for d in self.rules]
        if self.relaxations:
            lines.append("The smallest changes that would help, all of them together:")
            lines += [f"- {r.words} [{r.code}]" for r in self.relaxations]
        return "\n".join(lines)


@dataclass
class _Elastic:
    """The model with a slack for every demand.

    ``short[i]`` and ``over[i]`` are the slack columns of demand i, -1 where it has no such limit.
    """

    frame: Frame
    demands: list[Row]
    short: BigIntArray
    over: BigIntArray
    loaded: LoadedModel
    session: Session

    def enforce(self, hard: set[int]) -> None:
        """Forbid slack for some demands and allow it for all others."""
        columns = np.concatenate([self.short, self.over])
        demand = np.concatenate([np.arange(len(self.demands))] * 2)
        used = columns >= 0
        high = np.where(np.isin(demand[used], sorted(hard)), 0.0, np.inf)
        self.session.set_bounds(self.loaded.pick(columns[used]), np.zeros(high.shape), high)

    def slack(self, report: SolveReport) -> tuple[np.ndarray, np.ndarray]:
        """Return how far each demand stays below and goes above its limits."""
        x = read_values(self.loaded.variables, report)
        below = np.where(self.short >= 0, x[self.short], 0.0)
        above = np.where(self.over >= 0, x[self.over], 0.0)
        return below, above


def find_conflicts(data: ReleaseData, *, seconds: float = FULL_SEARCH_SECONDS) -> Conflicts:
    """Find which rules conflict and the smallest relaxations.

    Parameters
    ----------
    data : ReleaseData
        Data no plan exists for. `ReleaseSettings.survivors_min` counts as a rule,
        `ReleaseSettings.survivors_share` does not (it never makes a plan impossible).
    seconds : float
        Time after which what is known is returned.

    Returns
    -------
    Conflicts
        Without rules and relaxations when a plan does exist.
    """
    deadline = time.perf_counter() + seconds
    model = _elastic(data)
    relaxations: tuple[Relaxation, ...] = ()
    hard: set[int] = set()
    complete = False
    while time.perf_counter() < deadline:
        model.enforce(hard)
        report = model.session.solve(
            time_limit=max(deadline - time.perf_counter(), 0.1), seed=data.settings.seed
        )
        if report.status is SolveStatus.INFEASIBLE:
            complete = True
            break
        if not report.has_solution:
            break
        below, above = model.slack(report)
        used = np.flatnonzero((below > USED) | (above > USED))
        if not hard:
            relaxations = _relaxations(model, below, above)
        if not used.size:
            return Conflicts((), (), True)
        hard |= set(used.tolist())
    if complete:
        hard, complete = _made_minimal(model, hard, deadline)
    return Conflicts(tuple(_demand(model.demands[i]) for i in sorted(hard)), relaxations, complete)


def _made_minimal(model: _Elastic, hard: set[int], deadline: float) -> tuple[set[int], bool]:
    """Leave out every demand without which the others still conflict."""
    for i in sorted(hard):
        if time.perf_counter() >= deadline:
            return hard, False
        model.enforce(hard - {i})
        report = model.session.solve(time_limit=max(deadline - time.perf_counter(), 0.1), relative_gap=1.0)
        if report.status is SolveStatus.INFEASIBLE:
            hard = hard - {i}
        elif not report.has_solution:
            return hard, False
    return hard, True


def _elastic(data: ReleaseData) -> _Elastic:
    """Build the model in which every rule may be broken at a price."""
    everything = np.ones((data.n_groups, data.n_sites), dtype=np.bool_)
    frame = make_frame(data, everything, data.settings.survivors_min, tight=False)
    fixed = list(frame.model.rows)
    demands = _pair_demands(frame)
    for rule in COUNT_RULES:
        for one in rule.rows(frame):
            (fixed if one.code in NEVER_GIVEN_UP else demands).append(one)
    model = frame.model
    model.rows = fixed
    short = np.full(len(demands), -1, dtype=np.int64)
    over = np.full(len(demands), -1, dtype=np.int64)
    for i, one in enumerate(demands):
        if np.isfinite(one.low):
            short[i] = model.add((1,), 0.0, np.inf, cost=one.price)[0]
        if np.isfinite(one.high):
            over[i] = model.add((1,), 0.0, np.inf, cost=one.price)[0]
        model.rows.extend(_with_slack(one, int(short[i]), int(over[i])))
    loaded = load(model, "conflicts")
    return _Elastic(frame, demands, short, over, loaded, Session(loaded.problem))


def _with_slack(one: Row, short: int, over: int) -> list[Row]:
    columns, factors = list(one.columns), list(one.factors)
    rows = []
    if short >= 0:
        rows.append(row(one.code, one.place, [*columns, short], [*factors, 1.0], low=one.low))
    if over >= 0:
        rows.append(row(one.code, one.place, [*columns, over], [*factors, -1.0], high=one.high))
    return rows


def _pair_demands(frame: Frame) -> list[Row]:
    """Return the pair rules as rows: no fish of a refused group at a site, or anywhere."""
    data = frame.data
    rows = []
    for rule in PAIR_RULES:
        refused = rule.refused(data)
        if rule.by == "site":
            for s in np.flatnonzero(refused.any(axis=0)):
                fish = frame.fish[refused[:, s], s]
                rows.append(row(rule.code, site_place(data, s), fish, 1.0, high=0.0))
        else:
            for g in np.flatnonzero(refused.any(axis=1)):
                fish = frame.fish[g, refused[g]]
                rows.append(row(rule.code, group_place(data, g), fish, 1.0, high=0.0))
    return rows


def _demand(one: Row) -> Demand:
    plain = bool((one.factors == 1.0).all()) and isinstance(RULE_BY_CODE[one.code], CountRule)
    unit = "sites more than now" if one.code == "family-spread" else "fish sent"
    if not plain:
        limit = ""
    elif one.low == one.high:
        limit = f"exactly {one.low:g} {unit}"
    elif np.isfinite(one.low):
        limit = f"at least {one.low:g} {unit}"
    else:
        limit = f"at most {one.high:g} {unit}"
    return Demand(one.code, one.place, RULE_BY_CODE[one.code].sentence, limit)


def _relaxations(model: _Elastic, below: np.ndarray, above: np.ndarray) -> tuple[Relaxation, ...]:
    found = []
    for i, one in enumerate(model.demands):
        for amount, is_short in ((float(below[i]), True), (float(above[i]), False)):
            if amount > USED:
                rule = RULE_BY_CODE[one.code]
                pattern = (
                    (rule.short if is_short else rule.over) if isinstance(rule, CountRule) else rule.relax
                )
                shown = f"{amount:.0f}" if abs(amount - round(amount)) < 1e-4 else f"{amount:.3g}"
                words = pattern.format(amount=shown, place=one.place)
                found.append(Relaxation(one.code, one.place, amount, words))
    return tuple(found)
