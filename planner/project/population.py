"""The living fish of one replicate: their sex, age, place, genes and kinship, in slots that are used again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray, IntArray
from planner.project.gene_kernels import add_kinship, add_unrelated, drop_pairs
from planner.project.model import MALE, UNKNOWN, Model, stable_adult_ages


@dataclass(frozen=True)
class Prepared:
    """What all replicates of a model share.

    Parameters
    ----------
    model : Model
    parents : ndarray, int32, shape (n_base, 2)
        Pedigree of the fish at the start and their ancestors only; both parents known or neither.
    rows : ndarray, int64, shape (n_present,)
        Pedigree rows of the fish at the start, then of parents of the stock that are not among them.
    kinship : ndarray, float64, shape (n_present, n_present)
        Their kinship.
    stock_dam, stock_sire : ndarray, int64, shape (n_broods,)
        Positions in `rows` of the parents of the stock.
    calls : ndarray, int16, shape (n_founders, n_loci, 2)
        Genotypes of the founders, -1 untyped.
    """

    model: Model
    parents: IntArray
    rows: BigIntArray
    kinship: FloatArray
    stock_dam: BigIntArray
    stock_sire: BigIntArray
    calls: npt.NDArray[np.int16]

    @property
    def founders(self) -> BigIntArray:
        """Rows of `parents` without parents."""
        return np.flatnonzero(self.parents[:, 0] < 0)


def prepare(model: Model) -> Prepared:
    """Compute once what all replicates of a model share: the ancestors needed and the kinship at the start.

    Parameters
    ----------
    model : Model

    Returns
    -------
    Prepared
    """
    from broodstock.pedigree.founders import with_phantom_founders
    from broodstock.pedigree.gene_drop import ancestors_only
    from broodstock.pedigree.kinship import kinship_between

    start = model.start
    parents, added = with_phantom_founders(start.parents)
    wanted = np.unique(np.concatenate([start.rows, start.stock_dam, start.stock_sire]) + added)
    others = np.setdiff1d(wanted, start.rows + added)
    present = np.concatenate([start.rows + added, others]).astype(np.int32)
    n_loci = len(model.genome.recombination)
    if not len(present):
        nothing = np.zeros(0, np.int64)
        calls = np.zeros((0, n_loci, 2), np.int16)
        return Prepared(model, np.zeros((0, 2), np.int32), nothing, np.zeros((0, 0)), nothing, nothing, calls)
    kinship = kinship_between(parents, present, present)
    up, kept, number = ancestors_only(parents, present)
    place_of = {int(r): k for k, r in enumerate(present)}
    founders = kept[up[:, 0] < 0]
    calls = np.full((len(founders), n_loci, 2), -1, np.int16)
    if start.calls is not None:
        recorded = founders >= added
        calls[recorded] = start.calls[founders[recorded] - added]
    positions = [
        np.array([place_of[int(r) + added] for r in which], np.int64)
        for which in (start.stock_dam, start.stock_sire)
    ]
    return Prepared(model, up, number[present].astype(np.int64), kinship, positions[0], positions[1], calls)


class Population:
    """Living fish of one replicate.

    Slots hold fish; a dead fish's slot is used again. Parents must be present when their young are added.
    """

    def __init__(
        self, prepared: Prepared, rng: np.random.Generator, room: int, founders_to_come: int
    ) -> None:
        model, start = prepared.model, prepared.model.start
        n, present = len(start.rows), len(prepared.rows)
        size = present + max(room, 16)
        n_loci = len(model.genome.recombination)
        self.recombination = model.genome.recombination
        self.kin: FloatArray = np.zeros((size, size))
        self.kin[:present, :present] = prepared.kinship
        self.genes: IntArray = np.zeros((size, 2, n_loci), np.int32)
        self.sex = np.zeros(size, np.int8)
        self.age = np.full(size, -1, np.int16)
        self.place = np.zeros(size, np.int32)
        self.alive: BoolArray = np.zeros(size, np.bool_)
        self.held: BoolArray = np.zeros(size, np.bool_)
        self.alive[:n] = True
        self.held[n:present] = True
        self.place[:n] = start.place
        self.sex[:n] = np.where(start.sex == UNKNOWN, rng.integers(0, 2, n), start.sex)
        self.age[:n] = _ages(model, self.sex[:n], rng)
        self.n_labels = 2 * len(prepared.founders)
        self._drop_start(prepared, rng)
        self.allele = self._alleles(prepared, founders_to_come, rng)

    def _drop_start(self, prepared: Prepared, rng: np.random.Generator) -> None:
        """Drop founder genes to the fish at the start through the recorded pedigree."""
        parents, founders = prepared.parents, prepared.founders
        genes = np.zeros((len(parents), 2, self.genes.shape[2]), np.int32)
        genes[founders] = np.arange(2 * len(founders), dtype=np.int32).reshape(-1, 2, 1)
        born = np.flatnonzero(parents[:, 0] >= 0)
        dams, sires = (parents[born, side].astype(np.int64) for side in (0, 1))
        drop_pairs(genes, born, dams, sires, self.recombination, int(rng.integers(2**63)))
        self.genes[: len(prepared.rows)] = genes[prepared.rows]

    def _alleles(self, prepared: Prepared, to_come: int, rng: np.random.Generator) -> npt.NDArray[np.int16]:
        """Marker allele of every founder gene, (n_loci, n_labels): as typed, in random phase, or drawn."""
        frequencies = prepared.model.genome.frequencies
        total = self.n_labels + 2 * to_come
        bounds = np.cumsum(frequencies, axis=1)[:, :-1]
        draws = rng.random((len(frequencies), total))
        drawn = np.zeros(draws.shape, np.int16)
        for k in range(bounds.shape[1]):
            drawn += draws >= bounds[:, k : k + 1]
        calls = prepared.calls
        flip = rng.random(calls.shape[:2]) < 0.5
        known = np.where(flip[:, :, None], calls[:, :, ::-1], calls)
        typed = known.transpose(1, 0, 2).reshape(len(frequencies), self.n_labels)
        drawn[:, : self.n_labels] = np.where(typed >= 0, typed, drawn[:, : self.n_labels])
        return drawn

    @property
    def slots(self) -> BigIntArray:
        """Slots of living fish."""
        return np.flatnonzero(self.alive)

    def adults(self, life_mature: tuple[int, int], place: int) -> tuple[BigIntArray, BigIntArray]:
        """Return the slots of mature females and males at a place."""
        here = self.alive & (self.place == place)
        males = self.sex == MALE
        old = self.age >= np.where(males, life_mature[1], life_mature[0])
        return np.flatnonzero(here & old & ~males), np.flatnonzero(here & old & males)

    def add_young(
        self,
        dams: BigIntArray,
        sires: BigIntArray,
        place: npt.NDArray[np.int32],
        sex: npt.NDArray[np.int8],
        seed: int,
    ) -> BigIntArray:
        """Add young of present parents at age 0 and return their slots."""
        slots = self._free(len(dams))
        present = np.flatnonzero(self.alive | self.held)
        add_kinship(self.kin, present, slots, dams, sires)
        drop_pairs(self.genes, slots, dams, sires, self.recombination, seed)
        self._settle(slots, place, sex, 0)
        return slots

    def add_outsiders(self, n: int, place: int, sex: npt.NDArray[np.int8], age: int) -> None:
        """Add unrelated fish with new founder genes."""
        slots = self._free(n)
        add_unrelated(self.kin, np.flatnonzero(self.alive | self.held), slots)
        labels = np.arange(self.n_labels, self.n_labels + 2 * n, dtype=np.int32)
        self.genes[slots] = labels.reshape(n, 2, 1)
        self.n_labels += 2 * n
        self._settle(slots, np.full(n, place, np.int32), sex, age)

    def _settle(
        self, slots: BigIntArray, place: npt.NDArray[np.int32], sex: npt.NDArray[np.int8], age: int
    ) -> None:
        self.alive[slots] = True
        self.place[slots] = place
        self.sex[slots] = sex
        self.age[slots] = age

    def _free(self, n: int) -> BigIntArray:
        """Return n free slots, making room when there are too few."""
        free = np.flatnonzero(~(self.alive | self.held))
        if len(free) < n:
            old = len(self.alive)
            more = max(n - len(free), old // 2)
            kin = np.zeros((old + more, old + more))
            kin[:old, :old] = self.kin
            self.kin = kin
            for name in ("genes", "sex", "age", "place", "alive", "held"):
                array = getattr(self, name)
                wider = np.zeros((old + more, *array.shape[1:]), array.dtype)
                wider[:old] = array
                setattr(self, name, wider)
            free = np.flatnonzero(~(self.alive | self.held))
        return free[:n]


def _ages(model: Model, sex: npt.NDArray[np.int8], rng: np.random.Generator) -> npt.NDArray[np.int16]:
    """Return the ages at the start; unknown ones are drawn from adults at constant numbers at that place."""
    start, life = model.start, model.life
    age = start.age.copy()
    survival = model.survival()
    for place in np.unique(start.place):
        for code, mature in ((0, life.mature_female), (1, life.mature_male)):
            ask = np.flatnonzero((start.age < 0) & (start.place == place) & (sex == code))
            shares = stable_adult_ages(survival[place], mature)
            age[ask] = rng.choice(len(shares), len(ask), p=shares)
    return age
