"""What a projection is made from: life of the species, waters, station, fish at the start, strategy."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, CallArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.structure import check_parents_first

FEMALE, MALE, UNKNOWN = 0, 1, -1
STATION = 0
"""Place number of the station; water k has place number k + 1."""

CROSSINGS = ("none", "random", "equal", "least")


def _refuse(what: str, found: object, expected: str) -> None:
    raise ValueRangeError(
        f"projection, {what}: found {found}. Expected {expected}. Correct the setting or record."
    )


def _share(what: str, value: float) -> None:
    if not 0 <= value <= 1:
        _refuse(what, value, "a share from 0 to 1")


def _count(what: str, value: float) -> None:
    if not value >= 0:
        _refuse(what, value, "a number of at least 0")


@dataclass(frozen=True)
class Life:
    """Life of the species.

    Parameters
    ----------
    mature_female, mature_male : int
        Youngest age at which a fish of each sex breeds, years, at least 1.
    longevity : int
        Last age reached, years.
    skew_female, skew_male : float
        Squared coefficient of variation of the chance to be a parent, drawn anew for every adult and year from a
        gamma distribution; 0: equal chances (Poisson family sizes), 1: exponential chances.
    mates_per_female : int
        Males that fertilise one female's eggs in a year; 0: each young has a sire of its own draw.
    fixed_sexes : bool
        Sexes of a year class half and half as far as possible, instead of by lot.

    Raises
    ------
    ValueRangeError
        If an age is below 1, maturity comes after the longest life, or a skew is negative.
    """

    mature_female: int = 3
    mature_male: int = 2
    longevity: int = 20
    skew_female: float = 0.0
    skew_male: float = 0.0
    mates_per_female: int = 0
    fixed_sexes: bool = False

    def __post_init__(self) -> None:
        for name in ("mature_female", "mature_male"):
            if not 1 <= getattr(self, name) <= self.longevity:
                _refuse(
                    name, getattr(self, name), f"an age from 1 to the longest life, {self.longevity} years"
                )
        _count("skew_female", self.skew_female)
        _count("skew_male", self.skew_male)
        _count("mates_per_female", self.mates_per_female)


@dataclass(frozen=True)
class Water:
    """A water with fish that live without care.

    Parameters
    ----------
    name : str
        Name.
    capacity : float
        Most fish of one year and older; may be infinite.
    survival : ndarray, float64, shape (longevity + 1,)
        Chance to live on from each age to the next; the first entry is not used, the last counts as 0.
    recruits_per_female : float
        Young that reach age 1 for one mature female where there is plenty of room.
    first_year : float
        First-year survival of released fish.
    release : float
        Fish released into it each year.
    extra : bool
        Opened only by the strategy with more sites.
    release_with_extra : float
        Fish released into it each year when the extra waters are open.
    spread : float
        Standard deviation of the logit of yearly survival between years.
    die_off_chance, die_off_share : float
        Chance of a die-off in a year, and the share of fish it kills.

    Raises
    ------
    ValueRangeError
        If a share or a number is out of range.
    """

    name: str
    capacity: float
    survival: FloatArray
    recruits_per_female: float = 0.0
    first_year: float = 0.0
    release: float = 0.0
    extra: bool = False
    release_with_extra: float = 0.0
    spread: float = 0.0
    die_off_chance: float = 0.0
    die_off_share: float = 0.0

    def __post_init__(self) -> None:
        survival = np.asarray(self.survival, dtype=np.float64)
        object.__setattr__(self, "survival", survival)
        if not ((survival >= 0) & (survival <= 1)).all():
            _refuse(f"{self.name}, survival", survival.tolist(), "chances from 0 to 1")
        for name in ("first_year", "die_off_chance", "die_off_share"):
            _share(f"{self.name}, {name}", getattr(self, name))
        for name in ("capacity", "recruits_per_female", "release", "release_with_extra", "spread"):
            _count(f"{self.name}, {name}", getattr(self, name))


@dataclass(frozen=True)
class Station:
    """The hatchery and its broodstock.

    Parameters
    ----------
    brood : int
        Broodfish the station holds; missing ones are replaced each year from the year class.
    survival : float
        Yearly survival of broodfish.
    retire_age : int
        Broodfish older than this are taken out.
    crosses : int
        Dishes (one female, one male) a year.
    ripe : float
        Chance that a mature broodfish is ripe in a year.
    uses_female, uses_male : int
        Most dishes of one fish in a year.
    dish_skew : float
        Squared coefficient of variation of survival between dishes where families are not made equal.
    pair_limit : float
        Pairs above this kinship are avoided where the strategy chooses pairs.
    living_weight : float
        Weight of the whole living group beside the year class in the kinship made small.
    young : float
        Fish the year class counts for in the living group.
    larvae_from : int
        Water (place number) from which wild larvae are taken; -1 for none.
    larvae_share : float
        Share of the released fish that grew from wild larvae.
    larvae_to_brood : int
        Broodfish a year that grow from wild larvae.
    adults_to_brood : int
        Adults a year moved from the water `larvae_from` to the broodstock.
    founders_added : int
        Unrelated adults from outside added to the broodstock each year.

    Raises
    ------
    ValueRangeError
        If a share or a number is out of range.
    """

    brood: int = 0
    survival: float = 0.95
    retire_age: int = 20
    crosses: int = 0
    ripe: float = 1.0
    uses_female: int = 4
    uses_male: int = 4
    dish_skew: float = 0.0
    pair_limit: float = 0.5
    living_weight: float = 0.0
    young: float = 0.0
    larvae_from: int = -1
    larvae_share: float = 0.0
    larvae_to_brood: int = 0
    adults_to_brood: int = 0
    founders_added: int = 0

    def __post_init__(self) -> None:
        for name in ("survival", "ripe", "pair_limit", "living_weight", "larvae_share"):
            _share(f"station, {name}", getattr(self, name))
        for name in (
            "brood",
            "retire_age",
            "crosses",
            "dish_skew",
            "young",
            "larvae_to_brood",
            "adults_to_brood",
        ):
            _count(f"station, {name}", getattr(self, name))
        _count("station, founders_added", self.founders_added)
        for name in ("uses_female", "uses_male"):
            if getattr(self, name) < 1:
                _refuse(f"station, {name}", getattr(self, name), "at least 1")


@dataclass(frozen=True)
class Genome:
    """Loci that are followed.

    Parameters
    ----------
    recombination : ndarray, float64, shape (n_loci,)
        Chance of a crossover between a locus and the one before; 0.5 where they are not linked. The first entry
        is 0.5.
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Allele frequencies of founders without genotype; each row adds to 1.

    Raises
    ------
    ShapeError
        If the two differ in the number of loci.
    ValueRangeError
        If a chance is outside 0 to 0.5 or frequencies do not add to 1.
    """

    recombination: FloatArray
    frequencies: FloatArray

    def __post_init__(self) -> None:
        r, p = np.asarray(self.recombination, np.float64), np.asarray(self.frequencies, np.float64)
        object.__setattr__(self, "recombination", r)
        object.__setattr__(self, "frequencies", p)
        if r.ndim != 1 or p.ndim != 2 or len(r) != len(p) or not len(r):
            raise ShapeError(
                f"projection, loci: found {r.shape} recombination chances and {p.shape} frequencies. Expected one "
                "chance and one row per locus, and at least one locus."
            )
        if not ((r >= 0) & (r <= 0.5)).all() or not ((p >= 0).all() and np.allclose(p.sum(axis=1), 1.0)):
            _refuse(
                "loci",
                "chances outside 0 to 0.5 or frequencies that do not add to 1",
                "chances and frequencies",
            )

    @classmethod
    def free(cls, n_loci: int, low: float = 0.05) -> Genome:
        """Return unlinked loci of two alleles, the rarer one evenly spread from `low` to 0.5."""
        q = np.linspace(low, 0.5, n_loci)
        return cls(np.full(n_loci, 0.5), np.column_stack([1 - q, q]))


@dataclass(frozen=True)
class Start:
    """Fish at the start and the pedigree that joins them.

    Parameters
    ----------
    parents : ndarray, int32, shape (n_rows, 2)
        Pedigree, -1 unknown, parents first; rows without parents are unrelated founders.
    rows : ndarray, int32, shape (n_fish,)
        Pedigree row of each living fish.
    sex : ndarray, int8, shape (n_fish,)
        0 female, 1 male, -1 unknown (drawn in every replicate).
    age : ndarray, int16, shape (n_fish,)
        Years; -1 for an adult of unknown age (drawn in every replicate).
    place : ndarray, int16, shape (n_fish,)
        0 the station, k + 1 water k.
    stock_dam, stock_sire, stock_number : ndarray, int32, shape (n_broods,)
        Young waiting for their first release: pedigree rows of their parents and how many there are.
    calls : ndarray, int16, shape (n_rows, n_loci, 2), optional
        Known genotypes of founder rows, -1 untyped.

    Raises
    ------
    ShapeError
        If arrays do not fit together.
    ValueRangeError
        If a row or a code is out of range.
    PedigreeError
        If a parent does not stand before its offspring.
    """

    parents: IntArray
    rows: IntArray
    sex: npt.NDArray[np.int8]
    age: npt.NDArray[np.int16]
    place: npt.NDArray[np.int16]
    stock_dam: IntArray = field(default_factory=lambda: np.zeros(0, np.int32))
    stock_sire: IntArray = field(default_factory=lambda: np.zeros(0, np.int32))
    stock_number: IntArray = field(default_factory=lambda: np.zeros(0, np.int32))
    calls: CallArray | None = None

    def __post_init__(self) -> None:
        n = len(self.rows)
        if not all(len(a) == n for a in (self.sex, self.age, self.place)):
            raise ShapeError(f"projection, start: found {n} fish but other lengths of sex, age or place.")
        if not len(self.stock_dam) == len(self.stock_sire) == len(self.stock_number):
            raise ShapeError("projection, start: found stock arrays of different lengths.")
        check_parents_first(self.parents, tuple(str(i) for i in range(len(self.parents))))
        every = np.concatenate([self.rows, self.stock_dam, self.stock_sire])
        if every.size and not (every.min() >= 0 and every.max() < len(self.parents)):
            _refuse("start", "a row outside the pedigree", f"rows from 0 to {len(self.parents) - 1}")
        if len(np.unique(self.rows)) < n:
            _refuse("start", "one pedigree row for two fish", "one row per fish")


@dataclass(frozen=True)
class Costs:
    """Money for one of each, in the programme's own unit."""

    cross: float = 0.0
    released: float = 0.0
    brood_year: float = 0.0
    water_year: float = 0.0
    new_water: float = 0.0
    moved: float = 0.0


