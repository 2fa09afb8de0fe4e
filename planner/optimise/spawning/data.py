"""What a spawning plan is made from: fish, their kinship, the rules of the day and the goal, as arrays.

Candidates are counted through: females first, then males. A *position* is a place in that order; a *row* is
the number of a fish among all fish of the pedigree or kinship matrix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BoolArray, FloatArray, IntArray
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.spawning.scenarios import Scenario, check_scenarios

MANY = 1_000_000
"""A limit that never binds."""

KinshipUsed = Literal["point", "upper"]


@dataclass(frozen=True)
class SpawningData:
    """All a plan depends on; make it with `spawning_data`, change it with `dataclasses.replace`.

    Parameters
    ----------
    ids : tuple of str, length n_fish
        Names of all fish, used in words only.
    parents : ndarray, int32, shape (n_fish, 2), or None
        Rows of dam and sire, -1 unknown, parents first. None when `kinship` stands alone.
    kinship : ndarray, float64, shape (n_fish, n_fish), or None
        Kinship to use instead of the pedigree's (markers, or blended).
    females, males : ndarray, int32, shapes (n_females,), (n_males,)
        Rows of the candidates.
    dishes : int
        New dishes to lay: each is an equal batch of eggs of one female with the milt of one male.
    ripe, hold : ndarray, bool, shape (n_candidates,)
        Ripe now; under a health or other hold.
    most_uses, least_uses : ndarray, int32, shape (n_candidates,)
        Dishes per fish this season, dishes made included.
    lifetime_uses, past_uses : ndarray, int32, shape (n_candidates,)
        Dishes per fish over its life, and those of earlier seasons.
    made : ndarray, int32, shape (n_made, 3)
        Dishes already made this season: position of the female among females, of the male among males, dishes.
    males_per_female, females_per_male : tuple of (int, int)
        Least and greatest number of different mates of a fish that gets new dishes, mates it had included.
    pair_repeats : int
        Dishes one pair may make this season.
    pair_limit : float or None
        Greatest kinship between the fish of a new dish.
    limit_on : {'point', 'upper'}
        Whether that limit holds for the estimate or for the upper end of its interval.
    pair_upper : ndarray, float64, shape (n_females, n_males), or None
        Upper end of the interval of each pair's kinship.
    forbidden, past_pairs : ndarray, bool, shape (n_females, n_males)
        Pairs that must not be made; pairs made in earlier seasons that must not be made again.
    place : ndarray, int32, shape (n_candidates,)
        Building or tank group, -1 unknown or any.
    same_place : bool
        Whether mates must be in the same place.
    unknown : ndarray, bool, shape (n_candidates,)
        Fish whose identity or genotype is not known (tag lost, just arrived).
    safe_limit : float
        Greatest kinship between a mate of an unknown fish and any fish the unknown one might be.
    straws, straws_per_dish : ndarray, int32, shape (n_candidates,)
        Straws of frozen milt in store, -1 for a fish that is there in the flesh; straws a dish takes.
    eggs : ndarray, float64, shape (n_females,)
        Eggs expected from each female, -1 unknown.
    least_eggs : float
        Fewest eggs a dish may hold; 0 for no rule.
    permit : ndarray, int32, shape (n_candidates,)
        Number of the permit a fish counts against, -1 none.
    permit_limit : ndarray, int32, shape (n_permits,)
        Fish each permit still allows to be used this season, fish with dishes made counting.
    founders : ndarray, int32, shape (n_floors,)
        Rows of founders with a least share.
    founder_share : ndarray, float64, shape (n_floors,)
        Least share of each of them in the gene pool of the season's young.
    factorial : tuple of (int, int) or None
        Numbers of females and males of a full factorial: every chosen female with every chosen male.
    blocks : int
        Number of such factorials side by side, each fish in one of them.
    living : ndarray, float64, shape (n_fish,)
        Weight of each fish in the living group (1 for a living fish), residents and earlier year classes too.
    living_share : float
        Weight of the living group's mean kinship in the goal, 0 to 1; the rest is on the season's young.
    young : float
        Young fish expected to join the living group.
    scenarios : tuple of Scenario
        Kinship tables that may be true. With any, the goal is not taken at the estimates but over these tables.
    caution : float
        Weight on the worst of them, 0 to 1; the rest is on their mean.
    """

    ids: tuple[str, ...]
    parents: IntArray | None
    kinship: FloatArray | None
    females: IntArray
    males: IntArray
    dishes: int
    ripe: BoolArray
    hold: BoolArray
    most_uses: IntArray
    least_uses: IntArray
    lifetime_uses: IntArray
    past_uses: IntArray
    made: IntArray
    males_per_female: tuple[int, int]
    females_per_male: tuple[int, int]
    pair_repeats: int
    pair_limit: float | None
    limit_on: KinshipUsed
    pair_upper: FloatArray | None
    forbidden: BoolArray
    past_pairs: BoolArray
    place: IntArray
    same_place: bool
    unknown: BoolArray
    safe_limit: float
    straws: IntArray
    straws_per_dish: IntArray
    eggs: FloatArray
    least_eggs: float
    permit: IntArray
    permit_limit: IntArray
    founders: IntArray
    founder_share: FloatArray
    factorial: tuple[int, int] | None
    blocks: int
    living: FloatArray
    living_share: float
    young: float
    scenarios: tuple[Scenario, ...] = ()
    caution: float = 1.0

    def __post_init__(self) -> None:
        _check_shapes(self)
        _check_numbers(self)

    @property
    def n_fish(self) -> int:
        """Number of fish known."""
        return len(self.ids)

    @property
    def n_females(self) -> int:
        """Number of candidate females."""
        return len(self.females)

    @property
    def n_males(self) -> int:
        """Number of candidate males."""
        return len(self.males)

    @property
    def n_candidates(self) -> int:
        """Number of candidates."""
        return self.n_females + self.n_males

    @property
    def candidates(self) -> IntArray:
        """Rows of the candidates by position."""
        return np.concatenate([self.females, self.males])

    @property
    def is_female(self) -> BoolArray:
        """True at the positions of females."""
        return np.arange(self.n_candidates) < self.n_females

    @property
    def made_pairs(self) -> IntArray:
        """Dishes already made by pair, int32, shape (n_females, n_males)."""
        table = np.zeros((self.n_females, self.n_males), dtype=np.int32)
        np.add.at(table, (self.made[:, 0], self.made[:, 1]), self.made[:, 2])
        return table

    @property
    def made_uses(self) -> IntArray:
        """Dishes already made by candidate, int32, shape (n_candidates,)."""
        table = self.made_pairs
        return np.concatenate([table.sum(axis=1), table.sum(axis=0)]).astype(np.int32)

    @property
    def all_dishes(self) -> int:
        """New dishes and dishes made this season."""
        return self.dishes + int(self.made[:, 2].sum())

    def name(self, position: int) -> str:
        """Name of the candidate at a position."""
        return self.ids[int(self.candidates[position])]

    def male_position(self, male: int) -> int:
        """Position of the male at a place among males."""
        return self.n_females + male


def spawning_data(
    females: npt.ArrayLike,
    males: npt.ArrayLike,
    dishes: int,
    *,
    parents: npt.ArrayLike | None = None,
    kinship: npt.ArrayLike | None = None,
    ids: tuple[str, ...] | None = None,
    **settings: Any,
) -> SpawningData:
    """Return the data of a plan with every rule that is not given switched off.

    Parameters
    ----------
    females, males : array_like, integer
        Rows of the candidates.
    dishes : int
        New dishes to lay.
    parents : array_like, integer, shape (n_fish, 2), optional
        Pedigree; needed unless `kinship` is given.
    kinship : array_like, float64, shape (n_fish, n_fish), optional
        Kinship matrix that takes the pedigree's place.
    ids : tuple of str, optional
        Names of all fish; by default their row numbers.
    **settings
        Any field of `SpawningData`; single numbers for fields by candidate are spread over all candidates.

    Returns
    -------
    SpawningData

    Raises
    ------
    ShapeError
        If an array does not fit the number of fish or candidates.
    ValueRangeError
        If a number makes no sense (a negative count, a share above 1, NaN).
    UsageError
        If neither pedigree nor kinship is given, a fish stands twice, or an unknown setting is named.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    if parents is None and kinship is None:
        raise UsageError(
            "spawning data: found neither parents nor kinship. Expected one of them. Give the pedigree, or a "
            "kinship matrix over all fish."
        )
    known = None if parents is None else np.array(parents, dtype=np.int32).reshape(-1, 2)
    matrix = None if kinship is None else np.array(kinship, dtype=np.float64)
    n_fish = len(known) if known is not None else len(matrix if matrix is not None else ())
    rows_f = np.array(females, dtype=np.int32).reshape(-1)
    rows_m = np.array(males, dtype=np.int32).reshape(-1)
    nf, nm = len(rows_f), len(rows_m)
    n = nf + nm
    filled: dict[str, Any] = {
        "ids": tuple(str(i) for i in range(n_fish)) if ids is None else tuple(ids),
        "parents": known,
        "kinship": matrix,
        "females": rows_f,
        "males": rows_m,
        "dishes": int(dishes),
        "ripe": np.ones(n, bool),
        "hold": np.zeros(n, bool),
        "most_uses": np.full(n, MANY, np.int32),
        "least_uses": np.zeros(n, np.int32),
        "lifetime_uses": np.full(n, MANY, np.int32),
        "past_uses": np.zeros(n, np.int32),
        "made": np.zeros((0, 3), np.int32),
        "males_per_female": (1, MANY),
        "females_per_male": (1, MANY),
        "pair_repeats": 1,
        "pair_limit": None,
        "limit_on": "point",
        "pair_upper": None,
        "forbidden": np.zeros((nf, nm), bool),
        "past_pairs": np.zeros((nf, nm), bool),
        "place": np.full(n, -1, np.int32),
        "same_place": False,
        "unknown": np.zeros(n, bool),
        "safe_limit": 0.0,
        "straws": np.full(n, -1, np.int32),
        "straws_per_dish": np.ones(n, np.int32),
        "eggs": np.full(nf, -1.0),
        "least_eggs": 0.0,
        "permit": np.full(n, -1, np.int32),
        "permit_limit": np.zeros(0, np.int32),
        "founders": np.zeros(0, np.int32),
        "founder_share": np.zeros(0),
        "factorial": None,
        "blocks": 1,
        "living": np.zeros(n_fish),
        "living_share": 0.0,
        "young": 0.0,
        "scenarios": (),
        "caution": 1.0,
    }
    unknown = sorted(set(settings) - set(filled))
    if unknown:
        raise UsageError(
            f"spawning data: found the setting {unknown[0]!r}. Expected one of {', '.join(sorted(filled))}."
        )
    for name, value in settings.items():
        before = filled[name]
        if isinstance(before, np.ndarray):
            array = np.array(value, dtype=before.dtype)
            filled[name] = np.full(before.shape, array) if array.ndim == 0 else array
        else:
            filled[name] = value
    filled["made"] = filled["made"].reshape(-1, 3)
    return SpawningData(**filled)


