"""The tagged fish of today's year class, and the units of the station they and the broodfish live in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from broodstock.arrays import BigIntArray, FloatArray
from planner.demo.breeders import LossStep, hidden_losses
from planner.demo.brood import Brood
from planner.demo.hatchery import Dishes
from planner.demo.releases import weights
from planner.demo.sampling import split_in_proportion
from planner.demo.scale import Scale
from planner.demo.true_fish import TrueFish
from planner.demo.year_classes import Rearing, young_of_dish

STOCK_UNITS = ("T-01", "T-02", "T-03", "P-01", "P-02", "P-03", "P-04", "P-05", "P-06")
_UNIT_SHARES = np.array([0.07, 0.07, 0.06, 0.17, 0.17, 0.16, 0.15, 0.10, 0.05])
LENGTH_MEAN, LENGTH_SD = 338.0, 41.0


@dataclass
class Stock:
    """Fish available for release this autumn.

    Attributes
    ----------
    row : ndarray, int64
        Row in the hidden register.
    family : ndarray, object
        Family or larval group.
    unit : ndarray, object
        Tank or pond.
    length_mm, weight_g : ndarray, float64
        Measured.
    sex : ndarray, int8
        As recorded: 0, 1 or -1.
    steps : list of LossStep
        Loss of effective breeders from plan to tagged fish.
    """

    row: BigIntArray
    family: np.ndarray
    unit: np.ndarray
    length_mm: FloatArray
    weight_g: FloatArray
    sex: np.ndarray
    steps: list[LossStep]

    def __len__(self) -> int:
        return len(self.row)


def raise_stock(
    fish: TrueFish, brood: Brood, dishes: Dishes, rearing: Rearing, scale: Scale, rng: np.random.Generator
) -> Stock:
    """Raise the tagged fish of today's year class from its dishes and larval groups.

    Family sizes follow the hidden losses of `planner.demo.breeders.hidden_losses`; lengths have the stated
    mean and standard deviation exactly, with a share of the variance between families.
    """
    year = scale.last_year
    laid = np.array(dishes.of(year, with_family=False))
    worked = np.array([bool(dishes.family[i]) for i in laid])
    dams = np.unique(np.array(dishes.dam)[laid], return_inverse=True)[1]
    sires = np.unique(np.array(dishes.sire)[laid], return_inverse=True)[1]
    share, steps, pooled = hidden_losses(dams, sires, worked, scale.nb_planned, scale.nb_true, rng)
    for i in laid[pooled]:
        dishes.note[i] = "pooled with other dishes in one tank before counting; families told apart by DNA"
    # Largest remainders, so that the effective number is that of the shares; every family keeps one fish.
    numbers = split_in_proportion(share[worked], scale.stock_cross[1])
    lost = numbers == 0
    numbers[lost] = 1
    numbers[np.argmax(numbers)] -= int(lost.sum())
    dish = np.repeat(laid[worked], numbers)
    rows = young_of_dish(fish, brood, dishes, dish, rng.integers(0, 2, len(dish)), rng)
    family = np.array(dishes.family, dtype=object)[dish]
    takes, tagged = rearing.takes[year], rearing.tagged[year]
    larvae = takes.larvae[tagged]
    fish.died[larvae] = 2_000_000
    rows = np.concatenate([rows, larvae])
    family = np.concatenate([family, rearing.group_of[year][tagged]])
    order = np.argsort(family.astype(str), kind="stable")
    rows, family = rows[order], family[order]
    names, inside = np.unique(family.astype(str), return_inverse=True)
    length = rng.normal(0.0, 37.0, len(rows)) + rng.normal(0.0, 18.0, len(names))[inside]
    # By rank, so that the whole stock is normal although families differ.
    rank = np.argsort(np.argsort(length, kind="stable"), kind="stable")
    spread: FloatArray = np.asarray(special.ndtri((rank + 0.5) / len(rank)), dtype=np.float64)
    shown: FloatArray = np.rint(np.clip(LENGTH_MEAN + LENGTH_SD * spread, 150.0, 520.0)).astype(np.float64)
    unit_of = _units_of_families(np.bincount(inside), len(rows), rng)
    sexed = rng.random(len(rows)) < np.where(shown > 360.0, 0.35, 0.03)
    return Stock(
        rows,
        family,
        np.array(STOCK_UNITS, dtype=object)[unit_of[inside]],
        shown,
        weights(shown, rng),
        np.where(sexed, fish.sex[rows], -1).astype(np.int8),
        steps,
    )


def _units_of_families(sizes: BigIntArray, total: int, rng: np.random.Generator) -> BigIntArray:
    """Give each family one unit so that units fill near their shares."""
    room = _UNIT_SHARES * total
    out = np.empty(len(sizes), dtype=np.int64)
    for f in np.argsort(-sizes + rng.random(len(sizes)), kind="stable"):
        out[f] = int(np.argmax(room))
        room[out[f]] -= sizes[f]
    return out


def units_table() -> pd.DataFrame:
    """Return the tanks, ponds and cells of the station and the annex, in order of the walk."""
    rows: list[tuple[str, str, str, float, int, int]] = [
        *((f"B-{k:02d}", "Brood house", "tank", 6500.0, 20, 1) for k in range(1, 13)),
        *((f"Q-{k:02d}", "Quarantine room", "quarantine", 2200.0, 10, 2) for k in range(1, 3)),
        *((f"T-{k:02d}", "Tank hall", "tank", 2400.0, 1800, 0) for k in range(1, 41)),
        *((f"P-{k:02d}", "Pond row", "pond", 900000.0, 900, 2 if k == 5 else 1) for k in range(1, 7)),
        ("A-01", "Pellamoor Annex", "pond", 600000.0, 200, 0),
        *((f"C-{k:02d}", "Incubator room", "cell", 18.0, 12000, 0) for k in range(1, 81)),
        *((f"TR-{k}", "Truck bay", "compartment", 1200.0, 400, 1) for k in range(1, 4)),
    ]
    frame = pd.DataFrame(
        rows, columns=["unit_id", "building", "kind", "volume_l", "capacity_fish", "water_risk"]
    )
    frame.insert(3, "walk_order", np.arange(1, len(frame) + 1))
    return frame