@dataclass(frozen=True)
class Strategy:
    """What is done every year.

    Parameters
    ----------
    name : str
        Name shown.
    crossing : {'none', 'random', 'equal', 'least'}
        How crosses and broodfish are chosen; 'none': no crosses, no releases, no new broodfish.
    more_sites : bool
        The extra waters are open.
    exchange : bool
        Fish are moved between waters.

    Raises
    ------
    ValueRangeError
        If the crossing is none of these.
    """

    name: str
    crossing: str
    more_sites: bool = False
    exchange: bool = False

    def __post_init__(self) -> None:
        if self.crossing not in CROSSINGS:
            _refuse(f"strategy {self.name}", repr(self.crossing), f"one of {', '.join(CROSSINGS)}")


@dataclass(frozen=True)
class Model:
    """Everything a projection is computed from.

    Parameters
    ----------
    life : Life
    waters : tuple of Water
        At least one.
    station : Station
    genome : Genome
    start : Start
    moves : ndarray, float64, shape (n_waters, n_waters)
        Adults moved each year from the row's to the column's water when exchange is on.
    costs : Costs

    Raises
    ------
    ShapeError
        If arrays do not fit the number of waters or the ages.
    ValueRangeError
        If a move is negative, or a fish is in a water that is not there.
    """

    life: Life
    waters: tuple[Water, ...]
    station: Station
    genome: Genome
    start: Start
    moves: FloatArray
    costs: Costs = Costs()

    def __post_init__(self) -> None:
        n = len(self.waters)
        if self.moves.shape != (n, n) or not n:
            raise ShapeError(
                f"projection, moves: found shape {self.moves.shape}. Expected ({n}, {n}), at least 1 x 1."
            )
        if (self.moves < 0).any():
            _refuse("moves", "a negative number of fish", "at least 0")
        for w in self.waters:
            if w.survival.shape != (self.life.longevity + 1,):
                raise ShapeError(
                    f"projection, {w.name}: found {len(w.survival)} survivals. Expected {self.life.longevity + 1}, one "
                    "per age from 0 to the longest life."
                )
        if len(self.start.place) and not (self.start.place.min() >= 0 and self.start.place.max() <= n):
            _refuse("start", "a fish in a place that is not there", f"places from 0 to {n}")
        if self.start.calls is not None and self.start.calls.shape[:2] != (
            len(self.start.parents),
            len(self.genome.recombination),
        ):
            raise ShapeError(
                f"projection, genotypes: found shape {self.start.calls.shape}, which does not fit."
            )

    @property
    def n_places(self) -> int:
        """The station and the waters."""
        return len(self.waters) + 1

    def survival(self) -> FloatArray:
        """Return yearly survival by place and age, shape (n_places, longevity + 1); nobody outlives longevity."""
        out = np.vstack(
            [np.full(self.life.longevity + 1, self.station.survival), *(w.survival for w in self.waters)]
        )
        out[:, -1] = 0.0
        out[STATION, np.arange(self.life.longevity + 1) >= self.station.retire_age] = 0.0
        return out

    def releases(self, strategy: Strategy) -> FloatArray:
        """Return the fish released into each water in a year, shape (n_waters,)."""
        if strategy.crossing == "none":
            return np.zeros(len(self.waters))
        return np.array([w.release_with_extra if strategy.more_sites else w.release for w in self.waters])


