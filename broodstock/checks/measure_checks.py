"""Checks of lengths and weights: units, kinds of length, condition, growth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.checks.records import MAX_LISTED, CheckInput, day, file_of, report
from broodstock.findings import Findings, Place

INCH_MM = 25.4
POUND_G = 453.59237
_MEASURED = (
    ("fish", "total_length_mm"),
    ("stock", "total_length_mm"),
    ("releases", "total_length_mm"),
    ("captures", "length_mm"),
)
_STANDARD_SHARE = (0.78, 0.90)
"""Range of standard length as a share of total length. Common practice, no source."""
_ENOUGH = 20


def fulton_condition(weight_g: npt.ArrayLike, length_mm: npt.ArrayLike) -> FloatArray:
    """Return Fulton's condition factor K = 10^5 W / L^3.

    Parameters
    ----------
    weight_g : ndarray, float64, shape (n_fish,)
        Weight, g; NaN when not known.
    length_mm : ndarray, float64, shape (n_fish,)
        Length, mm; NaN when not known.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        Condition; NaN when a measure is missing.

    References
    ----------
    .. [1] Fulton (1904), The rate of growth of fishes; the factor is written for mm and g.
    """
    return np.asarray(
        1e5 * np.asarray(weight_g, dtype=np.float64) / np.asarray(length_mm, dtype=np.float64) ** 3
    )


def check_units_of_measures(records: CheckInput, findings: Findings) -> None:
    """Check that length in mm and weight in g give a plausible condition."""
    low, high = records.limits.condition_low, records.limits.condition_high
    for name, column in _MEASURED:
        frame = records.tables[name]
        length, weight = frame[column].to_numpy(), frame["weight_g"].to_numpy()
        k = fulton_condition(weight, length)
        # On fork and standard length the same fish has a higher condition.
        top = np.full(len(k), high)
        if name == "captures":
            top[frame["length_type"].isin(["FL", "SL"]).to_numpy()] = high * 1.7
        with np.errstate(invalid="ignore"):
            odd = (k < low) | (k > top)
        report(
            findings,
            "measures-implausible",
            frame,
            odd,
            column,
            lambda r, c=column: f"{r[c]:g} mm and {r['weight_g']:g} g, condition {_k(r, c):.3g}",  # type: ignore[misc]
            f"a condition (100 000 x weight / length^3) of {low:g} to {high:g}",
            lambda r, c=column: (
                f"{_unit_guess(r[c], r['weight_g'], low, high)} Correct the measure that is wrong."
            ),  # type: ignore[misc]
        )


def _k(row: pd.Series, column: str) -> float:
    return float(fulton_condition(row["weight_g"], row[column]))


def _unit_guess(length: float, weight: float, low: float, high: float) -> str:
    """Name the slips of unit that would make the condition plausible."""
    guesses = (
        (length * INCH_MM, weight, "the length in inches"),
        (length * 10, weight, "the length in cm"),
        (length, weight * 1000, "the weight in kg"),
        (length, weight * POUND_G, "the weight in pounds"),
        (length * INCH_MM, weight * POUND_G, "inches and pounds"),
        (length * 10, weight * 1000, "cm and kg"),
        (length, weight / 10, "a digit too many in the weight"),
        (length, weight * 10, "a digit missing in the weight"),
    )
    usual = [g for g in guesses if low <= fulton_condition(g[1], g[0]) <= high]
    near = [g for g in usual if 0.8 <= fulton_condition(g[1], g[0]) <= 1.6]
    fitting = [g[2] for g in near or usual][:2]
    return f"It may be {' or '.join(fitting)}." if fitting else "No slip of unit explains it."


def check_kind_of_length(records: CheckInput, findings: Findings) -> None:
    """Check that a total length is no standard length: its condition is near that of its fellows."""
    for name, column in _MEASURED:
        frame = records.tables[name]
        k = fulton_condition(frame["weight_g"].to_numpy(), frame[column].to_numpy())
        total = np.isfinite(k)
        if name == "captures":
            total &= frame["length_type"].isin(["TL", ""]).to_numpy()
        plausible = total & (np.nan_to_num(k) >= records.limits.condition_low)
        plausible &= np.nan_to_num(k) <= records.limits.condition_high
        if plausible.sum() < _ENOUGH:
            continue
        middle = float(np.median(k[plausible]))
        ratio = np.where(plausible, k / middle, 1.0)
        shortest, longest = _STANDARD_SHARE[1] ** -3, _STANDARD_SHARE[0] ** -3
        report(
            findings,
            "length-kind-doubtful",
            frame,
            (ratio >= max(shortest, 1.42)) & (ratio <= longest * 1.15),
            column,
            lambda r, c=column: f"{r[c]:g} mm and {r['weight_g']:g} g, condition {_k(r, c):.2f}",  # type: ignore[misc]
            f"a condition near {middle:.2f}, the middle of this table",
            "It may be a standard length entered as total length. Measure again, or mark the kind of length.",
        )


@dataclass(frozen=True, slots=True)
class _Measured:
    """One length of one tagged fish."""

    tag: str
    when: pd.Timestamp
    length: float
    file: str
    row: int
    column: str


def check_growth(records: CheckInput, findings: Findings) -> None:
    """Check that a fish does not shrink and does not grow faster than its kind can."""
    limits = records.limits
    listed = {"growth-shrinking": 0, "growth-too-fast": 0, "length-kind-doubtful": 0}
    for before, after in _pairs(records):
        days = (after.when - before.when).days
        gain = after.length - before.length
        if gain < -limits.shrink_mm:
            share = after.length / before.length
            standard = _STANDARD_SHARE[0] <= share <= _STANDARD_SHARE[1] and days < 3 * 365
            code = "length-kind-doubtful" if standard else "growth-shrinking"
            words = (
                "It may be a standard length entered as total length."
                if standard
                else _inches(before.length, after.length) or "It may be another fish, or a slip of the pen."
            )
        else:
            adult = before.length >= limits.adult_length_mm
            rate = limits.growth_adult_mm_per_year / 365.25 if adult else limits.growth_mm_per_day
            if gain <= limits.shrink_mm + rate * days:
                continue
            code = "growth-too-fast"
            words = _inches(after.length, before.length) or "It may be another fish, or a slip of the pen."
        listed[code] += 1
        if listed[code] > MAX_LISTED:
            continue
        findings.add(
            code,
            Place(after.file, after.row, after.column),
            f"tag '{after.tag}', {after.length:g} mm on {day(after.when)} after {before.length:g} mm on {day(before.when)}",
            "a length that fits the one before it",
            f"{words} Check both records.",
            "warning",
            others=[Place(before.file, before.row, before.column)],
        )


def _inches(longer: float, shorter: float) -> str:
    return "The shorter length may be in inches." if 0.8 <= shorter * INCH_MM / longer <= 1.25 else ""


def _pairs(records: CheckInput) -> Iterator[tuple[_Measured, _Measured]]:
    """Yield each length of a tag with the one before it, by day; suspicious steps only, to keep it fast."""
    parts = []
    for name, length, when, tag in (
        ("releases", "total_length_mm", "released_on", "tag"),
        ("captures", "length_mm", "captured_on", "tag"),
        ("stock", "total_length_mm", "measured_on", "tag"),
        ("fish", "total_length_mm", "measured_on", "tag"),
    ):
        frame = records.tables[name]
        keep = frame[tag].ne("") & frame[length].notna() & frame[when].notna()
        if name == "captures":
            keep &= frame["length_type"].isin(["TL", ""])
        if name in ("stock", "fish"):
            keep &= ~frame[tag].duplicated(keep=False)  # two fish with one tag are reported as such
        rows = frame[keep]
        parts.append(
            pd.DataFrame(
                {
                    "tag": rows[tag],
                    "when": rows[when],
                    "length": rows[length],
                    "file": file_of(frame, name),
                    "row": rows.index,
                    "column": length,
                }
            )
        )
    full = [p for p in parts if len(p)]
    if not full:
        return
    joined = pd.concat(full, ignore_index=True).sort_values(["tag", "when", "row"], kind="stable")
    tags, lengths = joined["tag"].to_numpy(), joined["length"].to_numpy()
    days = joined["when"].to_numpy()
    same = tags[1:] == tags[:-1]
    gain = lengths[1:] - lengths[:-1]
    span = (days[1:] - days[:-1]) / np.timedelta64(1, "D")
    slowest = min(records.limits.growth_adult_mm_per_year / 365.25, records.limits.growth_mm_per_day)
    shrink = records.limits.shrink_mm
    odd = same & ((gain < -shrink) | (gain > shrink + slowest * span))
    for i in np.flatnonzero(odd):
        a, b = joined.iloc[int(i)], joined.iloc[int(i) + 1]
        yield tuple(  # type: ignore[misc]
            _Measured(r["tag"], r["when"], float(r["length"]), r["file"], int(r["row"]), r["column"])
            for r in (a, b)
        )
