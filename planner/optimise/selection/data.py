"""What a choice of fish is made from: kinds of interchangeable fish, their kinship, and the rules.

A kind is a number of fish that the rules and kinship cannot tell apart (one family, sex, year class, unit).
At fish level every fish is a kind and a family of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError

FEMALE, MALE, UNKNOWN_SEX = 0, 1, -1
NO_LIMIT = 10**9


@dataclass(frozen=True)
class Rule:
    """A weighted number of fish with a least and a most.

    Parameters
    ----------
    code : str
        Kind of rule, for example ``space``.
    words : str
        The rule in words, for conflicts and reports.
    factors : ndarray, float64, shape (n_kinds,)
        Weight of one fish of each kind.
    low, high : float
        Limits of the weighted sum; infinite where there is none.
    """

    code: str
    words: str
    factors: FloatArray
    low: float = -math.inf
    high: float = math.inf

    def value(self, numbers: npt.ArrayLike) -> float:
        """Return the weighted sum for numbers per kind."""
        return float(self.factors @ np.asarray(numbers, dtype=np.float64))

    def holds(self, numbers: npt.ArrayLike) -> bool:
        """Tell whether the rule holds, to within rounding."""
        x = self.value(numbers)
        slack = 1e-9 * (1 + abs(x))
        return self.low - slack <= x <= self.high + slack


@dataclass(frozen=True)
class FamilyRules:
    """Rules about the families of the chosen fish.

    Parameters
    ----------
    least, most : int
        Fish of a family that takes part at all.
    families : int
        Families that must take part.
    sexes_apart : bool
        Fish of one family that take part are of one sex (unknown sex counts as a third), so that brother and
        sister do not meet.
    """

    least: int = 0
    most: int = NO_LIMIT
    families: int = 0
    sexes_apart: bool = False


@dataclass(frozen=True)
class SelectionData:
    """Kinds of fish to choose from; make it with `SelectionData.make`.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_families, n_families)
        Kinship of two distinct fish, one of each family.
    self_kinship : ndarray, float64, shape (n_families,)
        Kinship of a fish of the family with itself, (1 + F) / 2.
    family : ndarray, int64, shape (n_kinds,)
        Family of each kind.
    available : ndarray, int64, shape (n_kinds,)
        Fish there are.
    number : int
        Fish to choose.
    sex : ndarray, int64, shape (n_kinds,)
        0 female, 1 male, -1 unknown.
    least, most : ndarray, int64, shape (n_kinds,)
        Fish of the kind that must, and may, be chosen.
    families : FamilyRules
        Rules about families.
    rules : tuple of Rule
        All other rules.
    living : float
        Fish that live on beside the chosen ones; 0 for none.
    living_kinship : ndarray, float64, shape (n_families,)
        Mean kinship of a fish of the family with them.
    living_mean : float
        Their own mean kinship, self pairs in.
    living_weight : float
        Weight, 0 to 1, of the mean kinship of chosen and living fish together beside that of the chosen fish.
    family_names, kind_names : tuple of str
        Names for messages.
    """

    kinship: FloatArray
    self_kinship: FloatArray
    family: BigIntArray
    available: BigIntArray
    number: int
    sex: BigIntArray
    least: BigIntArray
    most: BigIntArray
    families: FamilyRules
    rules: tuple[Rule, ...]
    living: float
    living_kinship: FloatArray
    living_mean: float
    living_weight: float
    family_names: tuple[str, ...] = field(default=())
    kind_names: tuple[str, ...] = field(default=())

    @property
    def n_kinds(self) -> int:
        """Number of kinds."""
        return len(self.family)

    @property
    def n_families(self) -> int:
        """Number of families."""
        return len(self.kinship)

    @classmethod
    def make(
        cls,
        kinship: npt.ArrayLike,
        self_kinship: npt.ArrayLike,
        family: npt.ArrayLike,
        available: npt.ArrayLike,
        number: int,
        *,
        sex: npt.ArrayLike | None = None,
        least: npt.ArrayLike | None = None,
        most: npt.ArrayLike | None = None,
        families: FamilyRules | None = None,
        rules: tuple[Rule, ...] = (),
        living: float = 0.0,
        living_kinship: npt.ArrayLike | None = None,
        living_mean: float = 0.0,
        living_weight: float = 0.0,
        family_names: tuple[str, ...] | None = None,
        kind_names: tuple[str, ...] | None = None,
    ) -> SelectionData:
        """Check everything and fill in what was left out; parameters are those of the class.

        Raises
        ------
        ShapeError
            If an array has another shape.
        ValueRangeError
            If there is no fish to choose from, a number is negative or not finite, or a family, sex or weight is
            outside its range.
        """
        K = np.asarray(kinship, dtype=np.float64)
        own = np.asarray(self_kinship, dtype=np.float64)
        of = np.asarray(family, dtype=np.int64)
        there = np.asarray(available, dtype=np.int64)
        if K.ndim != 2 or K.shape[0] != K.shape[1] or own.shape != (len(K),):
            raise ShapeError(
                f"kinship of families: found shapes {K.shape} and {own.shape}. Expected (n, n) and (n,)."
            )
        n_kinds, n_families = len(of), len(K)
        if n_kinds == 0 or there.sum() == 0:
            raise ValueRangeError(
                "candidates: found none. Expected at least one fish to choose from. Check the stock and what was "
                "left out."
            )
        if not (np.isfinite(K).all() and np.isfinite(own).all()):
            raise ValueRangeError(
                "kinship of families: found a value that is not a number. Expected kinships."
            )
        if not np.allclose(K, K.T, atol=1e-9):
            raise ShapeError(
                "kinship of families: found f(i, j) other than f(j, i). Expected a symmetric matrix."
            )
        if (of < 0).any() or (of >= n_families).any():
            raise ValueRangeError(f"family of a kind: found {of.tolist()}. Expected 0 to {n_families - 1}.")
        low = np.zeros(n_kinds, np.int64) if least is None else np.asarray(least, dtype=np.int64)
        high = there.copy() if most is None else np.asarray(most, dtype=np.int64)
        sexes = np.full(n_kinds, UNKNOWN_SEX, np.int64) if sex is None else np.asarray(sex, dtype=np.int64)
        near = (
            np.zeros(n_families) if living_kinship is None else np.asarray(living_kinship, dtype=np.float64)
        )
        for name, values, wanted in (
            ("available", there, n_kinds),
            ("least", low, n_kinds),
            ("most", high, n_kinds),
            ("sex", sexes, n_kinds),
            ("living kinship", near, n_families),
            *((f"rule {r.words!r}", r.factors, n_kinds) for r in rules),
        ):
            if values.shape != (wanted,):
                raise ShapeError(f"{name}: found shape {values.shape}. Expected ({wanted},).")
        if (there < 0).any() or (low < 0).any() or (high < 0).any():
            raise ValueRangeError("numbers of fish: found a negative number. Expected 0 or more.")
        if number < 1:
            raise ValueRangeError(f"fish to choose: found {number}. Expected at least 1.")
        if not np.isin(sexes, (FEMALE, MALE, UNKNOWN_SEX)).all():
            raise ValueRangeError("sex: found another code. Expected 0 female, 1 male, -1 unknown.")
        if not 0 <= living_weight <= 1 or not living >= 0 or not np.isfinite(near).all():
            raise ValueRangeError(
                f"living group: found {living} fish with weight {living_weight}. Expected 0 or more fish and a "
                "weight from 0 to 1."
            )
        per = families or FamilyRules()
        if per.least < 0 or per.most < 0 or per.families < 0:
            raise ValueRangeError(f"family rules: found {per}. Expected no negative number.")
        return cls(
            (K + K.T) / 2,
            own,
            of,
            there,
            int(number),
            sexes,
            low,
            np.minimum(high, there),
            per,
            tuple(rules),
            float(living),
            near,
            float(living_mean),
            float(living_weight) if living > 0 else 0.0,
            family_names or tuple(f"family {i + 1}" for i in range(n_families)),
            kind_names or tuple(f"kind {i + 1}" for i in range(n_kinds)),
        )

    @classmethod
    def of_fish(cls, kinship: npt.ArrayLike, number: int, **options: object) -> SelectionData:
        """Return the choice among single fish with a kinship matrix (self-kinship on its diagonal).

        Other parameters and errors are those of `make`.
        """
        K = np.asarray(kinship, dtype=np.float64)
        n = len(K)
        own = np.diag(K) if K.ndim == 2 else np.zeros(n)
        return cls.make(K, own, np.arange(n), np.ones(n, np.int64), number, **options)  # type: ignore[arg-type]

    def family_numbers(self, numbers: npt.ArrayLike) -> FloatArray:
        """Return fish per family, shape (n_families,), from fish per kind."""
        given = np.asarray(numbers, dtype=np.float64)
        return np.asarray(
            np.bincount(self.family, weights=given, minlength=self.n_families), dtype=np.float64
        )


def kept_kinship(data: SelectionData, numbers: npt.ArrayLike) -> float:
    """Return the mean kinship of the chosen fish, self pairs in.

    Parameters
    ----------
    data : SelectionData
        Kinds of fish.
    numbers : array_like, shape (n_kinds,)
        Fish of each kind, at least one in all.

    Returns
    -------
    float
        ``(t'Kt + sum_f t_f (s_f - K_ff)) / N**2`` with t the fish per family and s their self-kinship: the mean
        over all N x N ordered pairs (Lacy 1995, Zoo Biology 14, 565-577).
    """
    t = data.family_numbers(numbers)
    return _pair_sum(data, t) / float(t.sum()) ** 2


def joint_kinship(data: SelectionData, numbers: npt.ArrayLike) -> float:
    """Return the mean kinship, self pairs in, of the chosen fish and the living group together."""
    t = data.family_numbers(numbers)
    between = data.living * float(t @ data.living_kinship)
    total = _pair_sum(data, t) + 2 * between + data.living**2 * data.living_mean
    return total / (float(t.sum()) + data.living) ** 2


def objective(data: SelectionData, numbers: npt.ArrayLike) -> float:
    """Return what is made small: kinship of the chosen fish, and of all together by its weight."""
    w = data.living_weight
    value = (1 - w) * kept_kinship(data, numbers)
    return value + w * joint_kinship(data, numbers) if w > 0 else value


def _pair_sum(data: SelectionData, t: FloatArray) -> float:
    return float(t @ data.kinship @ t + t @ (data.self_kinship - np.diag(data.kinship)))
