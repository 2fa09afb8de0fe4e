"""Numbers and fish behind each rule, in words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from planner.optimise.spawning.build import ROUNDING
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import MANY, SpawningData

NAMED = 8
"""Most fish or pairs named in one sentence."""


def facts(data: SpawningData, co: Coefficients, code: str) -> str:
    """Return the numbers behind a rule.

    Raises
    ------
    KeyError
        If no rule has the code.
    """
    return FACTS_OF[code](data, co)


def in_force(data: SpawningData) -> set[str]:
    """Return the codes of the rules that bind anything in these data."""
    f, m = data.place[: data.n_females, None], data.place[None, data.n_females :]
    apart = (f >= 0) & (m >= 0) & (f != m)
    binding = {
        "dishes": True,
        "made": bool(len(data.made)),
        "ripe": not data.ripe.all(),
        "hold": bool(data.hold.any()),
        "most-uses": bool((data.most_uses < MANY).any()),
        "least-uses": bool((data.least_uses > 0).any()),
        "lifetime-uses": bool((data.lifetime_uses < MANY).any()),
        "males-per-female": data.males_per_female != (1, MANY),
        "females-per-male": data.females_per_male != (1, MANY),
        "pair-repeats": data.pair_repeats < MANY,
        "pair-kinship": data.pair_limit is not None,
        "forbidden-pairs": bool(data.forbidden.any()),
        "past-pairs": bool(data.past_pairs.any()),
        "same-place": data.same_place and bool(apart.any()),
        "unknown-fish": bool(data.unknown.any()),
        "straws": bool((data.straws >= 0).any()),
        "egg-share": data.least_eggs > 0 and bool((data.eggs >= 0).any()),
        "permit": bool((data.permit >= 0).any()),
        "founder-share": bool(len(data.founders)),
        "full-factorial": data.factorial is not None,
    }
    return {code for code, binds in binding.items() if binds}


def dishes(number: int, kind: str = "new") -> str:
    """Return a number of dishes in words: ``1 new dish``, ``2 new dishes``."""
    noun = "dish" if number == 1 else "dishes"
    return " ".join(part for part in (str(number), kind, noun) if part)


def names(data: SpawningData, marked: np.ndarray) -> str:
    """Return names of marked candidates, a few and how many more."""
    positions = np.flatnonzero(marked).tolist()
    named = ", ".join(data.name(i) for i in positions[:NAMED])
    rest = len(positions) - NAMED
    return (named or "no fish") + (f" and {rest} more" if rest > 0 else "")


def _by_sex(data: SpawningData, marked: np.ndarray) -> str:
    f, m = int(marked[data.is_female].sum()), int(marked[~data.is_female].sum())
    return f"{f} of {data.n_females} females and {m} of {data.n_males} males"


def _facts_pairs(data: SpawningData, barred: np.ndarray, words: str) -> str:
    total = max(1, barred.size)
    return f"{int((~barred).sum())} of {total} pairs {words}."


def _facts_pair_kinship(data: SpawningData, co: Coefficients) -> str:
    table = data.pair_upper if data.limit_on == "upper" else co.pair_kinship
    assert table is not None
    assert data.pair_limit is not None
    which = "upper end of the kinship" if data.limit_on == "upper" else "kinship"
    words = f"have a {which} of {data.pair_limit:.4g} or less"
    return _facts_pairs(data, table > data.pair_limit + ROUNDING, words)


def _mates_text(limits: tuple[int, int]) -> str:
    least, most = limits
    return f"at least {least}" if most >= MANY else f"{least} to {most}"


FACTS_OF: dict[str, Callable[[SpawningData, Coefficients], str]] = {
    "dishes": lambda d, _: f"{dishes(d.dishes)} wanted.",
    "ripe": lambda d, _: f"{_by_sex(d, d.ripe)} are ripe.",
    "hold": lambda d, _: f"{_by_sex(d, d.hold)} are under a hold: {names(d, d.hold)}.",
    "most-uses": lambda d, _: (
        f"The limits leave room for {_room(d, d.is_female)} dishes of females and {_room(d, ~d.is_female)} of males."
    ),
    "least-uses": lambda d, _: f"{int(d.least_uses.sum())} uses are demanded: {names(d, d.least_uses > 0)}.",
    "lifetime-uses": lambda d, _: (
        f"{_by_sex(d, d.past_uses + d.made_uses >= d.lifetime_uses)} have reached their limit."
    ),
    "males-per-female": lambda d, _: f"Males per female: {_mates_text(d.males_per_female)}.",
    "females-per-male": lambda d, _: f"Females per male: {_mates_text(d.females_per_male)}.",
    "pair-repeats": lambda d, _: f"A pair may make {dishes(d.pair_repeats, '')}.",
    "pair-kinship": _facts_pair_kinship,
    "forbidden-pairs": lambda d, _: _facts_pairs(d, d.forbidden, "are not forbidden"),
    "past-pairs": lambda d, _: _facts_pairs(d, d.past_pairs, "were not crossed before"),
    "same-place": lambda d, _: f"The fish are kept in {len(set(d.place[d.place >= 0].tolist()))} places.",
    "unknown-fish": lambda d, _: f"Fish of unknown identity: {names(d, d.unknown)}.",
    "straws": lambda d, _: (
        f"{int(np.maximum(d.straws, 0).sum())} straws of {int((d.straws >= 0).sum())} males."
    ),
    "egg-share": lambda d, _: (
        f"A dish takes {d.least_eggs:.0f} eggs; {int(np.maximum(d.eggs, 0).sum())} are expected."
    ),
    "permit": lambda d, _: f"Permits allow {', '.join(map(str, d.permit_limit.tolist()))} fish.",
    "founder-share": lambda d, _: (
        f"Founders with a least share: {', '.join(d.ids[r] for r in d.founders.tolist())}."
    ),
    "full-factorial": lambda d, _: (
        f"{d.blocks} block(s) of {d.factorial[0]} females and {d.factorial[1]} males are wanted."
        if d.factorial
        else ""
    ),
}
"""Numbers behind each rule."""


def _room(data: SpawningData, sex: np.ndarray) -> str:
    left = np.maximum(0, data.most_uses.astype(np.int64) - data.made_uses)[sex]
    return "many" if left.size and left.max() > 10_000 else str(int(left.sum()))
