"""Checks of days: spans that end before they begin, days to come, events in an impossible order, year classes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodstock.checks.records import CheckInput, day, dicts, file_of, lookup, mapped, report
from broodstock.findings import Findings, Place

SPANS = (
    ("identifiers", "from_date", "to_date"),
    ("holds", "from_date", "until_date"),
    ("ripeness", "window_start", "window_end"),
    ("certificates", "issued_on", "valid_until"),
    ("permits", "valid_from", "valid_until"),
    ("deployments", "from_time", "to_time"),
    ("fish", "hatched_on", "entered_on"),
    ("fish", "hatched_on", "status_on"),
    ("fish", "hatched_on", "measured_on"),
    ("stock", "tagged_on", "gone_on"),
)
"""Tables with two days of which the second is never before the first."""
PAST = (
    ("fish", "hatched_on"),
    ("fish", "entered_on"),
    ("fish", "status_on"),
    ("fish", "measured_on"),
    ("families", "made_on"),
    ("crosses", "made_on"),
    ("stock", "measured_on"),
    ("stock", "tagged_on"),
    ("stock", "gone_on"),
    ("samples", "collected_on"),
    ("releases", "released_on"),
    ("captures", "captured_on"),
    ("scans", "scanned_at"),
    ("larval_takes", "collected_on"),
    ("ripeness", "checked_on"),
    ("frozen_milt", "frozen_on"),
    ("sites", "surveyed_on"),
    ("residents", "counted_on"),
    ("parent_claims", "made_on"),
)
"""Days of things that have happened."""


def check_spans(records: CheckInput, findings: Findings) -> None:
    """Check that a span of days ends on or after its first day."""
    for name, start, end in SPANS:
        frame = records.tables[name]
        report(
            findings,
            "span-reversed",
            frame,
            frame[end] < frame[start],
            end,
            lambda r, e=end: day(r[e]),  # type: ignore[misc]
            lambda r, s=start: f"a day not before {s} ({day(r[s])})",  # type: ignore[misc]
            "Correct the day that is wrong.",
        )


def check_days_to_come(records: CheckInput, findings: Findings) -> None:
    """Check that nothing that has happened bears a day after today."""
    end = records.today_stamp + pd.Timedelta(days=1)
    for name, column in PAST:
        frame = records.tables[name]
        report(
            findings,
            "day-to-come",
            frame,
            frame[column] >= end,
            column,
            lambda r, c=column: day(r[c]),  # type: ignore[misc]
            f"a day up to {records.today.isoformat()}, the day the records are read for",
            "Correct the day; day and month may be swapped.",
        )


def check_release_after_hatch(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is released or tagged before its family was made or its year class hatched."""
    families, releases, stock = (records.tables[n] for n in ("families", "releases", "stock"))
    made = lookup(families, "family_id", "made_on")
    for frame, column, code in (
        (releases, "released_on", "release-before-hatch"),
        (stock, "tagged_on", "tagging-before-hatch"),
    ):
        born = mapped(frame["family"], made, "datetime64[ns]")
        classes = frame["year_class"].astype("float64")
        # Young of a year class hatch at the earliest in the last months of the year before.
        early = (
            frame[column].dt.year + frame[column].dt.month.ge(records.limits.year_class_from_month) < classes
        )
        before = frame[column] < born
        report(
            findings,
            code,
            frame,
            before | early,
            column,
            lambda r, c=column: f"{day(r[c])}, family '{r['family']}', year class {r['year_class']}",  # type: ignore[misc]
            lambda r: (
                f"a day after the family was made ({day(made.get(r['family']))}) and its year class hatched"
            ),
            "Correct the day, the family or the year class.",
        )


def check_year_class(records: CheckInput, findings: Findings) -> None:
    """Check that the year class follows from the day of hatching by the rule, not from the calendar year."""
    families, samples = records.tables["families"], records.tables["samples"]
    for name, column, which in (
        ("larval_takes", "collected_on", None),
        ("families", "made_on", families["kind"].isin(["cross", "larval-group"])),
        ("samples", "collected_on", samples["group"].eq("larva")),
        ("fish", "hatched_on", None),
    ):
        frame = records.tables[name]
        right = expected_year_class(frame[column], records.limits.year_class_from_month)
        wrong = frame["year_class"].astype("float64").ne(right) & right.notna() & frame["year_class"].notna()
        report(
            findings,
            "year-class-mismatch",
            frame,
            wrong if which is None else wrong & which,
            "year_class",
            lambda r, c=column: f"year class {r['year_class']} with {c} {day(r[c])}",  # type: ignore[misc]
            lambda r, c=column: f"year class {_class_of(r[c], records)}",  # type: ignore[misc]
            "Young of the last months of a year belong to the next year class. Correct the year class or the day.",
        )


def expected_year_class(days: pd.Series, from_month: int) -> pd.Series:
    """Return the year class of young found on some days.

    Parameters
    ----------
    days : Series, datetime64[ns], shape (n_rows,)
        Days; NaT when not known.
    from_month : int
        Month from which young count to the class of the next calendar year.

    Returns
    -------
    Series, float64, shape (n_rows,)
        Year class; NaN when the day is not known.
    """
    return (days.dt.year + days.dt.month.ge(from_month)).where(days.notna()).astype("float64")


def _class_of(when: Any, records: CheckInput) -> int:
    stamp = pd.Timestamp(when)
    return int(stamp.year + (stamp.month >= records.limits.year_class_from_month))


