"""Play the spawning morning many times: who fails, who stands in, and what the season's young come to.

How one morning goes. Every planned fish is looked at; it works or fails. Planned dishes of two fish that work
are laid, those of a female with few eggs for her least related males first. Then planned females that work get
their missing dishes back with the next males in line, and after that further females come in, each time the fish
that raises the goal least under the same rules as the plan; a spare that fails when looked at is passed over. A
fish that cannot reach its fewest dishes or mates gets none. At last some dishes are lost after they were laid.
Draws are made before the play, so that a seed gives the same mornings everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.optimise.season.checking import at_least, numbers, share
from planner.optimise.spawning.build import Draft, draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.data import MANY, SpawningData

BATCH = 500
"""Mornings drawn at once; part of what a seed means."""


@dataclass(frozen=True, slots=True)
class MorningRisks:
    """Chances of what goes wrong besides ripeness.

    Parameters
    ----------
    death : float
        A fish dies before it is stripped.
    no_milt : float
        A ripe male gives no milt or dead milt.
    thaw_fails : float
        Frozen milt of a male does not work.
    bad_eggs : float
        A ripe female's eggs are over-ripe and thrown away.
    few_eggs : float
        A female has eggs for `few_eggs_dishes` dishes only.
    few_eggs_dishes : int
    dish_fails : float
        A dish is lost after it was laid.
    """

    death: float = 0.005
    no_milt: float = 0.1
    thaw_fails: float = 0.2
    bad_eggs: float = 0.05
    few_eggs: float = 0.1
    few_eggs_dishes: int = 2
    dish_fails: float = 0.04

    def __post_init__(self) -> None:
        for field in fields(self):
            if field.name != "few_eggs_dishes":
                share(f"morning risks, {field.name}", getattr(self, field.name))
        at_least("morning risks, few_eggs_dishes", self.few_eggs_dishes, 1, "dishes")


@dataclass(frozen=True)
class Mornings:
    """What came out of each morning played; every array has shape (times,).

    Parameters
    ----------
    wanted : int
        New dishes of the plan.
    laid, lost : ndarray, int64
        Dishes laid, and those of them lost afterwards.
    kept : ndarray, int64
        Dishes laid as planned.
    families : ndarray, int64
        Different pairs with a dish that lives, dishes made before included.
    effective_parents : ndarray, float64
        4 f m / (f + m) of the effective numbers of females and males by dishes that live; 0 without any.
    kinship : ndarray, float64
        Mean kinship of the young (self pairs in); -1 where no dish lives.
    spare_females, spare_males : ndarray, int64
        Fish outside the plan that got dishes.
    asked_females, asked_males : ndarray, int64
        Fish outside the plan that were looked at to find these.
    idle_females, idle_males : ndarray, int64
        Fish that would have worked and got no dish.
    failed_females, failed_males : ndarray, int64
        Planned fish that failed.
    floors_kept : ndarray, bool, shape (times, n_floors)
        Whether each listed founder has its least share.
    """

    wanted: int
    laid: BigIntArray
    lost: BigIntArray
    kept: BigIntArray
    families: BigIntArray
    effective_parents: FloatArray
    kinship: FloatArray
    spare_females: BigIntArray
    spare_males: BigIntArray
    asked_females: BigIntArray
    asked_males: BigIntArray
    idle_females: BigIntArray
    idle_males: BigIntArray
    failed_females: BigIntArray
    failed_males: BigIntArray
    floors_kept: npt.NDArray[np.bool_]

    @property
    def times(self) -> int:
        """Mornings played."""
        return len(self.laid)

    def spread(self, name: str, level: float = 0.9) -> Estimate:
        """Return the median of one result with the quantiles that leave (1 - level)/2 on each side.

        Raises
        ------
        AttributeError
            If there is no such result.
        """
        values = np.asarray(getattr(self, name), dtype=np.float64)
        return spread_of(values[values >= 0], level, f"median and quantiles of {self.times} played mornings")


@dataclass(frozen=True, slots=True)
class ToPrepare:
    """How much to have ready so that a morning seldom falls short.

    Parameters
    ----------
    certainty : float
        Share of mornings in which this is enough.
    females, males : int
        Spare fish to have at hand, those included that fail when looked at.
    females_used, males_used : int
        Spare fish that get dishes.
    cells : int
        Cells to prepare: the wanted dishes and as many more as may be lost.
    dishes_short : int
        Dishes that stay empty in spite of all candidates.
    """

    certainty: float
    females: int
    males: int
    females_used: int
    males_used: int
    cells: int
    dishes_short: int


def spread_of(values: FloatArray, level: float, method: str, unit: str = "mornings") -> Estimate:
    """Return median and quantiles that are values themselves.

    Parameters
    ----------
    values : ndarray, float64, shape (n,)
    level : float
        Coverage of the interval.
    method, unit : str
        For the estimate.
    """
    if not len(values):
        return Estimate.not_estimable("there is nothing to count", method)
    tail = (1 - level) / 2
    low, middle, high = np.quantile(values, [tail, 0.5, 1 - tail], method="inverted_cdf")
    return Estimate(float(middle), float(low), float(high), method, len(values), unit, level)


def working_chance(data: SpawningData, ripe: FloatArray, risks: MorningRisks) -> FloatArray:
    """Return the chance that each fish can be used when it is looked at.

    Parameters
    ----------
    data : SpawningData
    ripe : ndarray, float64, shape (..., n_candidates)
        Chance to be ripe (1 for frozen milt).
    risks : MorningRisks

    Returns
    -------
    ndarray, float64, shape (..., n_candidates)
        0 for fish that may not be used at all (not ripe by `data`, or on hold).

    Raises
    ------
    ShapeError, ValueRangeError
        If `ripe` does not fit or is no chance.
    """
    chance = numbers("chance to be ripe", ripe, (*np.shape(ripe)[:-1], data.n_candidates), 0, 1)
    frozen = data.straws >= 0
    male = np.where(frozen, 1 - risks.thaw_fails, (1 - risks.no_milt) * (1 - risks.death))
    female = (1 - risks.bad_eggs) * (1 - risks.death)
    usable = data.ripe & ~data.hold
    return np.where(usable, chance * np.where(data.is_female, female, male), 0.0)


def rehearse(
    data: SpawningData,
    plan: npt.ArrayLike,
    ripe: npt.ArrayLike,
    risks: MorningRisks,
    *,
    times: int = 1000,
    seed: int = 1,
    co: Coefficients | None = None,
) -> Mornings:
    """Play a spawning morning many times.

    Parameters
    ----------
    data : SpawningData
        Candidates and rules. ``data.ripe`` is True for every fish that may be used if it turns out ripe.
    plan : array_like, integer, shape (n_females, n_males)
        New dishes planned for each pair.
    ripe : array_like, float64, shape (n_shifts, n_candidates)
        Chance of each fish to be ripe, for equally likely shifts of the season.
    risks : MorningRisks
    times : int
        Mornings to play.
    seed : int
    co : Coefficients, optional
        Computed when not given.

    Returns
    -------
    Mornings

    Raises
    ------
    UsageError
        If there is no candidate of a sex, the plan has no dish, breaks the pair rules, or asks for a full
        factorial.
    ShapeError, ValueRangeError
        If an array does not fit, a chance is no chance, or `times` is below 1.

    Notes
    -----
    Least numbers of dishes of single fish and least shares of founders are wishes here, not rules: a morning
    in which they fail is counted, not stopped.
    """
    planned = np.ascontiguousarray(plan, dtype=np.int64)
    draft, known = _ready(data, planned, co, times)
    chance = working_chance(data, np.atleast_2d(np.asarray(ripe, dtype=np.float64)), risks)
    rng = np.random.default_rng(seed)
    parts = [_play_batch(data, known, draft, planned, chance, risks, rng, size) for size in _batches(times)]
    joined = {
        f.name: np.concatenate([p[f.name] for p in parts]) for f in fields(Mornings) if f.name != "wanted"
    }
    return Mornings(wanted=int(planned.sum()), **joined)


def to_prepare(mornings: Mornings, certainty: float = 0.95) -> ToPrepare:
    """Return how many spare fish and cells are enough in a share of the mornings.

    Raises
    ------
    ValueRangeError
        If `certainty` is not between 0 and 1.
    """
    share("certainty", certainty)

    def enough(values: BigIntArray) -> int:
        return int(np.quantile(values, certainty, method="inverted_cdf"))

    return ToPrepare(
        certainty,
        enough(mornings.asked_females),
        enough(mornings.asked_males),
        enough(mornings.spare_females),
        enough(mornings.spare_males),
        mornings.wanted + enough(mornings.lost),
        enough(mornings.wanted - mornings.laid),
    )


def _ready(
    data: SpawningData, planned: BigIntArray, co: Coefficients | None, times: int
) -> tuple[Draft, Coefficients]:
    """Check what was asked for and draft the rules."""
    if not data.n_females or not data.n_males:
        raise UsageError(
            f"rehearsal: found {data.n_females} females and {data.n_males} males. Expected fish of both sexes. "
            "Check holds and ripeness."
        )
    numbers("planned dishes", planned, (data.n_females, data.n_males))
    at_least("mornings to play", times, 1)
    if not planned.any():
        raise UsageError("rehearsal: found a plan without dishes. Expected at least one. Make a plan first.")
    if data.factorial is not None:
        raise UsageError(
            "rehearsal: found the rule of a full factorial. Expected a plan whose fish can be replaced one by one. "
            "Leave that rule out."
        )
    known = coefficients(data) if co is None else co
    draft = draft_rules(data, known)
    wrong = planned > draft.pair_room
    if wrong.any():
        f, m = np.argwhere(wrong)[0].tolist()
        raise UsageError(
            f"rehearsal, pair {data.name(f)} x {data.name(data.male_position(m))}: found {planned[f, m]} dishes. "
            f"Expected at most {draft.pair_room[f, m]} under the rules. Plan again."
        )
    return draft, known


def _batches(times: int) -> Iterator[int]:
    for start in range(0, times, BATCH):
        yield min(BATCH, times - start)


def _play_batch(
    data: SpawningData,
    co: Coefficients,
    draft: Draft,
    planned: BigIntArray,
    chance: FloatArray,
    risks: MorningRisks,
    rng: np.random.Generator,
    size: int,
) -> dict[str, npt.NDArray[np.generic]]:
    """Draw and play some mornings."""
    from planner.optimise.season._play_kernel import (
        ASKED_FEMALES,
        ASKED_MALES,
        KEPT,
        N_COUNTS,
        SPARE_FEMALES,
        SPARE_MALES,
        play,
    )

    nf, nm = planned.shape
    made = data.made_pairs.astype(np.int64)
    shift = rng.integers(len(chance), size=size)
    works = rng.random((size, nf + nm)) < chance[shift]
    few = rng.random((size, nf)) < risks.few_eggs
    egg_dishes = np.where(few, risks.few_eggs_dishes, MANY).astype(np.int64)
    bad = rng.random((size, int(planned.sum()))) < risks.dish_fails
    order = _planned_order(planned, co.pair_kinship)
    permits_left = _permits_left(data)
    kinship = np.ascontiguousarray(co.K)
    permit = np.where(draft.base > 0, -1, data.permit).astype(np.int64)
    room = draft.pair_room
    counts = np.zeros((size, N_COUNTS), dtype=np.int64)
    new = np.zeros((nf, nm), dtype=np.int64)
    laid, lost, families = (np.zeros(size, dtype=np.int64) for _ in range(3))
    used = np.zeros((size, nf + nm), dtype=bool)
    c = np.tile(draft.base.astype(np.float64), (size, 1))
    for r in range(size):
        play(
            planned,
            order,
            works[r],
            egg_dishes[r],
            made,
            draft.base,
            room,
            draft.most,
            draft.least_if_new,
            draft.least_mates,
            draft.most_mates,
            permit,
            permits_left,
            kinship,
            co.square,
            co.linear,
            new,
            counts[r],
        )
        f, m = np.nonzero(new)
        dishes = new[f, m]
        gone = _lost(dishes, bad[r])
        laid[r], lost[r] = dishes.sum(), gone.sum()
        families[r] = (made > 0).sum() + ((dishes > gone) & (made[f, m] == 0)).sum()
        used[r, f] = used[r, nf + m] = True
        np.add.at(c[r], f, dishes - gone)
        np.add.at(c[r], nf + m, dishes - gone)
    is_planned = np.concatenate([planned.sum(axis=1), planned.sum(axis=0)]) > 0
    failed = is_planned & ~works
    total = c.sum(axis=1)
    own = np.einsum("ri,ri->r", c @ co.K, c)
    genes = c @ co.founder_genes.T
    return {
        "laid": laid,
        "lost": lost,
        "kept": counts[:, KEPT],
        "families": families,
        "effective_parents": _effective_parents(c[:, :nf], c[:, nf:]),
        "kinship": np.where(total > 0, own / np.maximum(total, 1.0) ** 2, -1.0),
        "spare_females": counts[:, SPARE_FEMALES],
        "spare_males": counts[:, SPARE_MALES],
        "asked_females": counts[:, ASKED_FEMALES],
        "asked_males": counts[:, ASKED_MALES],
        "idle_females": (works & ~used)[:, :nf].sum(axis=1),
        "idle_males": (works & ~used)[:, nf:].sum(axis=1),
        "failed_females": failed[:, :nf].sum(axis=1),
        "failed_males": failed[:, nf:].sum(axis=1),
        "floors_kept": genes >= data.founder_share[None, :] * total[:, None] - 1e-9,
    }


def _planned_order(planned: BigIntArray, kinship: FloatArray) -> BigIntArray:
    """Return the planned pairs as flat positions, by female and her males by kinship."""
    f, m = np.nonzero(planned)
    order = np.lexsort((m, kinship[f, m], f))
    return (f * planned.shape[1] + m)[order].astype(np.int64)


def _permits_left(data: SpawningData) -> BigIntArray:
    """Return how many further fish each permit allows."""
    used = data.made_uses > 0
    left = [
        max(0, int(limit) - int(((data.permit == k) & used).sum()))
        for k, limit in enumerate(data.permit_limit.tolist())
    ]
    return np.array(left, dtype=np.int64)


def _lost(dishes: BigIntArray, bad: npt.NDArray[np.bool_]) -> BigIntArray:
    """Return the lost dishes of each pair: the k-th dish of a morning is lost when its draw says so."""
    until = np.concatenate([[0], bad.cumsum()])
    last = dishes.cumsum()
    return np.asarray(until[last] - until[last - dishes], dtype=np.int64)


def _effective_parents(of_females: FloatArray, of_males: FloatArray) -> FloatArray:
    """Return 4 f m / (f + m) of the effective numbers by row; 0 without dishes."""
    out = np.zeros(len(of_females))
    some = of_females.sum(axis=1) > 0
    f, m = ((x[some].sum(axis=1) ** 2) / (x[some] ** 2).sum(axis=1) for x in (of_females, of_males))
    out[some] = 4 * f * m / (f + m)
    return out
