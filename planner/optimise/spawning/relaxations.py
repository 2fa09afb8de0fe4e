"""The smallest change of one rule that makes a plan possible, all other rules in force, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

import numpy as np

from planner.optimise.spawning.build import ROUNDING, draft_rules
from planner.optimise.spawning.data import MANY, SpawningData, changed
from planner.optimise.spawning.oracle import Oracle
from planner.optimise.spawning.pairing import choose_pairs
from planner.optimise.spawning.rule_facts import NAMED, dishes, names

_T = TypeVar("_T")


def smallest_changes(oracle: Oracle, code: str) -> Iterator[str]:
    """Yield sentences with the smallest changes of one rule that make a plan possible.

    Parameters
    ----------
    oracle : Oracle
        Answers whether a plan exists.
    code : str
        Rule to change.
    """
    if code in RELAX:
        yield from RELAX[code](oracle)


def _relax_dishes(oracle: Oracle) -> Iterator[str]:
    wanted = oracle.data.dishes
    data = oracle.data
    females = data.is_female
    feasible, c = oracle.answer(data, ["dishes"], cost=-females.astype(np.float64), most_dishes=wanted - 1)
    fewer = None if not feasible or c is None else int((c - data.made_uses)[females].sum())
    more = _first(
        oracle, (changed(oracle.data, dishes=k) for k in range(wanted + 1, wanted + 7)), lambda d: d.dishes
    )
    if fewer:
        yield f"Lay {dishes(fewer)} instead of {wanted}."
    if more is not None:
        yield f"Lay {dishes(more)} instead of {wanted}."
    if fewer == 0 and more is None and not oracle.time_is_over:
        yield f"Lay no new dish instead of {wanted}: no smaller number of dishes keeps the other rules."


def _relax_most_uses(oracle: Oracle) -> Iterator[str]:
    yield from _relax_by_more(oracle, "most_uses", "most-uses", "this season")


def _relax_lifetime(oracle: Oracle) -> Iterator[str]:
    yield from _relax_by_more(oracle, "lifetime_uses", "lifetime-uses", "over its life")


def _relax_straws(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    for more in range(1, min(50, data.dishes) + 1):
        straws = np.where(data.straws >= 0, data.straws + more * data.straws_per_dish, -1).astype(np.int32)
        feasible, c = oracle.answer(changed(data, straws=straws))
        if feasible and c is not None:
            new = c - data.made_uses
            short = (data.straws >= 0) & (new * data.straws_per_dish > data.straws)
            yield f"Find straws for {dishes(more, 'more')} of {names(data, short)}."
            return


def _relax_by_more(oracle: Oracle, field: str, code: str, words: str) -> Iterator[str]:
    """Raise a limit per fish by the same number for all, as little as helps."""
    data = oracle.data
    limit = getattr(data, field)
    for more in range(1, min(50, data.dishes) + 1):
        raised = np.minimum(limit.astype(np.int64) + more, MANY).astype(np.int32)
        feasible, c = oracle.answer(changed(data, **{field: raised}))
        if feasible and c is not None:
            past = data.past_uses if field == "lifetime_uses" else 0
            over = (c > data.made_uses) & (c + past > limit)
            yield f"Allow {dishes(more, 'more')} {words}: {names(data, over)}."
            return


def _relax_ripe(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    yield from _relax_barred(oracle, "ripe", ~data.ripe, "Wait for or find ripe")


def _relax_hold(oracle: Oracle) -> Iterator[str]:
    yield from _relax_barred(oracle, "hold", oracle.data.hold, "Clear the hold on")


def _relax_barred(oracle: Oracle, code: str, barred: np.ndarray, words: str) -> Iterator[str]:
    """Use as few dishes of barred fish as possible and name them."""
    data = oracle.data
    feasible, c = oracle.answer(data, [code], cost=barred.astype(np.float64))
    if feasible and c is not None:
        used = barred & (c > data.made_uses)
        yield f"{words} {names(data, used)} ({dishes(int((c - data.made_uses)[used].sum()), '')})."


def _relax_least_uses(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    wanted = data.least_uses > 0
    capped = np.where(
        wanted, np.minimum(data.most_uses, np.maximum(data.least_uses, data.made_uses)), data.most_uses
    )
    tried = changed(data, most_uses=capped.astype(np.int32))
    feasible, c = oracle.answer(tried, ["least-uses"], cost=-wanted.astype(np.float64))
    if not feasible:
        feasible, c = oracle.answer(data, ["least-uses"], cost=-wanted.astype(np.float64))
    if feasible and c is not None:
        short = np.maximum(0, data.least_uses - c)
        fish = ", ".join(
            f"{data.name(i)} {int(c[i])} instead of {int(data.least_uses[i])}"
            for i in np.flatnonzero(short)[:NAMED].tolist()
        )
        yield f"Accept fewer uses: {fish}."


def _relax_males_per_female(oracle: Oracle) -> Iterator[str]:
    yield from _relax_mates(oracle, "males_per_female", "males per female")


def _relax_females_per_male(oracle: Oracle) -> Iterator[str]:
    yield from _relax_mates(oracle, "females_per_male", "females per male")


def _relax_mates(oracle: Oracle, field: str, words: str) -> Iterator[str]:
    data = oracle.data
    least, most = getattr(data, field)
    lower = _first(
        oracle,
        (changed(data, **{field: (k, most)}) for k in range(least - 1, 0, -1)),
        lambda d: getattr(d, field)[0],
    )
    if lower is not None:
        yield f"Accept {lower} {words} instead of at least {least}."
    if most < MANY:
        raised = (changed(data, **{field: (least, k)}) for k in range(most + 1, most + 11))
        higher = _first(oracle, raised, lambda d: getattr(d, field)[1])
        if higher is not None:
            yield f"Allow {higher} {words} instead of at most {most}."


def _relax_pair_repeats(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    now = data.pair_repeats
    raised = (changed(data, pair_repeats=k) for k in range(now + 1, now + 6))
    more = _first(oracle, raised, lambda d: d.pair_repeats)
    if more is not None:
        yield f"Let a pair make {more} dishes instead of {now}."


def _relax_pair_kinship(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    assert data.pair_limit is not None
    table = data.pair_upper if data.limit_on == "upper" else oracle.co.pair_kinship
    assert table is not None
    steps = np.unique(table[(table > data.pair_limit + ROUNDING) & (table <= 1)])
    limit = _bisect(oracle, [changed(data, pair_limit=min(1.0, float(k) + ROUNDING)) for k in steps])
    if limit is not None:
        yield f"Raise the pair limit from {data.pair_limit:.4g} to {float(steps[limit]):.4g}."


def _relax_unknown(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    K = oracle.co.pair_kinship
    steps = np.unique(np.concatenate([K.max(axis=0, initial=0.0), K.max(axis=1, initial=0.0)]))
    steps = steps[(steps > data.safe_limit) & (steps <= 1)]
    limit = _bisect(oracle, [changed(data, safe_limit=min(1.0, float(k) + ROUNDING)) for k in steps])
    if limit is not None:
        yield f"Raise the limit for mates of unknown fish from {data.safe_limit:.4g} to {float(steps[limit]):.4g}."


def _relax_forbidden(oracle: Oracle) -> Iterator[str]:
    yield from _relax_pairs(oracle, "forbidden-pairs", oracle.data.forbidden, "Allow")


def _relax_past(oracle: Oracle) -> Iterator[str]:
    yield from _relax_pairs(oracle, "past-pairs", oracle.data.past_pairs, "Repeat")


def _relax_place(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    f, m = data.place[: data.n_females, None], data.place[None, data.n_females :]
    yield from _relax_pairs(oracle, "same-place", (f >= 0) & (m >= 0) & (f != m), "Move one fish of")


def _relax_pairs(oracle: Oracle, code: str, barred: np.ndarray, words: str) -> Iterator[str]:
    """Name barred pairs that one plan would need."""
    feasible, c = oracle.answer(oracle.data, [code])
    if not feasible or c is None:
        return
    draft = draft_rules(oracle.data, oracle.co, [*oracle.always_out, code])
    laid, _ = choose_pairs(draft, c, cost=barred.astype(np.float64))
    if laid is not None:
        data = oracle.data
        pairs = np.argwhere((laid > 0) & barred).tolist()
        named = ", ".join(f"{data.name(f)} x {data.name(data.male_position(m))}" for f, m in pairs[:NAMED])
        rest = f" and {len(pairs) - NAMED} more" if len(pairs) > NAMED else ""
        yield f"{words} {named}{rest}."


def _relax_egg_share(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    known = data.eggs[data.eggs > 0]
    parts = np.arange(1, max(2, data.n_males + 1))
    shares = np.unique((known[:, None] / parts[None, :]).ravel())
    shares = shares[shares < data.least_eggs][::-1]
    share = _bisect(oracle, [changed(data, least_eggs=float(s)) for s in shares])
    if share is not None:
        yield f"Accept {float(shares[share]):.0f} eggs per dish instead of {data.least_eggs:.0f}."


def _relax_permit(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    for more in range(1, 101):
        if oracle.feasible(changed(data, permit_limit=(data.permit_limit + more).astype(np.int32))):
            yield f"A permit for {more} more fish would be needed. Do not exceed the permit you have."
            return


def _relax_founder_share(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    parts = np.linspace(1, 0, 101)[1:]
    part = _bisect(oracle, [changed(data, founder_share=data.founder_share * p) for p in parts])
    if part is not None and float(parts[part]) == 0.0:
        yield "Drop the founder shares: the candidates do not carry enough of these founders' genes."
    elif part is not None:
        yield f"Ask for {100 * float(parts[part]):.0f} % of the founder shares."


def _relax_full_factorial(oracle: Oracle) -> Iterator[str]:
    data = oracle.data
    assert data.factorial is not None
    a, b = data.factorial
    smaller = sorted(
        (
            (f, m, n)
            for f in range(1, a + 1)
            for m in range(1, b + 1)
            for n in range(1, data.blocks + 1)
            if (f, m, n) != (a, b, data.blocks)
        ),
        key=lambda size: (-size[0] * size[1] * size[2], abs(size[0] - size[1]), size[2]),
    )
    options = (changed(data, factorial=(f, m), blocks=n, dishes=f * m * n) for f, m, n in smaller[:40])
    found = _first(oracle, options, lambda d: (*(d.factorial or (0, 0)), d.blocks))
    if found is not None:
        f, m, n = found
        times = "" if data.blocks == 1 else f" in {n} block(s)"
        yield f"Cross {f} females with {m} males{times}: {f * m * n} dishes."


RELAX: dict[str, Callable[[Oracle], Iterator[str]]] = {
    "dishes": _relax_dishes,
    "ripe": _relax_ripe,
    "hold": _relax_hold,
    "most-uses": _relax_most_uses,
    "least-uses": _relax_least_uses,
    "lifetime-uses": _relax_lifetime,
    "males-per-female": _relax_males_per_female,
    "females-per-male": _relax_females_per_male,
    "pair-repeats": _relax_pair_repeats,
    "pair-kinship": _relax_pair_kinship,
    "forbidden-pairs": _relax_forbidden,
    "past-pairs": _relax_past,
    "same-place": _relax_place,
    "unknown-fish": _relax_unknown,
    "straws": _relax_straws,
    "egg-share": _relax_egg_share,
    "permit": _relax_permit,
    "founder-share": _relax_founder_share,
    "full-factorial": _relax_full_factorial,
}
"""How each rule may give way."""


def _first(oracle: Oracle, options: Iterable[SpawningData], read: Callable[[SpawningData], _T]) -> _T | None:
    """Return what the first option with a plan reads, or None."""
    for option in options:
        if oracle.time_is_over:
            return None
        if oracle.feasible(option):
            return read(option)
    return None


def _bisect(oracle: Oracle, options: list[SpawningData]) -> int | None:
    """Return the place of the first option with a plan, where every later one has one too; None if none has."""
    if not options or not oracle.feasible(options[-1]):
        return None
    low, high = 0, len(options) - 1
    while low < high:
        middle = (low + high) // 2
        if oracle.feasible(options[middle]):
            high = middle
        else:
            low = middle + 1
    return high if oracle.feasible(options[high]) else None
