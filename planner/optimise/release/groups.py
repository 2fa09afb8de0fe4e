"""Groups made from single tagged fish: one family, size class, year class, source and state of health."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.data import Groups


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
) -> FishGroups:
    """Put single fish into groups.

    Fish of one group agree in family, size class, year class, water risk and both holds. Put the lengths
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
    )
    return FishGroups(groups, group)


def _class_name(edges: np.ndarray, number: int) -> str:
    """Return a size class in words: ``below 300 mm``, ``300 to 350 mm``, ``350 mm and more``."""
    if edges.size == 0:
        return "all sizes"
    if number == 0:
        return f"below {edges[0]:g} mm"
    if number == edges.size:
        return f"{edges[-1]:g} mm and more"
    return f"{edges[number - 1]:g} to {edges[number]:g} mm"
