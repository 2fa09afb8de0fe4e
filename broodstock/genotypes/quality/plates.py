"""Wells whose genotype belongs to another well: shifted rows and columns, exchanged samples.

A well has an expectation when the fish it should hold was typed elsewhere, or when recorded parents of the
fish were typed. A well that misses its own expectation is compared with the expectations of all other wells of
the plate; the direction in which it fits shows what happened at the bench.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.duplicates import genotype_codes
from broodstock.genotypes.quality.false_discovery import benjamini_hochberg
from broodstock.parentage.likelihood import by_fish
from broodstock.parentage.mismatch import mismatches_of

_WELL = re.compile(r"^([A-Pa-p])0*([1-9][0-9]?)$")


@dataclass(frozen=True, slots=True)
class PlateLayout:
    """Where a sample sat and what it should look like.

    Parameters
    ----------
    sample, plate, well : str
        Well as letter and number, ``B07``.
    same_fish : tuple of str
        Other samples of the fish on record.
    dam, sire : str or None
        Samples of the recorded parents.
    """

    sample: str
    plate: str
    well: str
    same_fish: tuple[str, ...] = ()
    dam: str | None = None
    sire: str | None = None


@dataclass(frozen=True, slots=True)
class MisplacedWell:
    """A well that misses its own expectation.

    Parameters
    ----------
    plate, well, sample : str
        Where and what.
    mismatches, compared : int
        Against its own expectation.
    evidence : {'another sample of the fish', 'recorded parents'}
        What was expected.
    fits_wells : tuple of str
        Wells of the plate whose expectation it fits.
    """

    plate: str
    well: str
    sample: str
    mismatches: int
    compared: int
    evidence: str
    fits_wells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlatePattern:
    """Several misplaced wells that tell one story.

    Parameters
    ----------
    plate : str
        Plate.
    kind : {'shift', 'exchange', 'row cluster', 'column cluster'}
        What was seen.
    rows, columns : int
        For a shift: the material of a well comes from this many rows down and columns to the right.
    wells : tuple of str
        Wells concerned.
    p_value : float or None
        For clusters: chance of so many misplaced wells in that row or column, after Benjamini & Hochberg.
    sentence : str
        Words for a person.
    """

    plate: str
    kind: str
    rows: int
    columns: int
    wells: tuple[str, ...]
    p_value: float | None
    sentence: str


@dataclass(frozen=True)
class PlateCheck:
    """Misplaced wells and the patterns they form, and how many wells could be checked.

    Parameters
    ----------
    misplaced : tuple of MisplacedWell
        Wells that miss their expectation.
    patterns : tuple of PlatePattern
        Shifts, exchanges and clusters.
    n_checked : dict of str to int
        Wells with an expectation, by plate.
    """

    misplaced: tuple[MisplacedWell, ...]
    patterns: tuple[PlatePattern, ...]
    n_checked: dict[str, int]


def well_position(well: str) -> tuple[int, int]:
    """Return row and column of a well name, both from 0.

    Raises
    ------
    UsageError
        If the name is not a letter A to P and a number.
    """
    match = _WELL.match(well.strip())
    if match is None:
        raise UsageError(f"well: found {well!r}. Expected a letter from A to P and a number, as B07.")
    return ord(match.group(1).upper()) - ord("A"), int(match.group(2)) - 1


def well_name(row: int, column: int) -> str:
    """Return the name of a well from its row and column, both from 0."""
    return f"{chr(ord('A') + row)}{column + 1:02d}"


def check_plates(
    genotypes: GenotypeSet,
    layout: Sequence[PlateLayout],
    max_mismatch: float = 0.1,
    max_parent_mismatch: float = 0.05,
    min_compared: int = 10,
    min_wells: int = 3,
    level: float = 0.01,
) -> PlateCheck:
    """Check wells against their expectations and look for patterns.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of the plates and of all samples named as expectation.
    layout : sequence of PlateLayout
        One entry per well; entries whose sample is not in the set are ignored.
    max_mismatch : float
        Share of loci at which two typings of one fish may differ; wider than for duplicates, so that poor
        typing does not count as a wrong well.
    max_parent_mismatch : float
        Share of loci that may be impossible with the recorded parents.
    min_compared : int
        Loci needed for a comparison.
    min_wells : int
        Wells that make a shift.
    level : float
        False discovery rate of row and column clusters.

    Returns
    -------
    PlateCheck

    Raises
    ------
    UsageError
        If a well name cannot be read, or two samples sit in one well.

    Notes
    -----
    Expectations by recorded parents fit all sibs, so a shift inside one family stays invisible. With one
    recorded parent the test is weak; it is used only where nothing better is known.
    """
    expect = _Expectations(genotypes, max_mismatch, max_parent_mismatch, min_compared)
    plates: dict[str, dict[tuple[int, int], PlateLayout]] = {}
    for entry in layout:
        if entry.sample not in genotypes.index or not entry.plate or not entry.well:
            continue
        place = well_position(entry.well)
        wells = plates.setdefault(entry.plate, {})
        if place in wells:
            raise UsageError(
                f"plate {entry.plate!r}, well {well_name(*place)}: found samples {wells[place].sample!r} and "
                f"{entry.sample!r}. Expected one sample per well. Correct the plate map."
            )
        wells[place] = entry
    misplaced: list[MisplacedWell] = []
    patterns: list[PlatePattern] = []
    n_checked: dict[str, int] = {}
    for plate, wells in plates.items():
        checked, odd, fits = set(), [], {}
        for place, entry in sorted(wells.items()):
            seen = expect.compare(entry.sample, entry)
            if seen is None:
                continue
            checked.add(place)
            if seen[2]:
                continue
            odd.append(place)
            fits[place] = [
                other
                for other, holder in sorted(wells.items())
                if other != place and expect.fits(entry.sample, holder)
            ]
            misplaced.append(
                MisplacedWell(
                    plate,
                    well_name(*place),
                    entry.sample,
                    seen[0],
                    seen[1],
                    seen[3],
                    tuple(well_name(*x) for x in fits[place]),
                )
            )
        n_checked[plate] = len(checked)
        patterns += _shifts(plate, fits, min_wells) + _exchanges(plate, fits)
        patterns += _clusters(plate, checked, odd, level)
    return PlateCheck(tuple(misplaced), tuple(patterns), n_checked)


class _Expectations:
    """Compares a genotype with what a well should hold."""

    def __init__(
        self, genotypes: GenotypeSet, max_mismatch: float, max_parent_mismatch: float, min_compared: int
    ) -> None:
        self.index: Mapping[str, int] = genotypes.index
        self.codes = genotype_codes(genotypes)
        self.calls = by_fish(genotypes)
        self.max_mismatch, self.max_parent, self.least = max_mismatch, max_parent_mismatch, min_compared

    def compare(self, sample: str, holder: PlateLayout) -> tuple[int, int, bool, str] | None:
        """Mismatches, loci compared, fit and kind of evidence; None without evidence."""
        i = self.index[sample]
        best: tuple[int, int, bool, str] | None = None
        for other in holder.same_fish:
            j = self.index.get(other)
            if j is None or j == i:
                continue
            both = (self.codes[i] >= 0) & (self.codes[j] >= 0)
            n = int(both.sum())
            if n < self.least:
                continue
            missed = int((self.codes[i] != self.codes[j])[both].sum())
            if best is None or missed * best[1] < best[0] * n:
                best = (missed, n, missed <= self.max_mismatch * n, "another sample of the fish")
        if best is not None:
            return best
        parents = [self.index.get(name, -1) if name else -1 for name in (holder.dam, holder.sire)]
        if max(parents) < 0 or i in parents:
            return None
        missed, n = mismatches_of(self.calls, i, parents[0], parents[1])
        if n < self.least:
            return None
        return missed, n, missed <= self.max_parent * n, "recorded parents"

    def fits(self, sample: str, holder: PlateLayout) -> bool:
        """Whether a genotype fits the expectation of a well."""
        seen = self.compare(sample, holder)
        return seen is not None and seen[2]


def _shifts(
    plate: str, fits: dict[tuple[int, int], list[tuple[int, int]]], min_wells: int
) -> list[PlatePattern]:
    """Group misplaced wells by the offset to the well they fit, largest group first, each well once."""
    left = {place: list(others) for place, others in fits.items() if others}
    out = []
    while left:
        offsets = Counter((r - pr, c - pc) for (pr, pc), others in left.items() for r, c in others)
        (rows, columns), n = max(
            offsets.items(), key=lambda item: (item[1], -abs(item[0][0]) - abs(item[0][1]))
        )
        if n < min_wells:
            break
        wells = sorted(
            place for place, others in left.items() if (place[0] + rows, place[1] + columns) in others
        )
        names = tuple(well_name(*w) for w in wells)
        out.append(
            PlatePattern(
                plate,
                "shift",
                rows,
                columns,
                names,
                None,
                f"Plate {plate}: {n} wells hold the fish expected {_direction(rows, columns)} of them "
                f"({_listed(names)}).",
            )
        )
        for w in wells:
            del left[w]
    return out


def _exchanges(plate: str, fits: dict[tuple[int, int], list[tuple[int, int]]]) -> list[PlatePattern]:
    out = []
    for place, others in fits.items():
        for other in others:
            if place < other and place in fits.get(other, []) and len(others) == 1 and len(fits[other]) == 1:
                names = (well_name(*place), well_name(*other))
                out.append(
                    PlatePattern(
                        plate,
                        "exchange",
                        other[0] - place[0],
                        other[1] - place[1],
                        names,
                        None,
                        f"Plate {plate}: wells {names[0]} and {names[1]} hold each other's fish.",
                    )
                )
    return out


def _clusters(
    plate: str, checked: set[tuple[int, int]], odd: list[tuple[int, int]], level: float
) -> list[PlatePattern]:
    """Test whether the misplaced wells gather in a row or column (hypergeometric upper tail)."""
    if len(odd) < 2:
        return []
    tests = []
    for axis, kind in ((0, "row cluster"), (1, "column cluster")):
        for line in sorted({place[axis] for place in checked}):
            here = [p for p in checked if p[axis] == line]
            bad = sorted(p for p in odd if p[axis] == line)
            tests.append((kind, line, bad, _hypergeometric_tail(len(bad), len(here), len(odd), len(checked))))
    adjusted = benjamini_hochberg(np.array([t[3] for t in tests]))
    out = []
    for (kind, line, bad, _), q in zip(tests, adjusted.tolist(), strict=True):
        if q <= level and len(bad) >= 2:
            label = f"row {chr(ord('A') + line)}" if kind == "row cluster" else f"column {line + 1}"
            out.append(
                PlatePattern(
                    plate,
                    kind,
                    0,
                    0,
                    tuple(well_name(*p) for p in bad),
                    q,
                    f"Plate {plate}: {len(bad)} of the {len(odd)} wells that miss their expectation lie in {label}.",
                )
            )
    return out


def _hypergeometric_tail(k: int, drawn: int, marked: int, total: int) -> float:
    """Probability of k or more marked wells among those drawn."""
    top = min(drawn, marked)
    ways = sum(math.comb(marked, x) * math.comb(total - marked, drawn - x) for x in range(k, top + 1))
    return min(1.0, ways / math.comb(total, drawn))


def _direction(rows: int, columns: int) -> str:
    parts = []
    if rows:
        parts.append(f"{abs(rows)} row{'s' if abs(rows) > 1 else ''} {'down' if rows > 0 else 'up'}")
    if columns:
        parts.append(
            f"{abs(columns)} column{'s' if abs(columns) > 1 else ''} {'right' if columns > 0 else 'left'}"
        )
    return " and ".join(parts)


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(names) if len(names) <= 8 else f"{', '.join(names[:7])} and {len(names) - 7} more"
