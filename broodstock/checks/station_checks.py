"""Checks of the station: units, holds, counts of dishes and families, certificates and permits."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd

from broodstock.checks.records import ALIVE, CheckInput, day, dicts, file_of, lookup, mapped, report
from broodstock.findings import Findings, Place

STAGES = ("eggs", "fertilised", "hatched", "swim_up", "kept")
"""Counts of a dish in order; none is larger than one before it."""


def check_one_unit_per_fish(records: CheckInput, findings: Findings) -> None:
    """Check that a fish is in one unit."""
    fish, stock = records.tables["fish"], records.tables["stock"]
    here = fish[fish["tag"].ne("") & fish["unit"].ne("") & fish["status"].isin(ALIVE)]
    unit = dict(zip(here["tag"], here["unit"], strict=True))
    row = dict(zip(here["tag"], here.index, strict=True))
    other = pd.Series([unit.get(t, "") for t in stock["tag"]], index=stock.index, dtype=object)
    report(
        findings,
        "fish-two-units",
        stock,
        other.ne("") & stock["unit"].ne("") & other.ne(stock["unit"]),
        "unit",
        lambda r: f"tag '{r['tag']}' in unit '{r['unit']}' and in unit '{unit[r['tag']]}'",
        "a fish in one unit",
        "Look where the fish is and correct the other table.",
        others=lambda r: [Place(file_of(fish, "fish"), int(row[r["tag"]]), "unit")],
    )
    again = stock["tag"].ne("") & stock.duplicated("tag")
    first = stock[stock["tag"].ne("") & ~stock.duplicated("tag")]
    unit_first = dict(zip(first["tag"], first["unit"], strict=True))
    report(
        findings,
        "fish-two-units",
        stock,
        again
        & stock["unit"].ne(
            pd.Series([unit_first.get(t, "") for t in stock["tag"]], index=stock.index, dtype=object)
        ),
        "unit",
        lambda r: f"tag '{r['tag']}' in unit '{r['unit']}' and in unit '{unit_first[r['tag']]}'",
        "a fish in one unit",
        "Look where the fish is and delete the other row.",
    )


def check_gone_fish_have_no_unit(records: CheckInput, findings: Findings) -> None:
    """Check that a fish that is dead, lost or released lives in no unit."""
    fish = records.tables["fish"]
    report(
        findings,
        "gone-fish-in-unit",
        fish,
        fish["status"].isin(["dead", "lost", "released"]) & fish["unit"].ne(""),
        "unit",
        lambda r: f"unit '{r['unit']}' for '{r['fish_id']}', status {r['status']}",
        "an empty cell",
        "Correct the status or empty the unit.",
    )


def check_capacity(records: CheckInput, findings: Findings) -> None:
    """Check that no unit holds more fish than its capacity."""
    units, stock, fish = records.tables["units"], records.tables["stock"], records.alive_fish
    counted: Counter[str] = Counter(fish.loc[fish["unit"].ne(""), "unit"])
    twice = set(fish["tag"]) - {""}
    counted.update(stock.loc[stock["unit"].ne("") & ~stock["tag"].isin(twice), "unit"])
    number = pd.Series([counted.get(u, 0) for u in units["unit_id"]], index=units.index, dtype="int64")
    report(
        findings,
        "unit-over-capacity",
        units,
        (number > units["capacity_fish"]).fillna(False).astype(bool),
        "capacity_fish",
        lambda r: f"{counted[r['unit_id']]} fish in unit '{r['unit_id']}'",
        lambda r: f"at most {r['capacity_fish']} fish",
        "Move fish, or correct the units of the fish or the capacity.",
    )


def check_hold_subjects(records: CheckInput, findings: Findings) -> None:
    """Check that a hold names a fish, family or unit that exists."""
    holds = records.tables["holds"]
    names = {
        "fish": set(records.tables["fish"]["fish_id"]) | set(records.tables["stock"]["stock_id"]),
        "family": set(records.tables["families"]["family_id"]),
        "unit": set(records.tables["units"]["unit_id"]),
    }
    there = np.array(
        [s in names.get(k, ()) for s, k in zip(holds["subject"], holds["subject_kind"], strict=True)],
        dtype=bool,
    )
    report(
        findings,
        "hold-subject-unknown",
        holds,
        holds["subject"].ne("") & holds["subject_kind"].ne("") & ~there,
        "subject",
        lambda r: f"{r['subject_kind']} '{r['subject']}'",
        lambda r: f"a {r['subject_kind']} of the records",
        "Correct the name: until then the hold stops nothing.",
    )


def check_counts_of_dishes(records: CheckInput, findings: Findings) -> None:
    """Check that the counts of a dish fall from eggs to hatch, swim-up and fry kept."""
    crosses = records.tables["crosses"]
    for i, later in enumerate(STAGES[1:], start=1):
        for earlier in STAGES[:i]:
            between = STAGES[STAGES.index(earlier) + 1 : i]
            gap = (
                np.all([crosses[b].isna() for b in between], axis=0)
                if between
                else np.ones(len(crosses), bool)
            )
            report(
                findings,
                "counts-increase",
                crosses,
                ((crosses[later] > crosses[earlier]).fillna(False).astype(bool)) & gap,
                later,
                lambda r, b=later, a=earlier: f"{b} {r[b]} after {a} {r[a]}",  # type: ignore[misc]
                lambda r, a=earlier: f"at most {r[a]}",  # type: ignore[misc]
                "Count again; fish of another dish may have been mixed in.",
            )


def check_family_balance(records: CheckInput, findings: Findings) -> None:
    """Check that a family has no more tagged fish than fry were kept of it."""
    crosses, families = records.tables["crosses"], records.tables["families"]
    known = crosses[crosses["family"].ne("") & crosses["kept"].notna()]
    unknown = set(crosses.loc[crosses["family"].ne("") & crosses["kept"].isna(), "family"])
    kept: Counter[str] = Counter()
    for family, number in zip(known["family"], known["kept"], strict=True):
        kept[family] += int(number)
    takes = records.tables["larval_takes"]
    for family, number in zip(takes["family"], takes["number"], strict=True):
        if family and not pd.isna(number):
            kept[family] += int(number)
    used: Counter[str] = Counter()
    seen: set[str] = set()
    for name in ("releases", "stock"):
        for family, tag in zip(records.tables[name]["family"], records.tables[name]["tag"], strict=True):
            if family and tag and tag not in seen:
                seen.add(tag)
                used[family] += 1
    number = pd.Series([used.get(f, 0) for f in families["family_id"]], index=families.index)
    most = pd.Series([kept.get(f, -1) for f in families["family_id"]], index=families.index)
    report(
        findings,
        "family-more-than-kept",
        families,
        (number > most) & (most >= 0) & ~families["family_id"].isin(unknown),
        "family_id",
        lambda r: f"{used[r['family_id']]} tagged fish of '{r['family_id']}'",
        lambda r: f"at most {kept[r['family_id']]}, the young that were kept",
        "Check the family of the fish and the counts of the dishes.",
    )


def check_certificates(records: CheckInput, findings: Findings) -> None:
    """Check that stock stands in units whose health certificate is valid on the day of release."""
    certificates, stock = records.tables["certificates"], records.tables["stock"]
    when = records.release_day()
    here = Counter(stock.loc[stock["unit"].ne(""), "unit"])
    latest = certificates.sort_values("valid_until", kind="stable").drop_duplicates("unit", keep="last")
    latest = latest[latest["unit"].isin(here)]
    words = f"a certificate valid on {day(when)}"
    report(
        findings,
        "certificate-expired",
        latest,
        latest["valid_until"] < when,
        "valid_until",
        lambda r: (
            f"'{r['certificate_id']}' of unit '{r['unit']}' ({here[r['unit']]} fish), valid until {day(r['valid_until'])}, "
            f"{(when - r['valid_until']).days} day(s) too short"
        ),
        words,
        "Have the unit inspected before its fish move.",
    )
    report(
        findings,
        "certificate-not-clear",
        latest,
        latest["result"].isin(["not-clear", "pending"]) & (latest["valid_until"] >= when),
        "result",
        lambda r: (
            f"'{r['certificate_id']}' of unit '{r['unit']}' ({here[r['unit']]} fish), result {r['result']}"
        ),
        "result clear",
        "The fish of this unit stay until the health officer clears them.",
    )
    if certificates.empty:
        return
    for unit in sorted(set(here) - set(certificates["unit"])):
        row = int(stock.index[stock["unit"] == unit][0])
        findings.add(
            "certificate-missing",
            Place(file_of(stock, "stock"), row, "unit"),
            f"{here[unit]} fish in unit '{unit}', which has no certificate",
            words,
            "Have the unit inspected, or add its certificate.",
            "warning",
        )


def check_permits(records: CheckInput, findings: Findings) -> None:
    """Check that no permit is used beyond its number, and nothing is done outside its days."""
    permits = records.tables["permits"]
    report(
        findings,
        "permit-exceeded",
        permits,
        (permits["used"] > permits["limit_number"]).fillna(False).astype(bool),
        "used",
        lambda r: (
            f"{r['used']} used, {r['used'] - r['limit_number']} more than the limit of '{r['permit_id']}'"
        ),
        lambda r: f"at most {r['limit_number']}",
        "Stop this activity and call the office that issued the permit.",
    )
    for activity in ("collect-larvae", "release", "spawn"):
        rows = dicts(permits[permits["activity"] == activity])
        if not rows:
            continue
        events = _events(records, activity)
        for row in rows:
            if _overlaps(row, rows) or pd.isna(row["limit_number"]):
                continue
            inside = events[(events["when"] >= row["valid_from"]) & (events["when"] <= row["valid_until"])]
            counted = int(inside["fish"].nunique() if activity == "spawn" else inside["number"].sum())
            _compare_tally(row, counted, not events.empty, permits, findings)
        _outside_permits(events, rows, activity, findings)


def _events(records: CheckInput, activity: str) -> pd.DataFrame:
    """Return days, numbers and places of what a permit counts."""
    if activity == "collect-larvae":
        frame, column, name = records.tables["larval_takes"], "collected_on", "larval_takes"
        number = frame["number"].fillna(0).astype("int64")
        fish = pd.Series("", index=frame.index, dtype=object)
    elif activity == "release":
        frame, column, name = records.tables["releases"], "released_on", "releases"
        number, fish = pd.Series(1, index=frame.index), frame["tag"]
    else:
        frame, column, name = records.tables["crosses"], "made_on", "crosses"
        number, fish = pd.Series(1, index=frame.index), frame["dam"]
    out = pd.DataFrame({"when": frame[column], "number": number, "fish": fish})
    out.attrs |= {"file": file_of(frame, name), "column": column}
    return out


def _overlaps(row: dict[str, Any], rows: list[dict[str, Any]]) -> bool:
    """Return True when another permit of the same activity holds on some of the same days."""
    return any(
        o["row"] != row["row"]
        and o["valid_from"] <= row["valid_until"]
        and row["valid_from"] <= o["valid_until"]
        for o in rows
    )


def _compare_tally(
    row: dict[str, Any], counted: int, any_event: bool, permits: pd.DataFrame, findings: Findings
) -> None:
    """Compare the number in use with what the records hold; without any event there is nothing to compare."""
    limit, used = int(row["limit_number"]), row["used"]
    where = Place(file_of(permits, "permits"), row["row"], "used")
    if counted > limit and (pd.isna(used) or int(used) <= limit):
        findings.add(
            "permit-exceeded",
            where,
            f"{counted} in the records, {counted - limit} more than the limit of '{row['permit_id']}'",
            f"at most {limit}",
            "Stop this activity and call the office that issued the permit.",
            "warning",
        )
    elif not pd.isna(used) and counted != int(used) <= limit and any_event:
        findings.add(
            "permit-tally-differs",
            where,
            f"{int(used)} used, {counted} in the records",
            "the same number",
            "Find the events that are missing or counted twice.",
            "note",
        )


def _outside_permits(
    events: pd.DataFrame, rows: list[dict[str, Any]], activity: str, findings: Findings
) -> None:
    """Report days on which an activity was done without a valid permit."""
    covered = np.zeros(len(events), dtype=bool)
    first = min(r["valid_from"] for r in rows)
    for row in rows:
        covered |= ((events["when"] >= row["valid_from"]) & (events["when"] <= row["valid_until"])).to_numpy()
    # Days before the first permit in the table are history whose permits were not entered.
    outside = ~covered & (events["when"] > first).to_numpy()
    days = events[outside].drop_duplicates("when")
    report(
        findings,
        "permit-not-valid",
        days,
        np.ones(len(days), dtype=bool),
        str(events.attrs["column"]),
        lambda r: f"{day(r['when'])}, on which no permit for {activity} is valid",
        "a day covered by a permit",
        "Correct the day, or add the permit.",
    )


def check_stock_is_here(records: CheckInput, findings: Findings) -> None:
    """Check that fish of the stock have not been released already."""
    stock, releases = records.tables["stock"], records.tables["releases"]
    when = lookup(releases, "tag", "released_on")
    out = mapped(stock["tag"], when, "datetime64[ns]")
    report(
        findings,
        "stock-already-released",
        stock,
        stock["tag"].ne("") & stock["tag"].isin(when) & (out <= records.today_stamp),
        "tag",
        lambda r: f"tag '{r['tag']}', released on {day(when[r['tag']])}",
        "a fish that is still here",
        "Take the fish out of the stock, or correct the code of the release.",
    )
