"""Every rule and every number of a plan, computed again without the solver and without its model.

A plan that fails here never leaves: `demand_sound` raises. Each check looks at the rows of the plan and at the
data only. Mean kinship is computed by another road than in the search: through the whole pedigree instead of
the matrix over candidates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import KinshoalError
from planner.optimise.spawning.data import MANY, SpawningData
from planner.optimise.spawning.read import SpawningPlan, as_table

TOLERANCE = 1e-9


class UnsoundPlanError(KinshoalError, RuntimeError):
    """A plan breaks a rule or states a wrong number: a fault of our program; the plan must not be used."""

    code = "unsound-plan"


@dataclass(frozen=True, slots=True)
class Broken:
    """One rule that a plan breaks, or one number that is wrong.

    Parameters
    ----------
    code : str
        Rule, or ``value``, ``bound``, ``inbreeding``, ``contributions``.
    text : str
        Fish and numbers.
    """

    code: str
    text: str


@dataclass(frozen=True)
class Laid:
    """Dishes of a plan as tables over candidates.

    Parameters
    ----------
    new, made : ndarray, int64, shape (n_females, n_males)
    """

    data: SpawningData
    new: BigIntArray
    made: BigIntArray

    @property
    def uses(self) -> BigIntArray:
        """Dishes of each candidate this season."""
        return self._by_fish(self.new + self.made)

    @property
    def new_uses(self) -> BigIntArray:
        """New dishes of each candidate."""
        return self._by_fish(self.new)

    @property
    def mates(self) -> BigIntArray:
        """Different mates of each candidate this season."""
        return self._by_fish((self.new + self.made > 0).astype(np.int64))

    def pairs(self, barred: np.ndarray) -> list[str]:
        """Names of new pairs that stand in a table of barred pairs."""
        d = self.data
        return [
            f"{d.name(f)} x {d.name(d.male_position(m))}"
            for f, m in np.argwhere((self.new > 0) & barred).tolist()
        ]

    def fish(self, wrong: np.ndarray) -> list[str]:
        """Names of the candidates that are marked."""
        return [self.data.name(i) for i in np.flatnonzero(wrong).tolist()]

    @staticmethod
    def _by_fish(table: BigIntArray) -> BigIntArray:
        return np.concatenate([table.sum(axis=1), table.sum(axis=0)])


def recheck(data: SpawningData, plan: SpawningPlan) -> list[Broken]:
    """Return everything that is wrong with a plan.

    Parameters
    ----------
    data : SpawningData
        The data the plan was made from.
    plan : SpawningPlan
        A plan with dishes.

    Returns
    -------
    list of Broken
        Empty for a sound plan. A plan without dishes is sound.
    """
    if not plan.has_plan:
        return []
    try:
        laid = Laid(data, as_table(data, plan.pairs), as_table(data, plan.made))
    except KeyError as error:
        return [Broken("pairs", f"row {error} is no candidate of the right sex")]
    broken = []
    for code, check in CHECKS.items():
        broken += [Broken(code, text) for text in check(laid)]
    return broken + _check_numbers(laid, plan)


def demand_sound(data: SpawningData, plan: SpawningPlan) -> None:
    """Raise unless a plan is sound.

    Raises
    ------
    UnsoundPlanError
        Naming everything that is wrong.
    """
    broken = recheck(data, plan)
    if broken:
        found = "; ".join(f"{b.code}: {b.text}" for b in broken[:10])
        raise UnsoundPlanError(
            f"spawning plan: found {len(broken)} broken rule(s) or number(s): {found}. Expected a plan that meets "
            "every rule. Do not use this plan; report this as a fault of the program."
        )


def check_dishes(laid: Laid) -> list[str]:
    """Count the new dishes."""
    found = int(laid.new.sum())
    if (laid.new < 0).any():
        return ["a negative number of dishes"]
    return [] if found == laid.data.dishes else [f"{found} new dishes instead of {laid.data.dishes}"]


def check_made(laid: Laid) -> list[str]:
    """Compare the dishes made with the records."""
    same = np.array_equal(laid.made, laid.data.made_pairs)
    return [] if same else ["dishes already made were changed"]


def check_ripe(laid: Laid) -> list[str]:
    """Look for new dishes of fish that are not ripe."""
    return [f"{fish} is not ripe" for fish in laid.fish((laid.new_uses > 0) & ~laid.data.ripe)]


def check_hold(laid: Laid) -> list[str]:
    """Look for new dishes of fish under a hold."""
    return [f"{fish} is under a hold" for fish in laid.fish((laid.new_uses > 0) & laid.data.hold)]


def check_most_uses(laid: Laid) -> list[str]:
    """Look for new dishes beyond the season's limit."""
    over = (laid.new_uses > 0) & (laid.uses > laid.data.most_uses)
    return [f"{fish} is used too often" for fish in laid.fish(over)]