def statements(model: Model, strategy: Strategy) -> list[str]:
    """Say what in a model will surprise its reader: one sex, no room, nobody or everybody lives.

    Parameters
    ----------
    model : Model
    strategy : Strategy

    Returns
    -------
    list of str
        Sentences; empty when there is nothing to say.
    """
    start, life = model.start, model.life
    out = []
    names = ["the station", *(w.name for w in model.waters)]
    if not len(start.rows):
        out.append("No fish are alive at the start.")
    mature = np.where(start.sex == MALE, life.mature_male, life.mature_female)
    adult = (start.age < 0) | (start.age >= mature)
    if len(start.rows) and not adult.any():
        out.append("No adults are alive at the start: nothing is born until young fish mature.")
    for place, name in enumerate(names):
        here = adult & (start.place == place)
        for sex, word in ((FEMALE, "females"), (MALE, "males")):
            if here.any() and (start.sex[here] == 1 - sex).all():
                out.append(f"There are no adult {word} at {name}: nothing is born there until some come.")
    for w in model.waters:
        if w.capacity == 0:
            out.append(
                f"{w.name} has a capacity of 0: no fish can live there, and fish released into it are lost."
            )
        ages = w.survival[1 : life.longevity]
        if len(ages) and (ages == 0).all():
            out.append(f"Survival at {w.name} is 0: no fish lives there for more than a year.")
        if len(ages) and (ages == 1).all():
            out.append(f"Survival at {w.name} is 1: fish there die only of age, at {life.longevity} years.")
    if strategy.crossing != "none" and model.station.crosses == 0:
        out.append("No crosses a year are asked for: the station makes no year classes.")
    return out


def stable_adult_ages(survival: FloatArray, mature: int) -> FloatArray:
    """Return the shares of ages among adults at constant numbers, shape (longevity + 1,).

    Parameters
    ----------
    survival : ndarray, float64, shape (longevity + 1,)
        Chance to live on from each age.
    mature : int
        First adult age.
    """
    alive = np.zeros(len(survival))
    alive[mature:] = np.cumprod(np.concatenate([[1.0], survival[mature:-1]]))
    return alive / alive.sum()


def whole_numbers(expected: FloatArray, rng: np.random.Generator) -> BigIntArray:
    """Return whole numbers whose means are `expected`: rounded up with the chance of the fraction."""
    low = np.floor(expected)
    return (low + (rng.random(expected.shape) < expected - low)).astype(np.int64)
