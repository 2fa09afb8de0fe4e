"""Rules turned into limits, allowed pairs and rows: one function per rule, called in order.

A `Draft` holds plain arrays only. `model` makes the solver's model from it and `improve` tests moves with it;
`recheck` does not use it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import MANY, SpawningData

ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Row:
    """One linear rule ``low <= on_dishes @ c + on_used @ z <= high``.

    Parameters
    ----------
    code : str
        Rule it belongs to.
    on_dishes, on_used : ndarray, float64, shape (n_candidates,)
        Factors of the dishes c of each candidate (dishes made included) and of whether it gets new dishes (z).
    low, high : float
        Limits, possibly infinite.
    """

    code: str
    on_dishes: FloatArray
    on_used: FloatArray
    low: float
    high: float

    def holds(self, c: FloatArray, z: FloatArray) -> bool:
        """Tell whether contributions meet the row."""
        total = float(self.on_dishes @ c + self.on_used @ z)
        slack = 1e-6 * (1 + abs(total))
        return self.low - slack <= total <= self.high + slack


@dataclass
class Draft:
    """The rules of one plan as arrays.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    base : ndarray, int64, shape (n_candidates,)
        Dishes made.
    least, most : ndarray, int64, shape (n_candidates,)
        Limits of the dishes of each candidate, dishes made included.
    least_if_new : ndarray, int64, shape (n_candidates,)
        Fewest dishes, dishes made included, of a candidate that gets new ones.
    allowed : ndarray, bool, shape (n_females, n_males)
        Pairs that may get new dishes.
    room : ndarray, int64, shape (n_females, n_males)
        New dishes each pair may get at most.
    mates_counted : bool
        True when the number of mates is not settled by the number of dishes, so that pairs must stand in the
        model themselves.
    least_mates, most_mates : ndarray, int64, shape (n_candidates,)
        Limits of new mates, used when `mates_counted`.
    enough : int
        More new dishes than any fish or pair could get.
    blocks_wanted : bool
        True when the rule of the full factorial is in force.
    rows : list of Row
        Further linear rules.
    switched : ndarray, bool, shape (n_candidates,)
        Candidates for which the model must know whether they get new dishes.
    """

    data: SpawningData
    co: Coefficients
    base: BigIntArray
    least: BigIntArray
    most: BigIntArray
    least_if_new: BigIntArray
    allowed: BoolArray
    room: BigIntArray
    least_mates: BigIntArray
    most_mates: BigIntArray
    switched: BoolArray
    enough: int = MANY
    mates_counted: bool = False
    blocks_wanted: bool = False
    rows: list[Row] = field(default_factory=list)

    def cap(self, most: BigIntArray, where: BoolArray | None = None) -> None:
        """Lower the greatest number of dishes, never below the dishes made."""
        capped = np.minimum(self.most, np.maximum(most, self.base))
        self.most = capped if where is None else np.where(where, capped, self.most)

    def forbid(self, pairs: BoolArray) -> None:
        """Take pairs out."""
        self.allowed &= ~pairs

    def new_mates_had(self) -> tuple[BigIntArray, BigIntArray]:
        """Return the number of different mates so far of each female and each male."""
        made = self.data.made_pairs > 0
        return made.sum(axis=1), made.sum(axis=0)

    @property
    def in_blocks(self) -> bool:
        """True when pairs must form several factorial blocks."""
        return self.data.blocks > 1 and self.blocks_wanted

    @property
    def pair_room(self) -> BigIntArray:
        """New dishes each pair may get, 0 for pairs that may not be crossed."""
        return np.where(self.allowed, self.room, 0)

    def switches(self) -> BoolArray:
        """Mark candidates for which the model needs to know whether they get new dishes."""
        gaps = [len(v) > 1 and int(v[-1] - v[0]) + 1 != len(v) for v in self.possible()]
        return np.asarray(self.switched | np.array(gaps, dtype=bool))

    def possible(self) -> list[BigIntArray]:
        """Return all numbers of dishes each candidate may have, rising; empty where rules contradict."""
        values = []
        for base, least, most, fewest in zip(
            self.base.tolist(),
            self.least.tolist(),
            self.most.tolist(),
            self.least_if_new.tolist(),
            strict=True,
        ):
            upward = np.arange(max(base + 1, fewest, least), most + 1, dtype=np.int64)
            none = [base] if least <= base else []
            values.append(np.concatenate([np.array(none, dtype=np.int64), upward]))
        return values


def draft_rules(data: SpawningData, co: Coefficients, leave_out: Collection[str] = ()) -> Draft:
    """Apply every rule in order.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    leave_out : collection of str
        Codes of rules to ignore (to find out which rules conflict).

    Returns
    -------
    Draft
    """
    if "pair-repeats" in leave_out:
        data = replace(data, pair_repeats=MANY)  # the rules on mates must know that pairs may repeat
    nf, nm, n = data.n_females, data.n_males, data.n_candidates
    draft = Draft(
        data,
        co,
        base=np.zeros(n, np.int64),
        least=np.zeros(n, np.int64),
        most=np.full(n, MANY, np.int64),
        least_if_new=np.ones(n, np.int64),
        allowed=np.ones((nf, nm), bool),
        room=np.full((nf, nm), MANY, np.int64),
        least_mates=np.zeros(n, np.int64),
        most_mates=np.full(n, MANY, np.int64),
        switched=np.zeros(n, bool),
    )
    for code, apply in IN_ORDER:
        if code not in leave_out:
            apply(draft)
    _cap_by_pairs(draft)
    return draft


def apply_made(draft: Draft) -> None:
    """Dishes made are the base on which new ones are counted."""
    draft.base = draft.data.made_uses.astype(np.int64)
    draft.least = np.maximum(draft.least, draft.base)
    draft.least_if_new = np.maximum(draft.least_if_new, draft.base + 1)


def apply_dishes(draft: Draft) -> None:
    """Females and males each take part in all dishes."""
    data = draft.data
    total = float(draft.base[data.is_female].sum() + data.dishes)
    for sex in (data.is_female, ~data.is_female):
        draft.rows.append(Row("dishes", sex.astype(np.float64), np.zeros(data.n_candidates), total, total))
    draft.cap(draft.base + data.dishes)


def apply_ripe(draft: Draft) -> None:
    """Fish that are not ripe get nothing new."""
    draft.cap(draft.base, ~draft.data.ripe)


def apply_hold(draft: Draft) -> None:
    """Fish under a hold get nothing new."""
    draft.cap(draft.base, draft.data.hold)


def apply_most_uses(draft: Draft) -> None:
    """Season limit."""
    draft.cap(draft.data.most_uses.astype(np.int64))


def apply_least_uses(draft: Draft) -> None:
    """Fish that must be used."""
    draft.least = np.maximum(draft.least, draft.data.least_uses)


def apply_lifetime_uses(draft: Draft) -> None:
    """Limit over all seasons."""
    data = draft.data
    draft.cap(data.lifetime_uses.astype(np.int64) - data.past_uses)


def apply_males_per_female(draft: Draft) -> None:
    """Count different males of a female."""
    _limit_mates(draft, draft.data.is_female, draft.data.males_per_female)


def apply_females_per_male(draft: Draft) -> None:
    """Count different females of a male."""
    _limit_mates(draft, ~draft.data.is_female, draft.data.females_per_male)


def apply_pair_repeats(draft: Draft) -> None:
    """Dishes per pair, dishes made included."""
    left = np.maximum(0, draft.data.pair_repeats - draft.data.made_pairs.astype(np.int64))
    draft.room = np.minimum(draft.room, left)


def apply_pair_kinship(draft: Draft) -> None:
    """Pair limit, on the estimate or on the upper end of its interval."""
    data = draft.data
    if data.pair_limit is None:
        return
    kinship = draft.co.pair_kinship
    if data.limit_on == "upper":
        assert data.pair_upper is not None
        kinship = data.pair_upper
    draft.forbid(kinship > data.pair_limit + ROUNDING)


def apply_forbidden_pairs(draft: Draft) -> None:
    """Pairs named by a person."""
    draft.forbid(draft.data.forbidden)


def apply_past_pairs(draft: Draft) -> None:
    """Pairs of earlier seasons."""
    draft.forbid(draft.data.past_pairs)


def apply_same_place(draft: Draft) -> None:
    """Both fish in one place; a fish without a place fits anywhere."""
    data = draft.data
    if not data.same_place:
        return
    of_female, of_male = data.place[: data.n_females], data.place[data.n_females :]
    known = (of_female[:, None] >= 0) & (of_male[None, :] >= 0)
    draft.forbid(known & (of_female[:, None] != of_male[None, :]))


def apply_unknown_fish(draft: Draft) -> None:
    """Safe mates of unknown fish: unrelated to all fish of the unknown one's sex, two unknown fish never."""
    data = draft.data
    nf = data.n_females
    unknown_f, unknown_m = data.unknown[:nf], data.unknown[nf:]
    if not data.unknown.any():
        return
    K = draft.co.pair_kinship
    worst_of_male = K.max(axis=0, initial=0.0)
    worst_of_female = K.max(axis=1, initial=0.0)
    draft.forbid(unknown_f[:, None] & (worst_of_male[None, :] > data.safe_limit + ROUNDING))
    draft.forbid(unknown_m[None, :] & (worst_of_female[:, None] > data.safe_limit + ROUNDING))
    draft.forbid(unknown_f[:, None] & unknown_m[None, :])