def check_least_uses(laid: Laid) -> list[str]:
    """Look for fish used less often than they must be."""
    return [f"{fish} is used too seldom" for fish in laid.fish(laid.uses < laid.data.least_uses)]


def check_lifetime_uses(laid: Laid) -> list[str]:
    """Look for new dishes beyond the lifetime limit."""
    data = laid.data
    over = (laid.new_uses > 0) & (laid.uses + data.past_uses > data.lifetime_uses)
    return [f"{fish} is used too often over its life" for fish in laid.fish(over)]


def check_males_per_female(laid: Laid) -> list[str]:
    """Count different males of females with new dishes."""
    return _check_mates(laid, laid.data.is_female, laid.data.males_per_female)


def check_females_per_male(laid: Laid) -> list[str]:
    """Count different females of males with new dishes."""
    return _check_mates(laid, ~laid.data.is_female, laid.data.females_per_male)


def check_pair_repeats(laid: Laid) -> list[str]:
    """Count dishes of pairs with new dishes."""
    return [
        f"{pair} is crossed too often" for pair in laid.pairs(laid.new + laid.made > laid.data.pair_repeats)
    ]


def check_pair_kinship(laid: Laid) -> list[str]:
    """Compare kinship of new pairs with the limit."""
    data = laid.data
    if data.pair_limit is None:
        return []
    table = data.pair_upper if data.limit_on == "upper" else _kinship_of_pairs(data)
    assert table is not None
    return [f"{pair} are too closely related" for pair in laid.pairs(table > data.pair_limit + 1e-8)]


def check_forbidden_pairs(laid: Laid) -> list[str]:
    """Look for forbidden pairs."""
    return [f"{pair} is forbidden" for pair in laid.pairs(laid.data.forbidden)]


def check_past_pairs(laid: Laid) -> list[str]:
    """Look for pairs of earlier seasons."""
    return [f"{pair} was crossed in an earlier season" for pair in laid.pairs(laid.data.past_pairs)]


def check_same_place(laid: Laid) -> list[str]:
    """Look for new pairs kept in two known places."""
    data = laid.data
    if not data.same_place:
        return []
    barred = np.array(
        [
            [f >= 0 and m >= 0 and f != m for m in data.place[data.n_females :].tolist()]
            for f in data.place[: data.n_females].tolist()
        ],
        dtype=bool,
    ).reshape(laid.new.shape)
    return [f"{pair} are kept in different places" for pair in laid.pairs(barred)]


def check_unknown_fish(laid: Laid) -> list[str]:
    """Compare mates of unknown fish with every fish these might be."""
    data = laid.data
    if not data.unknown.any():
        return []
    K = _kinship_of_pairs(data)
    problems = []
    for f, m in np.argwhere(laid.new > 0).tolist():
        unknown_f, unknown_m = bool(data.unknown[f]), bool(data.unknown[data.male_position(m)])
        names = f"{data.name(f)} x {data.name(data.male_position(m))}"
        if unknown_f and unknown_m:
            problems.append(f"{names} are both unknown")
        elif unknown_f and max(K[:, m]) > data.safe_limit + 1e-8:
            problems.append(f"{names}: the male is related to a fish the female might be")
        elif unknown_m and max(K[f]) > data.safe_limit + 1e-8:
            problems.append(f"{names}: the female is related to a fish the male might be")
    return problems


