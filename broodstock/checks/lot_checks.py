"""Checks of lots: complete events, mass balance, names, days, unexpected families, load of units."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

import numpy as np
import pandas as pd

from broodstock.checks.records import CheckInput, day, file_of, mapped, report
from broodstock.findings import Findings, Place
from broodstock.lots.composition import balance_totals, follow, in_time
from broodstock.lots.ledger import Difference, Ledger
from broodstock.lots.mixture import MixtureOptions
from broodstock.lots.records import closed_lots, family_numbers, moves_of, what_is_missing

_FEW = MixtureOptions(100)


def check_lot_events(records: CheckInput, findings: Findings) -> None:
    """Check that every event of a lot says what its kind needs."""
    moves = records.tables["group_moves"]
    missing = [what_is_missing({str(k): v for k, v in r.items()}) for r in moves.to_dict("records")]
    words = dict(zip(moves.index, missing, strict=True))
    report(
        findings,
        "lot-event-incomplete",
        moves,
        np.array([bool(w) for w in missing], dtype=bool),
        "kind",
        lambda r: f"a {r['kind'] or 'nameless'} event '{r['move_id']}' with {words[r.name]}",  # type: ignore[index]
        "an event that says from where, to where and how many",
        "Complete the row; until then the event is left out of the balance of its lot.",
    )


def check_lot_balance(records: CheckInput, findings: Findings) -> None:
    """Check that the fish of a lot add up: what came in, what left, what died, what was counted."""
    moves = records.tables["group_moves"]
    if moves.empty:
        return
    ledger = balance_totals(moves_of(moves), records.today, closed_lots(records.tables["lots"]))
    for d in ledger.differences:
        _report_difference(d, records, findings)


def _report_difference(d: Difference, records: CheckInput, findings: Findings) -> None:
    moves, lots = records.tables["group_moves"], records.tables["lots"]
    where = Place(file_of(moves, "group_moves"), d.row, "number")
    name = f"lot '{d.lot}'" if d.lot else "the place"
    sure = f"standard error {d.standard_error:.0f}"
    if d.kind == "more-out":
        findings.add(
            "lot-more-out-than-in",
            where,
            f"{d.found:.0f} fish out of {name}, {d.found - d.expected:.0f} more than came in ({sure})",
            f"at most {d.expected:.0f} fish out",
            "Count again; fish of another lot may have been mixed in, or an event is missing.",
            "warning",
        )
    elif d.kind == "empty":
        findings.add(
            "lot-empty-moved",
            where,
            f"{d.found:.0f} fish of {name} on {day(d.on)}, which holds none there",
            "an event before it that brings the fish there",
            "Correct the lot, the place or the day, or add the event that is missing.",
            "warning",
        )
    elif d.kind == "closed":
        findings.add(
            "lot-loss-unexplained",
            Place(file_of(lots, "lots"), d.row, "closed_on"),
            f"{d.expected:.0f} fish that {name} should still hold on {day(d.on)}, when it was closed ({sure})",
            "no fish left, within the errors of the counts",
            "Add the deaths or moves that are missing, or count again.",
            "warning",
        )
    else:
        less = d.kind == "loss"
        findings.add(
            "lot-loss-unexplained" if less else "lot-count-too-high",
            where,
            f"{d.found:.0f} fish counted in {name}, {abs(d.found - d.expected):.0f} "
            f"{'fewer' if less else 'more'} than expected ({sure})",
            f"about {d.expected:.0f} fish",
            "Look for deaths, escapes or moves that were not entered, or count again."
            if less
            else "Count again; fish of another lot may have been mixed in, or an event is missing.",
            "warning",
        )


def check_lot_names(records: CheckInput, findings: Findings) -> None:
    """Check that the name of a lot is not used again for fish of another year class."""
    lots, moves, families = (records.tables[n] for n in ("lots", "group_moves", "families"))
    year, of_family = (
        {str(name): int(y) for name, y in zip(frame[key], frame["year_class"], strict=True) if not pd.isna(y)}
        for frame, key in ((lots, "lot_id"), (families, "family_id"))
    )
    entered = moves[moves["kind"].eq("in") & moves["to_lot"].isin(year)]

    def other_years(r: pd.Series) -> list[str]:
        names = [str(r["family"])] if r["family"] else []
        if not what_is_missing({str(k): v for k, v in r.items()}):
            names += list(family_numbers(str(r["family_numbers"])))
        own = year[r["to_lot"]]
        return [n for n in names if of_family.get(n, own) != own]

    wrong = np.array([bool(other_years(r)) for _, r in entered.iterrows()], dtype=bool)
    report(
        findings,
        "lot-name-reused",
        entered,
        wrong,
        "to_lot",
        lambda r: (
            f"family '{other_years(r)[0]}' of year class {of_family[other_years(r)[0]]} put in lot '{r['to_lot']}' "
            f"of year class {year[r['to_lot']]}"
        ),
        "a lot of the same year class",
        "Give the new fish a lot of their own with a new name, or correct the year class.",
    )
    plain = lots["lot_id"].str.upper().str.replace(r"[^0-9A-Z]", "", regex=True)
    report(
        findings,
        "lot-name-reused",
        lots,
        plain.ne("") & plain.duplicated(),
        "lot_id",
        lambda r: f"lot '{r['lot_id']}', written almost like another lot",
        "names that nobody confuses",
        "Rename one of them, or join them when they are one lot.",
    )


def check_lot_days(records: CheckInput, findings: Findings) -> None:
    """Check that the events of a lot lie between its opening and its closing."""
    lots, moves = records.tables["lots"], records.tables["group_moves"]
    opened = dict(zip(lots["lot_id"], lots["opened_on"], strict=True))
    closed = dict(zip(lots["lot_id"], lots["closed_on"], strict=True))
    for column in ("from_lot", "to_lot"):
        early = moves["happened_on"] < mapped(moves[column], opened, "datetime64[ns]")
        late = moves["happened_on"] > mapped(moves[column], closed, "datetime64[ns]")
        report(
            findings,
            "lot-not-open",
            moves,
            early | late,
            column,
            lambda r, c=column: (  # type: ignore[misc]
                f"an event on {day(r['happened_on'])} of lot '{r[c]}', open from {day(opened[r[c]])}"
                + ("" if pd.isna(closed[r[c]]) else f" to {day(closed[r[c]])}")
            ),
            "a day on which the lot is open",
            "Correct the day or the lot; a name is never used again for other fish.",
        )


def check_lot_families(records: CheckInput, findings: Findings) -> None:
    """Check that DNA finds no family in a lot where the records put none."""
    moves = records.tables["group_moves"]
    if not moves["kind"].eq("dna-sample").any():
        return
    for s in follow(moves_of(moves), records.today, _FEW).surprises:
        if not s.stranger:
            continue
        findings.add(
            "lot-family-unexpected",
            Place(file_of(moves, "group_moves"), s.move.row, "family_numbers"),
            f"{s.number:.0f} fish of family '{s.family}' in the DNA sample of {s.move.lot or s.move.place}",
            "families that the records brought there",
            "Look for a mix-up of fish or of samples, or add the event that brought them.",
            "warning",
        )


def check_lots_told_apart(records: CheckInput, findings: Findings) -> None:
    """Check that a lot of several families says how they can be told apart."""
    lots, moves = records.tables["lots"], records.tables["group_moves"]
    families: dict[str, set[str]] = defaultdict(set)
    came = moves[moves["kind"].eq("in")]
    for r in came.to_dict("records"):
        cells = {str(k): v for k, v in r.items()}
        if not what_is_missing(cells):
            families[cells["to_lot"]] |= set(family_numbers(cells["family_numbers"])) | {cells["family"]} - {
                ""
            }
    report(
        findings,
        "lot-families-not-told-apart",
        lots,
        lots["told_apart"].eq("")
        & pd.Series([len(families[x]) > 1 for x in lots["lot_id"]], lots.index, dtype=bool),
        "told_apart",
        lambda r: f"an empty cell for lot '{r['lot_id']}' of {len(families[r['lot_id']])} families",
        "marks, parent-dna, or not",
        "Say how its families can be told apart: by marks, by DNA with all parents sampled, or not at all.",
        "note",
    )


def check_unit_load(records: CheckInput, findings: Findings) -> None:
    """Check that lots never put more fish into a unit than its capacity."""
    moves, units = records.tables["group_moves"], records.tables["units"]
    if moves.empty or units.empty:
        return
    room = {
        u: int(c) for u, c in zip(units["unit_id"], units["capacity_fish"], strict=True) if not pd.isna(c)
    }
    for unit, (row, on, number) in _first_overload(records, room).items():
        findings.add(
            "unit-over-capacity",
            Place(file_of(moves, "group_moves"), row, "to_unit"),
            f"{number:.0f} fish of lots in unit '{unit}' from {on.isoformat()}",
            f"at most {room[unit]} fish",
            "Move fish, or correct the numbers or the capacity.",
            "warning",
        )


def _first_overload(records: CheckInput, room: dict[str, int]) -> dict[str, tuple[int, dt.date, float]]:
    """Return row, day and fish of the first day that overfills each unit beyond the errors of the counts."""
    out: dict[str, tuple[int, dt.date, float]] = {}
    ledger = Ledger()
    filled: dict[str, int] = {}
    moves = in_time(moves_of(records.tables["group_moves"]), records.today)
    for move, after in zip(moves, [*moves[1:], None][: len(moves)], strict=True):
        for part in ledger.by_lot(move):
            ledger.apply(part)
        if move.target is not None and move.target.kind == "unit":
            filled[move.target.place] = move.row
        if after is not None and after.on == move.on:
            continue
        for unit, row in filled.items():
            if unit in room and unit not in out:
                inside = [i for i, p in enumerate(ledger.pools) if p.kind == "unit" and p.place == unit]
                number, error = ledger.total(inside)
                if number - 2.0 * error > room[unit]:
                    out[unit] = (row, move.on, number)
        filled = {}
    return out
