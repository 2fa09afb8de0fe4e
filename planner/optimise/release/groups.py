"""Groups made from single tagged fish: one family, size class, year class, source and state of health."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.data import Groups
from planner.optimise.release.settings import SEXES, UNKNOWN_C


@dataclass(frozen=True)
class FishGroups:
    """Groups and the group of each fish.

    Parameters
    ----------
    groups : Groups
        The groups.
    group : ndarray, int64, shape (n_fish,)
        Position of the group of each fish.
    """

    groups: Groups
    group: BigIntArray


def group_fish(
    family: npt.ArrayLike,
    family_names: Sequence[str],
    length_mm: npt.ArrayLike,
    weight_g: npt.ArrayLike,
    class_edges_mm: Sequence[float],
    *,
    year_class: npt.ArrayLike = 0,
    water_risk: npt.ArrayLike = 0,
    health_hold: npt.ArrayLike = False,
    withdrawal_hold: npt.ArrayLike = False,
    other_species: npt.ArrayLike = False,
    sex_doubt: npt.ArrayLike = False,
    sex: npt.ArrayLike | None = None,
    water_c: npt.ArrayLike | None = None,
) -> FishGroups:
    """Put single fish into groups.

    Fish of one group agree in family, size class, year class, water risk, both holds, species, doubt about the sex,
    and, where these are given, in sex and temperature of their water (to a tenth of a degree). Put the lengths
    that rules use among the edges, so that a rule splits no group.

    Parameters
    ----------
    family : array_like, int, shape (n_fish,)
        Position of the family of each fish.
    family_names : sequence of str
        Names of the families.
    length_mm, weight_g : array_like, float, shape (n_fish,)
        Total length, mm, and weight, g. No missing values.
    class_edges_mm : sequence of float
        Lengths at which a new size class begins, mm, rising; a fish of exactly that length is in the
        upper class.
    year_class, water_risk : array_like, int, shape (n_fish,)
        Year class and risk rank of the water; one number stands for every fish.
    health_hold, withdrawal_hold : array_like, bool, shape (n_fish,)
        Holds; one value stands for every fish.
    other_species : array_like, bool, shape (n_fish,)
        Flagged as not the programme's species.
    sex_doubt : array_like, bool, shape (n_fish,)
        Of another sex by DNA than recorded.
    sex : array_like, str, shape (n_fish,), optional
        ``female``, ``male`` or ``unknown``. Default: fish are not told apart by sex.
    water_c : array_like, float, shape (n_fish,), optional
        Temperature of their water, degrees Celsius; -99: nobody took it. Default: not told apart.

    Returns
    -------
    FishGroups
        Groups ordered by family, size class, year class, risk and holds.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a length or weight is missing, not finite or not above 0, the edges do not rise, or a family
        does not exist.
    """
    length = np.asarray(length_mm, dtype=np.float64)
    weight = np.asarray(weight_g, dtype=np.float64)
    owner = np.asarray(family, dtype=np.int64)
    n = len(length)
    if length.shape != (n,) or weight.shape != (n,) or owner.shape != (n,):
        raise ShapeError(
            f"fish for release: found {owner.shape} families, {length.shape} lengths and {weight.shape} weights. "
            "Expected one of each per fish. Correct the list."
        )
    edges = np.asarray(class_edges_mm, dtype=np.float64)
    if (np.diff(edges) <= 0).any():
        raise ValueRangeError(
            f"size classes: found the edges {list(class_edges_mm)}. Expected rising lengths. Sort them."
        )
    for what, values in (("length_mm", length), ("weight_g", weight)):
        wrong = np.flatnonzero(~(np.isfinite(values) & (values > 0)))
        if wrong.size:
            raise ValueRangeError(
                f"fish for release, {what}, fish number {int(wrong[0])}: found {values[wrong[0]]}. "
                "Expected a number above 0. Measure the fish or leave it out."
            )
    if n and not (owner.min() >= 0 and owner.max() < len(family_names)):
        raise ValueRangeError(
            f"fish for release, family: found family numbers {owner.min()} to {owner.max()}. "
            f"Expected 0 to {len(family_names) - 1}. Add the family."
        )
    key = np.column_stack(
        [
            owner,
            np.searchsorted(edges, length, side="right"),
            np.broadcast_to(np.asarray(year_class, dtype=np.int64), (n,)),
            np.broadcast_to(np.asarray(water_risk, dtype=np.int64), (n,)),
            np.broadcast_to(np.asarray(health_hold, dtype=np.int64), (n,)),
            np.broadcast_to(np.asarray(withdrawal_hold, dtype=np.int64), (n,)),
            np.broadcast_to(np.asarray(other_species, dtype=np.int64), (n,)),
            np.broadcast_to(np.asarray(sex_doubt, dtype=np.int64), (n,)),
            _sex_numbers(sex, n),
            _tenths(water_c, n),
        ]
    )
    kinds, group = np.unique(key, axis=0, return_inverse=True)
    group = group.reshape(-1).astype(np.int64)
    number = np.bincount(group, minlength=len(kinds))
    shortest = np.full(len(kinds), np.inf)
    np.minimum.at(shortest, group, length)
    classes = [_class_name(edges, int(c)) for c in kinds[:, 1]]
    names = [
        f"{family_names[k[0]]} {c} {k[2]} rank {k[3]}{' on health hold' * k[4]}{' in withdrawal' * k[5]}"
        + f"{' of another species' * k[6]}{' of doubtful sex' * k[7]}{f' {SEXES[k[8]]}' * (sex is not None)}"
        + (f" {k[9] / 10:g} C" if water_c is not None and k[9] / 10 != UNKNOWN_C else "")
        for k, c in zip(kinds.tolist(), classes, strict=True)
    ]
    mean_length = np.bincount(group, weights=length, minlength=len(kinds)) / np.maximum(number, 1)
    mean_weight = np.bincount(group, weights=weight, minlength=len(kinds)) / np.maximum(number, 1)
    groups = Groups.make(
        names,
        kinds[:, 0],
        number,
        np.maximum(mean_length, shortest),
        shortest_mm=shortest,
        weight_g=mean_weight,
        size_class=classes,
        year_class=kinds[:, 2],
        water_risk=kinds[:, 3],
        health_hold=kinds[:, 4].astype(np.bool_),
        withdrawal_hold=kinds[:, 5].astype(np.bool_),
        other_species=kinds[:, 6].astype(np.bool_),
        sex_doubt=kinds[:, 7].astype(np.bool_),
        sex=[SEXES[k] for k in kinds[:, 8]],
        water_c=kinds[:, 9] / 10,
    )
    return FishGroups(groups, group)


def _sex_numbers(sex: npt.ArrayLike | None, n: int) -> BigIntArray:
    """Return the position of each sex among `SEXES`; unknown where sexes are not told apart."""
    words = np.full(n, "unknown", dtype=object) if sex is None else np.asarray(sex, dtype=object)
    odd = sorted({str(w) for w in words} - set(SEXES))
    if odd or words.shape != (n,):
        raise ValueRangeError(
            f"fish for release, sex: found {odd[0] if odd else words.shape!r}. Expected one of {', '.join(SEXES)} "
            "for each fish. Correct it."
        )
    return np.array([SEXES.index(str(w)) for w in words], dtype=np.int64)


def _tenths(water_c: npt.ArrayLike | None, n: int) -> BigIntArray:
    """Return temperatures in tenths of a degree."""
    values = np.asarray(UNKNOWN_C if water_c is None else water_c, dtype=np.float64)
    if not np.isfinite(values).all():
        raise ValueRangeError(
            f"fish for release, water_c: found a value that is no number. Expected degrees Celsius, or {UNKNOWN_C:g} "
            "where nobody took it."
        )
    return np.broadcast_to(np.rint(values * 10).astype(np.int64), (n,))


def _class_name(edges: np.ndarray, number: int) -> str:
    """Return a size class in words: ``below 300 mm``, ``300 to 350 mm``, ``350 mm and more``."""
    if edges.size == 0:
        return "all sizes"
    if number == 0:
        return f"below {edges[0]:g} mm"
    if number == edges.size:
        return f"{edges[-1]:g} mm and more"
    return f"{edges[number - 1]:g} to {edges[number]:g} mm"
