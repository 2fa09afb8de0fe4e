"""One spawning morning, played in the obvious way: the whole goal is computed for every choice."""

from __future__ import annotations

import numpy as np

from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.recheck import (
    Laid,
    check_egg_share,
    check_females_per_male,
    check_males_per_female,
    check_most_uses,
    check_pair_kinship,
    check_pair_repeats,
    check_permit,
    check_straws,
)

UPPER = (
    check_most_uses,
    check_pair_kinship,
    check_pair_repeats,
    check_permit,
    check_straws,
    check_egg_share,
)
CLAUSES = (*UPPER, check_males_per_female, check_females_per_male)


def broken(data: SpawningData, new: np.ndarray) -> list[str]:
    """Rules that dishes break, by the clauses of the recheck of plans."""
    laid = Laid(data, new, data.made_pairs.astype(np.int64))
    return [text for clause in CLAUSES for text in clause(laid)]


def slow_play(
    data: SpawningData, co: Coefficients, plan: np.ndarray, works: np.ndarray, egg_dishes: np.ndarray
) -> np.ndarray:
    """Dishes laid on one morning."""
    nf, nm = plan.shape
    made = data.made_pairs.astype(np.int64)
    new = np.zeros_like(plan)
    planned = np.concatenate([plan.sum(axis=1), plan.sum(axis=0)]) > 0
    failed = planned & ~works
    seen = planned.copy()
    closed = np.zeros(nf + nm, bool)
    fewest = max(1, data.males_per_female[0])

    def goal(table: np.ndarray) -> float:
        t = table + made
        return co.goal(np.concatenate([t.sum(axis=1), t.sum(axis=0)]).astype(float))

    def with_dish(f: int, m: int) -> np.ndarray:
        out = new.copy()
        out[f, m] += 1
        return out

    def may(f: int, m: int) -> bool:
        table = with_dish(f, m)
        laid = Laid(data, table, made)
        too_many_mates = ((table + made) > 0).sum(axis=1)[f] > data.males_per_female[1] or (
            (table + made) > 0
        ).sum(axis=0)[m] > data.females_per_male[1]
        return (
            not any(clause(laid) for clause in UPPER)
            and not (too_many_mates and new[f, m] == 0 and made[f, m] == 0)
            and table[f].sum() <= egg_dishes[f]
        )

    def needed(f: int) -> int:
        had = (made[f] > 0).sum()
        return max(1, fewest - int(had))

    def own_rank(f: int) -> float:
        step = 1e-4
        c = np.concatenate([(new + made).sum(axis=1), (new + made).sum(axis=0)]).astype(float)
        up, down = c.copy(), c.copy()
        up[f] += step
        down[f] -= step
        return (co.goal(up) - co.goal(down)) / (2 * step) + co.square * co.K[f, f]

    for f in range(nf):
        males = np.flatnonzero(plan[f])
        for m in males[np.lexsort((males, co.pair_kinship[f, males]))].tolist():
            for _ in range(plan[f, m]):
                if works[f] and works[nf + m] and may(f, m):
                    new = with_dish(f, m)
    for turn in range(4):
        for own_dishes_only in (True, False) if turn == 0 else (False,):
            while new.sum() < plan.sum():
                left = plan.sum() - new.sum()
                uses = new.sum(axis=1) + made.sum(axis=1)
                females = [
                    f
                    for f in range(nf)
                    if not closed[f]
                    and not failed[f]
                    and new[f].sum() < egg_dishes[f]
                    and uses[f] < _most(data, f)
                    and not (own_dishes_only and (not planned[f] or new[f].sum() >= plan[f].sum()))
                    and not (new[f].sum() == 0 and needed(f) > left)
                ]
                if not females:
                    break
                f = min(females, key=lambda f: (round(own_rank(f), 10), f))
                if not seen[f]:
                    seen[f] = True
                    failed[f] = not works[f]
                    continue
                for _ in range(needed(f) if new[f].sum() == 0 else 1):
                    while True:
                        males = [
                            m for m in range(nm) if not closed[nf + m] and not failed[nf + m] and may(f, m)
                        ]
                        if not males:
                            closed[f] = True
                            break
                        m = min(males, key=lambda m: (round(goal(with_dish(f, m)), 12), m))
                        if seen[nf + m]:
                            break
                        seen[nf + m] = True
                        failed[nf + m] = not works[nf + m]
                    if closed[f]:
                        break
                    new = with_dish(f, m)
        again, dropped = True, False
        while again:
            again = False
            for f in range(nf):
                mates = ((new[f] + made[f]) > 0).sum()
                if new[f].sum() and mates < fewest:
                    new[f] = 0
                    closed[f] = again = dropped = True
        if not dropped:
            break
    return new


def _most(data: SpawningData, f: int) -> int:
    """Most dishes of a female, dishes made included, by use limits, mates and allowed pairs."""
    made = data.made_pairs
    limit = max(int(data.most_uses[f]), int(made[f].sum()))
    if data.pair_repeats == 1:
        limit = min(limit, int(made[f].sum()) + max(0, data.males_per_female[1] - int((made[f] > 0).sum())))
    from planner.optimise.spawning.build import draft_rules
    from planner.optimise.spawning.coefficients import coefficients

    room = draft_rules(data, coefficients(data)).pair_room[f].sum()
    return min(limit, int(made[f].sum() + room))
