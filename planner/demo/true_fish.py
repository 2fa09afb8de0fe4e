"""The hidden register: every fish that ever mattered, with its real parents, sex, birth and death."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import MISSING, BigIntArray, BoolArray, IntArray
from planner.demo.days import NEVER

OLD, CHALK, WILD, LARVA, CROSS, POND = range(6)
"""Origins: hidden ancestor, chalk chub, wild adult, wild larva, hatchery cross, backwater young."""
ORIGIN_WORDS = ("ancestor", "chalk chub", "wild adult", "wild larva", "hatchery cross", "backwater young")
FEMALE, MALE = 0, 1

_FIELDS = {
    "dam": np.int32,
    "sire": np.int32,
    "sex": np.int8,
    "hatched": np.int32,
    "died": np.int32,
    "year_class": np.int16,
    "origin": np.int8,
    "foreign": np.float32,
}


class TrueFish:
    """Growing arrays, one entry per fish; parents always stand before their young.

    Attributes
    ----------
    dam, sire : ndarray, int32
        Row of the real parent; -1 for the hidden ancestors.
    sex : ndarray, int8
        0 female, 1 male.
    hatched, died : ndarray, int32
        Days; `died` is `planner.demo.days.NEVER` for the living.
    year_class : ndarray, int16
        Year class; 0 for wild adults of unknown age.
    origin : ndarray, int8
        See `ORIGIN_WORDS`.
    foreign : ndarray, float32
        Expected share of chalk chub genes.
    """

    dam: IntArray
    sire: IntArray
    sex: np.ndarray
    hatched: IntArray
    died: IntArray
    year_class: np.ndarray
    origin: np.ndarray
    foreign: np.ndarray

    def __init__(self) -> None:
        self._n = 0
        self._store = {name: np.zeros(1024, dtype=kind) for name, kind in _FIELDS.items()}
        self._publish()

    def __len__(self) -> int:
        return self._n

    def add(
        self,
        dam: np.ndarray,
        sire: np.ndarray,
        sex: np.ndarray,
        hatched: np.ndarray,
        origin: int,
        year_class: int | np.ndarray = 0,
        foreign: float | None = None,
    ) -> BigIntArray:
        """Add fish and return their rows.

        Parameters
        ----------
        dam, sire : ndarray, int, shape (n,)
            Rows of the parents; -1 for none.
        sex : ndarray, int, shape (n,)
            0 female, 1 male.
        hatched : ndarray, int, shape (n,)
            Days.
        origin : int
            One of the origins.
        year_class : int or ndarray
            Year class.
        foreign : float, optional
            Share of chalk chub genes; default the mean of the parents'.

        Returns
        -------
        ndarray, int64, shape (n,)
            Rows of the new fish.
        """
        n = len(dam)
        start = self._n
        while start + n > len(self._store["dam"]):
            self._store = {k: np.concatenate([v, np.zeros_like(v)]) for k, v in self._store.items()}
        self._n = start + n
        self._publish()
        rows = np.arange(start, start + n)
        self.dam[rows], self.sire[rows], self.sex[rows] = dam, sire, sex
        self.hatched[rows], self.died[rows] = hatched, NEVER
        self.origin[rows], self.year_class[rows] = origin, year_class
        if foreign is None:
            self.foreign[rows] = 0.5 * (self.foreign[dam] + self.foreign[sire])
        else:
            self.foreign[rows] = foreign
        return rows

    def _publish(self) -> None:
        for name, values in self._store.items():
            setattr(self, name, values[: self._n])

    def with_ancestors(self, rows: np.ndarray) -> BigIntArray:
        """Return the rows of some fish and all their ancestors, parents first."""
        wanted: BoolArray = np.zeros(len(self), dtype=bool)
        front = np.unique(rows)
        while front.size:
            wanted[front] = True
            parents = np.unique(np.concatenate([self.dam[front], self.sire[front]]))
            front = parents[(parents != MISSING)]
            front = front[~wanted[front]]
        return np.flatnonzero(wanted)

    def levels(self, rows: BigIntArray) -> IntArray:
        """Return the generation of each fish of a closed set: 0 for fish without parents."""
        level = np.full(len(self), -1, dtype=np.int32)
        level[rows[self.dam[rows] == MISSING]] = 0
        todo = rows[self.dam[rows] != MISSING]
        while todo.size:
            above = np.minimum(level[self.dam[todo]], level[self.sire[todo]])
            ready = above >= 0
            done = todo[ready]
            level[done] = 1 + np.maximum(level[self.dam[done]], level[self.sire[done]])
            todo = todo[~ready]
        return level[rows]
