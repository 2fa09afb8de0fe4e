"""When no plan meets the rules: which of them conflict, and the smallest change that would help.

A set of rules is reduced one rule at a time: a rule without which there is still no plan is left out for good
(deletion filter, Chinneck & Dravnieks 1991). What remains cannot all hold, while any one fewer could. For each
of these rules the smallest change is then looked for with all other rules of the day in force.
"""

from __future__ import annotations

import threading

from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.oracle import Oracle
from planner.optimise.spawning.read import Conflict
from planner.optimise.spawning.relaxations import smallest_changes
from planner.optimise.spawning.rule_facts import facts, in_force
from planner.optimise.spawning.rules import RULES, SENTENCES

FACTS = ("made",)
"""Rules that state what has happened and cannot give way."""


def find_conflicts(
    data: SpawningData,
    co: Coefficients,
    *,
    time_limit: float = 20.0,
    cancel: threading.Event | None = None,
) -> tuple[Conflict, ...]:
    """Return smallest sets of conflicting rules with facts and smallest changes.

    Parameters
    ----------
    data : SpawningData
        Data for which no plan exists.
    co : Coefficients
    time_limit : float
        Seconds; when they are over, the sets may be larger than necessary and changes may be missing.
    cancel : threading.Event, optional

    Returns
    -------
    tuple of Conflict
        By set, in the order of the rules. Sets share no rule; every set must be solved. The changes named for
        a rule assume that the other sets are solved.

    References
    ----------
    .. [1] Chinneck, J. W. & Dravnieks, E. W. (1991), ORSA Journal on Computing 3, 157-168 (deletion filter).
    """
    oracle = Oracle(data, co, time_limit=time_limit, cancel=cancel)
    sets: list[list[str]] = []
    while True:
        solved = [code for one in sets for code in one]
        if sets and oracle.answer(data, solved)[0] is not False:
            break
        smallest = _smallest_set(oracle, solved)
        if not smallest:
            break
        sets.append(smallest)
    conflicts = []
    for number, codes in enumerate(sets):
        oracle.always_out = [code for one in sets if one is not codes for code in one]
        conflicts += [
            Conflict(
                code,
                SENTENCES[code],
                facts(data, co, code),
                tuple(smallest_changes(oracle, code)),
                number + 1,
            )
            for code in codes
        ]
    return tuple(conflicts)


def _smallest_set(oracle: Oracle, solved: list[str]) -> list[str]:
    """Return a set of rules that conflict while any one fewer would not, among those not solved yet."""
    idle = [code for code in _removable() if code not in in_force(oracle.data)]
    left_out = [*solved, *(code for code in idle if code not in solved)]
    for code in _removable():
        if code not in left_out and oracle.answer(oracle.data, [*left_out, code])[0] is False:
            left_out.append(code)
    return [r.code for r in RULES if r.code not in left_out and r.code not in FACTS]


def _removable() -> list[str]:
    """Return codes in the order in which they are tried: the number of dishes is kept as long as possible."""
    codes = [r.code for r in RULES if r.code not in FACTS and r.code != "dishes"]
    return [*reversed(codes), "dishes"]
