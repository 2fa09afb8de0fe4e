"""The pedigree as arrays: every parent stands before its offspring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from broodstock.arrays import MISSING, IntArray
from broodstock.errors import PedigreeError, ShapeError

DAM, SIRE = 0, 1
"""Columns of `Pedigree.parents`."""


@dataclass(frozen=True)
class Pedigree:
    """Fish and their parents, parents first.

    Parameters
    ----------
    ids : tuple of str
        Identifier of each fish, unique.
    parents : ndarray, int32, shape (n_fish, 2)
        Row numbers of dam (column 0) and sire (column 1); -1 where unknown. Every parent has a smaller
        row number than its offspring (use `broodstock.pedigree.build.build_pedigree` to sort records).
    sex : ndarray, int8, shape (n_fish,)
        0 female, 1 male, -1 unknown.

    Raises
    ------
    ShapeError
        If the arrays do not fit together.
    PedigreeError
        If a parent does not stand before its offspring.
    """

    ids: tuple[str, ...]
    parents: IntArray
    sex: np.ndarray

    def __post_init__(self) -> None:
        n = len(self.ids)
        if self.parents.shape != (n, 2):
            raise ShapeError(f"parents: found shape {self.parents.shape}. Expected ({n}, 2).")
        if self.sex.shape != (n,):
            raise ShapeError(f"sex: found shape {self.sex.shape}. Expected ({n},).")
        check_parents_first(self.parents, self.ids)

    def __len__(self) -> int:
        return len(self.ids)

    @cached_property
    def index(self) -> dict[str, int]:
        """Row number by identifier."""
        return {fish: i for i, fish in enumerate(self.ids)}

    def rows(self, fish: Sequence[str]) -> IntArray:
        """Return the row numbers of fish given by identifier.

        Raises
        ------
        KeyError
            If a fish is not in the pedigree.
        """
        return np.array([self.index[f] for f in fish], dtype=np.int32)

    @property
    def founders(self) -> IntArray:
        """Row numbers of fish with no known parent."""
        return np.flatnonzero((self.parents == MISSING).all(axis=1)).astype(np.int32)


def check_parents_first(parents: IntArray, ids: Sequence[str] | None = None) -> None:
    """Check that every parent has a smaller row number than its offspring.

    Raises
    ------
    PedigreeError
        Naming the first fish that stands before one of its parents.
    """
    n = len(parents)
    wrong = np.flatnonzero((parents >= np.arange(n)[:, None]).any(axis=1) | (parents < MISSING).any(axis=1))
    if wrong.size:
        i = int(wrong[0])
        name = ids[i] if ids is not None else str(i)
        raise PedigreeError(
            f"pedigree, fish {name!r}: found parents {parents[i].tolist()} at row {i}. Expected row numbers "
            f"from -1 to {i - 1}: parents come first. Sort the records with build_pedigree.",
            [name],
        )