def changed(data: SpawningData, **fields: Any) -> SpawningData:
    """Return the data with some fields changed, checked again.

    Raises
    ------
    TypeError
        If there is no such field.
    ShapeError, ValueRangeError, UsageError
        As `spawning_data`.
    """
    return replace(data, **fields)


def without_uses(data: SpawningData, positions: npt.ArrayLike) -> SpawningData:
    """Return the data with some candidates not to be used for new dishes (lost, dead, not ripe).

    Raises
    ------
    IndexError
        If a position does not exist.
    """
    ripe = data.ripe.copy()
    ripe[np.asarray(positions, dtype=np.int64)] = False
    return replace(data, ripe=ripe)


def _check_shapes(data: SpawningData) -> None:
    n, nf, nm, all_fish = data.n_candidates, data.n_females, data.n_males, data.n_fish
    expected: dict[str, tuple[int, ...]] = {
        "ripe": (n,),
        "hold": (n,),
        "most_uses": (n,),
        "least_uses": (n,),
        "lifetime_uses": (n,),
        "past_uses": (n,),
        "made": (len(data.made), 3),
        "forbidden": (nf, nm),
        "past_pairs": (nf, nm),
        "place": (n,),
        "unknown": (n,),
        "straws": (n,),
        "straws_per_dish": (n,),
        "eggs": (nf,),
        "permit": (n,),
        "founder_share": (len(data.founders),),
        "living": (all_fish,),
    }
    optional: dict[str, tuple[int, ...]] = {
        "parents": (all_fish, 2),
        "kinship": (all_fish, all_fish),
        "pair_upper": (nf, nm),
    }
    expected |= {name: shape for name, shape in optional.items() if getattr(data, name) is not None}
    for name, shape in expected.items():
        found = np.shape(getattr(data, name))
        if found != shape:
            raise ShapeError(f"spawning data, {name}: found shape {found}. Expected {shape}.")
    if data.parents is not None:
        from broodstock.pedigree.structure import check_parents_first

        check_parents_first(data.parents, data.ids)


