"""Checks of lengths and weights: units, kinds of length, condition, growth."""

from __future__ import annotations

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


def check_growth(records: CheckInput, findings: Findings) -> None:
    """Check that a fish does not shrink and does not grow faster than its kind can."""
    limits, seen = records.limits, _lengths_by_tag(records)
    if len(seen) < 2:
        return
    tag, length, when = seen["tag_number"].to_numpy(), seen["length"].to_numpy(), seen["when"].to_numpy()
    same = tag[1:] == tag[:-1]
    days = (when[1:] - when[:-1]) / np.timedelta64(1, "D")
    before, gain = length[:-1], length[1:] - length[:-1]
    shrunk = same & (gain < -limits.shrink_mm)
    share = length[1:] / before
    standard = shrunk & (share >= _STANDARD_SHARE[0]) & (share <= _STANDARD_SHARE[1]) & (days < 3 * 365)
    rate = np.where(
        before >= limits.adult_length_mm, limits.growth_adult_mm_per_year / 365.25, limits.growth_mm_per_day
    )
    fast = same & (gain > limits.shrink_mm + rate * days)
    for code, marked in (
        ("length-kind-doubtful", standard),
        ("growth-shrinking", shrunk & ~standard),
        ("growth-too-fast", fast),
    ):
        at = np.flatnonzero(marked)
        for i in at[:MAX_LISTED]:
            _report_growth(code, seen.iloc[int(i)], seen.iloc[int(i) + 1], findings)
        if len(at) > MAX_LISTED:
            findings.add(
                code,
                Place(file_of(records.tables["captures"], "captures")),
                f"{len(at) - MAX_LISTED} more of the same kind",
                "none",
                f"Only the first {MAX_LISTED} are listed.",
                "warning",
            )


def _report_growth(code: str, before: pd.Series, after: pd.Series, findings: Findings) -> None:
    """Add the finding of two lengths of one tag that do not fit."""
    shorter, longer = sorted((float(before["length"]), float(after["length"])))
    if code == "length-kind-doubtful":
        words = "It may be a standard length entered as total length."
    else:
        words = _inches(longer, shorter) or "It may be another fish, or a slip of the pen."
    findings.add(
        code,
        Place(str(after["file"]), int(after["row"]), str(after["column"])),
        f"tag '{after['tag']}', {after['length']:g} mm on {day(after['when'])} after {before['length']:g} mm on "
        f"{day(before['when'])}",
        "a length that fits the one before it",
        f"{words} Check both records.",
        "warning",
        others=[Place(str(before["file"]), int(before["row"]), str(before["column"]))],
    )


def _inches(longer: float, shorter: float) -> str:
    return "The shorter length may be in inches." if 0.8 <= shorter * INCH_MM / longer <= 1.25 else ""


def _lengths_by_tag(records: CheckInput) -> pd.DataFrame:
    """Return the total lengths of tagged fish, by tag and day."""
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
    joined = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    joined["tag_number"] = pd.factorize(joined["tag"])[0]
    order = np.lexsort((joined["row"].to_numpy(), joined["when"].to_numpy(), joined["tag_number"].to_numpy()))
    return joined.iloc[order]