def check_family_year_class(records: CheckInput, findings: Findings) -> None:
    """Check that fish of a family have the year class of the family."""
    classes = lookup(records.tables["families"], "family_id", "year_class")
    for name in ("fish", "stock", "releases", "samples"):
        frame = records.tables[name]
        expected = mapped(frame["family"], classes, "float64")
        own = frame["year_class"].astype("float64")
        report(
            findings,
            "year-class-of-family",
            frame,
            own.ne(expected) & own.notna() & expected.notna(),
            "year_class",
            lambda r: f"year class {r['year_class']} in family '{r['family']}'",
            lambda r: f"year class {classes[r['family']]}, that of the family",
            "Correct the year class or the family.",
        )
    crosses = records.tables["crosses"]
    expected = mapped(crosses["family"], classes, "float64")
    season = crosses["season"].astype("float64")
    # A dish laid down in the last months of a year belongs to the next year class.
    report(
        findings,
        "year-class-of-family",
        crosses,
        expected.notna() & ~((expected == season) | (expected == season + 1)),
        "season",
        lambda r: f"season {r['season']} for family '{r['family']}'",
        lambda r: f"the season of year class {classes[r['family']]}",
        "Correct the season or the family.",
    )
    year = crosses["made_on"].dt.year.astype("float64")
    report(
        findings,
        "season-mismatch",
        crosses,
        (year - season).abs().gt(1) & year.notna(),
        "season",
        lambda r: f"season {r['season']} with a cross made on {day(r['made_on'])}",
        "the season in which the cross was made",
        "Correct the season or the day.",
    )


def check_dead_fish(records: CheckInput, findings: Findings) -> None:
    """Check that a dead or released fish is not crossed, checked for ripeness or captured afterwards."""
    fish = records.tables["fish"]
    gone = fish[fish["status"].isin(["dead", "lost", "released"]) & fish["status_on"].notna()]
    since = dict(zip(gone["fish_id"], gone["status_on"], strict=True))
    word = dict(zip(gone["fish_id"], gone["status"], strict=True))
    rows = dict(zip(gone["fish_id"], gone.index, strict=True))
    frozen = set(records.tables["frozen_milt"]["fish_id"])
    crosses = records.tables["crosses"]
    for role in ("dam", "sire"):
        end = mapped(crosses[role], since, "datetime64[ns]")
        late = crosses["made_on"] > end
        if role == "sire":
            late &= ~crosses["sire"].isin(frozen)
        report(
            findings,
            "gone-fish-crossed",
            crosses,
            late,
            role,
            lambda r, k=role: f"'{r[k]}', {word[r[k]]} on {day(since[r[k]])}, crossed on {day(r['made_on'])}",  # type: ignore[misc]
            "a fish that was in the station on the day" + (", or frozen milt" if role == "sire" else ""),
            "Correct the fish, the day of the cross or the status.",
            others=lambda r, k=role: [Place(file_of(fish, "fish"), int(rows[r[k]]), "status_on")],  # type: ignore[misc]
        )
    ripeness = records.tables["ripeness"]
    report(
        findings,
        "gone-fish-seen",
        ripeness,
        ripeness["checked_on"] > mapped(ripeness["fish_id"], since, "datetime64[ns]"),
        "fish_id",
        lambda r: (
            f"'{r['fish_id']}', {word[r['fish_id']]} on {day(since[r['fish_id']])}, checked on {day(r['checked_on'])}"
        ),
        "a fish that was in the station on the day",
        "Correct the fish, the day or the status.",
    )
    _dead_fish_captured(records, findings)


def _dead_fish_captured(records: CheckInput, findings: Findings) -> None:
    fish, captures = records.tables["fish"], records.tables["captures"]
    dead = fish[fish["status"].eq("dead") & fish["status_on"].notna() & fish["tag"].ne("")]
    since = dict(zip(dead["tag"], dead["status_on"], strict=True))
    name = dict(zip(dead["tag"], dead["fish_id"], strict=True))
    report(
        findings,
        "gone-fish-seen",
        captures,
        captures["captured_on"] > mapped(captures["tag"], since, "datetime64[ns]"),
        "tag",
        lambda r: (
            f"tag of '{name[r['tag']]}', dead on {day(since[r['tag']])}, captured on {day(r['captured_on'])}"
        ),
        "a living fish",
        "Correct the code, the day or the status.",
    )


def check_cross_place(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is spawned in two buildings in the same minute."""
    crosses = records.tables["crosses"]
    building = lookup(records.tables["units"], "unit_id", "building")
    where = pd.Series([building.get(c, "") for c in crosses["cell"]], index=crosses.index, dtype=object)
    timed = crosses[crosses["made_at"].ne("") & where.ne("")]
    for role in ("dam", "sire"):
        seen: dict[tuple[Any, ...], dict[str, Any]] = {}
        for row in dicts(timed):
            key = (row[role], row["made_on"], row["made_at"])
            before = seen.setdefault(key, row)
            if building[before["cell"]] == building[row["cell"]]:
                continue
            findings.add(
                "two-places",
                Place(file_of(crosses, "crosses"), row["row"], role),
                f"'{row[role]}' at {row['made_at']} in '{building[row['cell']]}' and in '{building[before['cell']]}'",
                "a fish in one building at a time",
                "Correct the fish, the time or the cell.",
                "warning",
                others=[Place(file_of(crosses, "crosses"), before["row"])],
            )


def check_measured_order(records: CheckInput, findings: Findings) -> None:
    """Check that no fish of the stock was measured before its family was made."""
    stock = records.tables["stock"]
    made = lookup(records.tables["families"], "family_id", "made_on")
    born = mapped(stock["family"], made, "datetime64[ns]")
    report(
        findings,
        "tagging-before-hatch",
        stock,
        np.asarray(stock["measured_on"] < born),
        "measured_on",
        lambda r: f"{day(r['measured_on'])}, family '{r['family']}'",
        lambda r: f"a day after the family was made ({day(made.get(r['family']))})",
        "Correct the day or the family.",
    )