def check_straws(laid: Laid) -> list[str]:
    """Compare straws needed with straws in store."""
    data = laid.data
    short = (data.straws >= 0) & (laid.new_uses * data.straws_per_dish > data.straws)
    return [f"{fish} has too few straws" for fish in laid.fish(short)]


def check_egg_share(laid: Laid) -> list[str]:
    """Compare each female's eggs per new dish with the full share."""
    data = laid.data
    if data.least_eggs <= 0:
        return []
    dishes = laid.new_uses[: data.n_females]
    short = (data.eggs >= 0) & (dishes > 0) & (data.eggs * (1 + TOLERANCE) < dishes * data.least_eggs)
    return [
        f"{data.name(f)} has too few eggs for {int(dishes[f])} dishes" for f in np.flatnonzero(short).tolist()
    ]


def check_permit(laid: Laid) -> list[str]:
    """Count fish used under each permit; fish used before the plan may have filled it already."""
    data = laid.data
    problems = []
    for number, limit in enumerate(data.permit_limit.tolist()):
        members = data.permit == number
        before = int((members & (laid.uses - laid.new_uses > 0)).sum())
        after = int((members & (laid.uses > 0)).sum())
        if after > max(limit, before):
            problems.append(f"{after} fish under permit {number} instead of {limit}")
    return problems


def check_founder_share(laid: Laid) -> list[str]:
    """Follow each listed founder's genes down the pedigree to the season's young."""
    data = laid.data
    problems: list[str] = []
    if not laid.uses.any():
        return problems
    for founder, least in zip(data.founders.tolist(), data.founder_share.tolist(), strict=True):
        assert data.parents is not None
        genes = [0.0] * data.n_fish
        genes[founder] = 1.0
        for fish, (dam, sire) in enumerate(data.parents.tolist()):
            if fish != founder:
                genes[fish] = sum(0.5 * genes[p] for p in (dam, sire) if p >= 0)
        share = float(laid.uses @ np.array(genes)[data.candidates]) / float(laid.uses.sum())
        if share < least - 1e-8:
            problems.append(f"{data.ids[founder]} keeps a share of {share:.4f} instead of {least:.4f}")
    return problems


def check_full_factorial(laid: Laid) -> list[str]:
    """Look for gaps in the factorial and for fish that stand in two blocks."""
    data = laid.data
    if data.factorial is None:
        return []
    wrong = []
    blocks = _blocks_of(laid.new)
    for females, males in blocks:
        complete = (laid.new[np.ix_(females, males)] == 1).all()
        if (len(females), len(males)) != data.factorial or not complete:
            wrong.append(f"{len(females)} females and {len(males)} males, or a pair left out")
    if len(blocks) != data.blocks:
        wrong.append(f"{len(blocks)} blocks instead of {data.blocks}")
    return wrong


def _blocks_of(table: BigIntArray) -> list[tuple[list[int], list[int]]]:
    """Females and males that are joined by dishes, directly or through others."""
    blocks = []
    waiting = set(np.flatnonzero(table.any(axis=1)).tolist())
    while waiting:
        females: set[int] = {min(waiting)}
        males: set[int] = set()
        while True:
            more_males = set(np.flatnonzero(table[sorted(females)].any(axis=0)).tolist())
            more_females = set(np.flatnonzero(table[:, sorted(more_males)].any(axis=1)).tolist())
            if more_males == males and more_females == females:
                break
            females, males = more_females, more_males
        blocks.append((sorted(females), sorted(males)))
        waiting -= females
    return blocks


CHECKS: dict[str, Callable[[Laid], list[str]]] = {
    "dishes": check_dishes,
    "made": check_made,
    "ripe": check_ripe,
    "hold": check_hold,
    "most-uses": check_most_uses,
    "least-uses": check_least_uses,
    "lifetime-uses": check_lifetime_uses,
    "males-per-female": check_males_per_female,
    "females-per-male": check_females_per_male,
    "pair-repeats": check_pair_repeats,
    "pair-kinship": check_pair_kinship,
    "forbidden-pairs": check_forbidden_pairs,
    "past-pairs": check_past_pairs,
    "same-place": check_same_place,
    "unknown-fish": check_unknown_fish,
    "straws": check_straws,
    "egg-share": check_egg_share,
    "permit": check_permit,
    "founder-share": check_founder_share,
    "full-factorial": check_full_factorial,
}
"""The check of every rule."""