def _check_numbers(data: SpawningData) -> None:
    """Refuse what no rule could make sense of.

    Raises
    ------
    ValueRangeError
        For numbers.
    UsageError
        For combinations.
    """
    rows = data.candidates
    if rows.size and (rows.min() < 0 or rows.max() >= data.n_fish):
        raise ValueRangeError(
            f"spawning data, candidates: found row {int(rows[(rows < 0) | (rows >= data.n_fish)][0])}. Expected "
            f"0 to {data.n_fish - 1}."
        )
    twice = np.flatnonzero(np.bincount(rows, minlength=1) > 1)
    if twice.size:
        raise UsageError(
            f"spawning data, candidates: found {data.ids[int(twice[0])]!r} twice. Expected each fish once, as a "
            "female or as a male. Correct its sex or the list."
        )
    for name in ("most_uses", "least_uses", "lifetime_uses", "past_uses", "permit_limit"):
        _refuse_negative(data, name)
    if (data.straws_per_dish < 1).any():
        raise ValueRangeError("spawning data, straws_per_dish: found 0 or less. Expected 1 or more.")
    if data.dishes < 0:
        raise ValueRangeError(f"spawning data, dishes: found {data.dishes}. Expected 0 or more.")
    if data.all_dishes == 0:
        raise ValueRangeError(
            "spawning data, dishes: found no new dish and none made. Expected at least one. Give the number of "
            "dishes."
        )
    if data.pair_repeats < 1:
        raise ValueRangeError(f"spawning data, pair_repeats: found {data.pair_repeats}. Expected 1 or more.")
    if data.blocks < 1 or (data.blocks > 1 and data.factorial is None):
        raise ValueRangeError(
            f"spawning data, blocks: found {data.blocks}. Expected 1 or more, and the size of a block in factorial."
        )
    for name in ("males_per_female", "females_per_male"):
        least, most = getattr(data, name)
        if not 1 <= least <= most:
            raise ValueRangeError(
                f"spawning data, {name}: found {least} to {most}. Expected 1 or more, the least first."
            )
    for name in ("pair_limit", "safe_limit", "living_share"):
        number = getattr(data, name)
        if number is not None and not 0 <= number <= 1:
            raise ValueRangeError(f"spawning data, {name}: found {number!r}. Expected 0 to 1.")
    for name in ("living", "founder_share", "kinship", "pair_upper", "eggs"):
        array = getattr(data, name)
        if array is not None and not np.isfinite(array).all():
            raise ValueRangeError(
                f"spawning data, {name}: found a value that is not a number. Expected finite numbers."
            )
    if (data.living < 0).any():
        fish = data.ids[int(np.flatnonzero(data.living < 0)[0])]
        raise ValueRangeError(
            f"spawning data, living: found a negative weight of fish {fish!r}. Expected 0 or more."
        )
    if data.living_share > 0 and not (data.living.sum() > 0 and data.young > 0):
        raise UsageError(
            "spawning data, living_share: found a weight on the living group without living fish or expected "
            "young. Expected both. Give `living` and `young`, or set living_share to 0."
        )
    if data.limit_on not in ("point", "upper"):
        raise UsageError(f"spawning data, limit_on: found {data.limit_on!r}. Expected 'point' or 'upper'.")
    if data.limit_on == "upper" and data.pair_upper is None:
        raise UsageError(
            "spawning data, limit_on: found 'upper' without upper kinship of pairs. Expected pair_upper. Give it "
            "or set limit_on to 'point'."
        )
    if data.founders.size and data.parents is None:
        raise UsageError(
            "spawning data, founders: found founder shares without a pedigree. Expected parents. Give the pedigree."
        )
    for name, top in (("permit", len(data.permit_limit)),):
        array = getattr(data, name)
        if array.size and array.max() >= top:
            raise ValueRangeError(
                f"spawning data, {name}: found number {int(array.max())}. Expected -1 to {top - 1}, one limit each."
            )
    check_scenarios(data.scenarios, data.caution, data.n_candidates)
    _check_made(data)


def _check_made(data: SpawningData) -> None:
    made = data.made
    if not len(made):
        return
    top = np.array([data.n_females, data.n_males])
    if (made[:, :2] < 0).any() or (made[:, :2] >= top).any() or (made[:, 2] < 1).any():
        raise ValueRangeError(
            "spawning data, made: found a position that does not exist or a number of dishes below 1. Expected "
            "positions among females and males and 1 or more dishes."
        )


def _refuse_negative(data: SpawningData, name: str) -> None:
    array = getattr(data, name)
    if (array < 0).any():
        raise ValueRangeError(f"spawning data, {name}: found {int(array[array < 0][0])}. Expected 0 or more.")