def apply_straws(draft: Draft) -> None:
    """Dishes that the straws in store can fertilise."""
    data = draft.data
    draft.cap(draft.base + data.straws // data.straws_per_dish, data.straws >= 0)


def apply_egg_share(draft: Draft) -> None:
    """Full egg shares that a female can give."""
    data = draft.data
    if data.least_eggs <= 0:
        return
    known = data.eggs >= 0
    shares = np.floor(np.where(known, data.eggs, 0.0) / data.least_eggs + ROUNDING).astype(np.int64)
    most = draft.base.copy()
    most[: data.n_females] += shares
    counted = np.zeros(data.n_candidates, bool)
    counted[: data.n_females] = known
    draft.cap(most, counted)


def apply_permit(draft: Draft) -> None:
    """Fish that count against each permit."""
    data = draft.data
    used = draft.base > 0
    for number, limit in enumerate(data.permit_limit.tolist()):
        members = data.permit == number
        fresh = members & ~used
        left = max(0, limit - int((members & used).sum()))
        draft.switched |= fresh
        draft.rows.append(
            Row("permit", np.zeros(data.n_candidates), fresh.astype(np.float64), -np.inf, float(left))
        )


def apply_founder_share(draft: Draft) -> None:
    """Genes of listed founders among all genes of the season's young."""
    data = draft.data
    for genes, share in zip(draft.co.founder_genes, data.founder_share.tolist(), strict=True):
        low = share * 2.0 * data.all_dishes - ROUNDING
        draft.rows.append(Row("founder-share", genes.copy(), np.zeros(data.n_candidates), low, np.inf))


def apply_full_factorial(draft: Draft) -> None:
    """Every chosen female gets one dish with every chosen male of her block."""
    data = draft.data
    if data.factorial is None:
        return
    n_f, n_m = data.factorial
    draft.blocks_wanted = True
    female = data.is_female
    per_fish = np.where(female, n_m, n_f)
    draft.switched[:] = True
    draft.least_if_new = np.maximum(draft.least_if_new, draft.base + per_fish)
    draft.cap(draft.base + per_fish)
    nothing = np.zeros(data.n_candidates)
    for sex, size in ((female, n_f), (~female, n_m)):
        number = float(size * data.blocks)
        draft.rows.append(Row("full-factorial", nothing, sex.astype(np.float64), number, number))
    if data.blocks > 1:
        return  # fish that may not be crossed can stand in different blocks
    barred = draft.pair_room < 1
    nf = data.n_females
    for f in np.flatnonzero(barred.any(axis=1)):
        on_used = np.zeros(data.n_candidates)
        on_used[nf:] = barred[f]
        on_used[f] = n_m
        draft.rows.append(Row("full-factorial", nothing, on_used, -np.inf, float(n_m)))


IN_ORDER: tuple[tuple[str, Callable[[Draft], None]], ...] = (
    ("made", apply_made),
    ("dishes", apply_dishes),
    ("ripe", apply_ripe),
    ("hold", apply_hold),
    ("most-uses", apply_most_uses),
    ("least-uses", apply_least_uses),
    ("lifetime-uses", apply_lifetime_uses),
    ("males-per-female", apply_males_per_female),
    ("females-per-male", apply_females_per_male),
    ("pair-repeats", apply_pair_repeats),
    ("pair-kinship", apply_pair_kinship),
    ("forbidden-pairs", apply_forbidden_pairs),
    ("past-pairs", apply_past_pairs),
    ("same-place", apply_same_place),
    ("unknown-fish", apply_unknown_fish),
    ("straws", apply_straws),
    ("egg-share", apply_egg_share),
    ("permit", apply_permit),
    ("founder-share", apply_founder_share),
    ("full-factorial", apply_full_factorial),
)
"""The rules in the order in which they are applied; facts first, rules that look at allowed pairs last."""


def _limit_mates(draft: Draft, sex: BoolArray, limits: tuple[int, int]) -> None:
    """Limit different mates: through the number of dishes when a pair makes one dish, else by counting pairs."""
    least, most = limits
    had = np.concatenate(draft.new_mates_had())
    if draft.data.pair_repeats == 1:
        draft.cap(draft.base + np.maximum(0, most - had), sex)
        fewest = draft.base + np.maximum(1, least - had)
        draft.least_if_new = np.where(sex, np.maximum(draft.least_if_new, fewest), draft.least_if_new)
        return
    if least > 1 or most < MANY:
        draft.mates_counted = True
        draft.switched |= sex & (least > had)
        draft.least_mates = np.where(sex, np.maximum(0, least - had), draft.least_mates)
        draft.most_mates = np.where(sex, np.maximum(0, most - had), draft.most_mates)
        draft.least_if_new = np.where(
            sex, np.maximum(draft.least_if_new, draft.base + np.maximum(1, least - had)), draft.least_if_new
        )


def _cap_by_pairs(draft: Draft) -> None:
    """Use that a fish has no more dishes than its allowed pairs have room for (no new rule).

    The second limit only keeps the lists of possible values short when rules are left out.
    """
    room = draft.pair_room
    by_fish = np.concatenate([room.sum(axis=1), room.sum(axis=0)])
    draft.enough = draft.data.dishes + int(draft.least.sum()) + 100
    draft.cap(draft.base + np.minimum(by_fish, draft.enough))