def _check_mates(laid: Laid, sex: np.ndarray, limits: tuple[int, int]) -> list[str]:
    least, most = limits
    had = np.concatenate([(laid.made > 0).sum(axis=1), (laid.made > 0).sum(axis=0)])
    used = sex & (laid.new_uses > 0)
    few = used & (laid.mates < least)
    many = used & (laid.mates > np.maximum(most, had)) if most < MANY else np.zeros_like(used)
    return [f"{fish} has too few mates" for fish in laid.fish(few)] + [
        f"{fish} has too many mates" for fish in laid.fish(many)
    ]


def _kinship_of_pairs(data: SpawningData) -> FloatArray:
    """Kinship of every pair of candidates, from the full matrix or from the pedigree."""
    if data.kinship is not None:
        return data.kinship[np.ix_(data.females, data.males)]
    from broodstock.pedigree.kinship import kinship_between

    assert data.parents is not None
    return kinship_between(data.parents, data.females, data.males)


def _check_numbers(laid: Laid, plan: SpawningPlan) -> list[Broken]:
    """Compute the plan's numbers again from weights over all fish."""
    data, measures = laid.data, plan.measures
    assert measures is not None
    broken = []
    if not np.array_equal(laid.uses, plan.contributions):
        broken.append(Broken("contributions", "they do not add up from the pairs"))
    weights = np.zeros(data.n_fish)
    np.add.at(weights, data.candidates, laid.uses.astype(np.float64))
    weights /= weights.sum()
    cohort = _mean_kinship_of(data, weights)
    goal, after = cohort, None
    if data.living.sum() > 0:
        both = data.living + data.young * weights
        after = _mean_kinship_of(data, both / both.sum())
        goal = (1 - data.living_share) * cohort + data.living_share * after
    by_estimates, by_table = goal, _goals_by_table(laid)
    if by_table:
        goal = (1 - data.caution) * sum(by_table) / len(by_table) + data.caution * max(by_table)
    numbers = [
        ("value", plan.value, goal),
        ("goal by estimates", measures.goal_by_estimates, by_estimates),
        ("worst table", max(measures.goal_by_tables, default=None), max(by_table, default=None)),
        ("cohort kinship", measures.cohort_kinship, cohort),
        ("living kinship", measures.living_kinship_after, after),
    ]
    K = _kinship_of_pairs(data)
    table = laid.new + laid.made
    numbers.append(("inbreeding", measures.mean_inbreeding, float((table * K).sum() / table.sum())))
    for name, stated, found in numbers:
        if (stated is None) != (found is None) or (
            stated is not None and found is not None and abs(stated - found) > TOLERANCE * (1 + abs(found))
        ):
            broken.append(Broken(name, f"the plan says {stated}, computed again it is {found}"))
    if plan.bound is not None and plan.bound > goal + TOLERANCE:
        broken.append(Broken("bound", f"the bound {plan.bound} is above the value {goal}"))
    return broken


def _goals_by_table(laid: Laid) -> list[float]:
    """Goal under each kinship table, by sums over pairs of candidates."""
    data = laid.data
    shares = laid.uses / laid.uses.sum()
    living, young = float(data.living.sum()), data.young
    goals = []
    for table in data.scenarios:
        cohort = float(np.einsum("i,ij,j", shares, table.K, shares))
        goal = cohort
        if data.living_share > 0 and living > 0:
            old, new = living / (living + young), young / (living + young)
            across = float((shares * table.with_living).sum())
            after = old * old * table.living_kinship + 2 * old * new * across + new * new * cohort
            goal = cohort + data.living_share * (after - cohort)
        goals.append(goal)
    return goals


def _mean_kinship_of(data: SpawningData, shares: FloatArray) -> float:
    """Mean kinship, self-pairs in, of a gene pool with given shares of all fish."""
    if data.kinship is not None:
        return float(shares @ data.kinship @ shares)
    from broodstock.pedigree.kinship import group_kinship

    assert data.parents is not None
    return group_kinship(data.parents, shares, self_pairs=True)
