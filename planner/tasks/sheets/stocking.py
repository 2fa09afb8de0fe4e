"""The annual stocking table for the agency: what was released where, under which permit and certificate."""

from __future__ import annotations

import calendar
import datetime as dt
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.stocked import NO_CERTIFICATE, NO_PERMIT, NO_UNIT, stocked

NONE = "–"
TABLE_FILE = "stocking.csv"
CSV_COLUMNS = ("water", "site_id", "line", "family", "year_class", "fish", "measured", "mean_mm", "sd_mm", "least_mm",
               "greatest_mm", "first_tag", "last_tag", "tags", "first_day", "last_day", "permits", "certificates", "kg",
               "weighed")  # fmt: skip


def stocking_table(programme: Programme, asked: Asked) -> Printed:
    """Lay out the stocking table of a year.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``year`` (default the last with releases) and ``first_month`` of the year (default 1; a year that begins later is
        called by the year it ends in).

    Raises
    ------
    UsageError
        If a word makes no sense or nothing was released in that year.
    """
    month = asked.whole("first_month", 1, 1, 12)
    days = [d.date() for d in programme.tables["releases"]["released_on"].dropna()]
    moves = programme.tables["group_moves"]
    days += [d.date() for d in moves.loc[moves["kind"] == "release", "happened_on"].dropna()]
    if not days:
        raise UsageError(
            "stocking sheet: found no release on record. Expected at least one. Enter the releases first."
        )
    years = sorted({_year_of(d, month) for d in days})
    year = asked.whole("year", years[-1], 1950, 2100)
    if year not in years:
        raise UsageError(
            f"year: found {year}, in which nothing was released. Expected one of {', '.join(map(str, years))}."
        )
    first, last = _span(year, month)
    fish = stocked(programme, first, last)
    sites = {str(s.site_id): str(s.name) for s in rows(programme.tables["sites"])}
    order = {s: k for k, s in enumerate(sites)}
    detail = _lines(fish, ["site_id", "line", "family", "year_class"], order)
    summary = _lines(fish, ["site_id", "line", "year_class"], order)
    total = int(fish["number"].sum())
    span = f"{first:%d %b %Y} to {last:%d %b %Y}"
    sheet = Sheet(
        "Annual stocking table",
        " · ".join(
            x for x in (programme.settings["programme_name"], str(programme.settings["species"]), span) if x
        ),
        "",
        0,
        (
            ("Year", f"{year}: {span}"),
            ("Fish released", f"{total}; {int((fish['tag'] != '').sum())} with tags"),
            ("Waters, families", f"{fish['site_id'].nunique()}, {_families(fish)}"),
            ("Mass", _mass(fish)),
            ("Length", _length(fish)),
            (
                "Releases",
                f"{fish.groupby(['event', 'day', 'site_id']).ngroups} on {fish['day'].nunique()} days",
            ),
        ),
        (
            _summary(summary, fish, sites),
            _events(fish, sites),
            _permits(programme, fish, first, last),
            *_notes(fish),
            *_details(detail, fish, sites),
            CheckBlock(
                "Sent to the agency",
                (
                    "Compared with the release forms   by ____________   on ____________",
                    "Compared with the tally of permits   by ____________   on ____________",
                    "Sent by ____________   on ____________",
                ),
            ),
        ),
        cautions_for(("names", "privacy")),
        landscape=True,
    )
    return Printed(sheet, tables={TABLE_FILE: _csv(detail, sites)}, about=str(year))


def _year_of(day: dt.date, month: int) -> int:
    return day.year + (month > 1 and day.month >= month)


def _span(year: int, month: int) -> tuple[dt.date, dt.date]:
    """Return the first and last day of a year that begins with a month and is called by the year it ends in."""
    if month == 1:
        return dt.date(year, 1, 1), dt.date(year, 12, 31)
    end = month - 1
    return dt.date(year - 1, month, 1), dt.date(year, end, calendar.monthrange(year, end)[1])


def _lines(fish: pd.DataFrame, keys: list[str], order: dict[str, int]) -> list[dict[str, Any]]:
    """Return one line per group with numbers, lengths, tags, days, papers; no row of the fish is lost."""
    out = []
    for group, part in fish.groupby(keys, dropna=False, sort=True):
        tags = sorted(t for t in part["tag"] if t)
        mm, g = part["mm"].dropna(), part["g"].dropna()
        line: dict[str, Any] = dict(zip(keys, group, strict=True))
        line["year_class"] = "" if pd.isna(line["year_class"]) else str(int(line["year_class"]))
        out.append(
            line
            | {
                "number": int(part["number"].sum()),
                "measured": len(mm),
                "mean": float(mm.mean()) if len(mm) else None,
                "sd": float(mm.std(ddof=1)) if len(mm) > 1 else None,
                "least": float(mm.min()) if len(mm) else None,
                "greatest": float(mm.max()) if len(mm) else None,
                "tags": tags,
                "days": sorted(set(part["day"])),
                "permits": sorted(set(part["permit"])),
                "certificates": sorted(set(part["certificate"])),
                "kg": float(g.sum()) / 1000.0 if len(g) else None,
                "weighed": len(g),
            }
        )
    return sorted(out, key=lambda x: order.get(x["site_id"], len(order)))


def _mm(line: dict[str, Any]) -> str:
    """Return mean, spread and how many were measured."""
    if line["mean"] is None:
        return "not measured"
    few = "" if line["measured"] == line["number"] else f"; {line['measured']} measured"
    if line["sd"] is None:
        return f"{line['mean']:.0f} (one fish{few})"
    return f"{line['mean']:.0f} (SD {line['sd']:.0f}; {line['least']:.0f} to {line['greatest']:.0f}{few})"


def _kg(line: dict[str, Any]) -> str:
    if line["kg"] is None:
        return "not weighed"
    return f"{line['kg']:.1f}" + (
        "" if line["weighed"] == line["number"] else f" ({line['weighed']} weighed)"
    )


def _tags(line: dict[str, Any]) -> str:
    tags = line["tags"]
    if not tags:
        return "no tags"
    return tags[0] if len(tags) == 1 else f"{tags[0]} to {tags[-1]}"


def _days(line: dict[str, Any]) -> str:
    days = line["days"]
    return f"{days[0]}" if len(days) == 1 else f"{days[0]} to {days[-1]}"


def _length(fish: pd.DataFrame) -> str:
    mm = fish["mm"].dropna()
    if not len(mm):
        return "not measured"
    spread = f", SD {mm.std(ddof=1):.0f}" if len(mm) > 1 else ""
    return f"mean {mm.mean():.0f} mm{spread}, {len(mm)} measured"


def _mass(fish: pd.DataFrame) -> str:
    g = fish["g"].dropna()
    return f"{g.sum() / 1000:.1f} kg, {len(g)} weighed" if len(g) else "not weighed"


def _families(fish: pd.DataFrame) -> int:
    return int(fish.loc[~fish["family"].str.startswith(("lot ", "not known")), "family"].nunique())


def _summary(lines: list[dict[str, Any]], fish: pd.DataFrame, sites: dict[str, str]) -> TableBlock:
    table = [
        (
            sites.get(x["site_id"], x["site_id"]),
            x["line"],
            x["year_class"] or NONE,
            str(x["number"]),
            _mm(x),
            _kg(x),
            _days(x),
        )
        for x in lines
    ]
    g = fish["g"].dropna()
    kg = f"{g.sum() / 1000:.1f}" if len(g) else "not weighed"
    table.append(("All waters", "", "", str(int(fish["number"].sum())), _length(fish), kg, ""))
    filled = tuple(tuple(c or NONE for c in row) for row in table)
    return TableBlock(
        "By water, line and year class",
        (
            ColumnSpec("Water", 1.7),
            ColumnSpec("Line", 1),
            ColumnSpec("Year class", 0.8),
            ColumnSpec("Fish", 0.6, "right"),
            ColumnSpec("Mean length mm (spread; range)", 2.3, "right"),
            ColumnSpec("kg", 1.2, "right"),
            ColumnSpec("Released", 1.9),
        ),
        filled,
        note="SD: standard deviation of the fish measured at release, not the error of the mean.",
    )  # fmt: skip


def _events(fish: pd.DataFrame, sites: dict[str, str]) -> TableBlock:
    table = []
    for (day, event, site), part in fish.groupby(["day", "event", "site_id"], sort=True):
        units = sorted({u for some in part["unit"] for u in some.split(", ")})
        certificates = sorted({c for some in part["certificate"] for c in some.split(", ")})
        table.append(
            (str(day), str(event), sites.get(str(site), str(site)), str(int(part["number"].sum())), ", ".join(units),
             "; ".join(sorted(set(part["permit"]))), ", ".join(certificates))
        )  # fmt: skip
    return TableBlock(
        "Releases",
        (
            ColumnSpec("Day", 0.9),
            ColumnSpec("Release", 1),
            ColumnSpec("Water", 1.5),
            ColumnSpec("Fish", 0.5, "right"),
            ColumnSpec("From units", 1.7),
            ColumnSpec("Permit", 1.1),
            ColumnSpec("Health certificate", 2.3),
        ),
        tuple(table),
        small=True,
    )


def _permits(programme: Programme, fish: pd.DataFrame, first: dt.date, last: dt.date) -> TableBlock:
    table = programme.tables["permits"]
    mine = table[
        (table["activity"] == "release")
        & (table["valid_from"] <= pd.Timestamp(last))
        & (table["valid_until"] >= pd.Timestamp(first))
    ]
    shown = [
        (
            str(p.permit_id),
            str(p.stage) or NONE,
            f"{p.valid_from:%d %b %Y} to {p.valid_until:%d %b %Y}",
            "no limit" if pd.isna(p.limit_number) else str(int(p.limit_number)),
            str(int(fish.loc[[str(p.permit_id) in x.split(", ") for x in fish["permit"]], "number"].sum())),
        )
        for p in rows(mine)
    ]
    without = int(fish.loc[fish["permit"] == NO_PERMIT, "number"].sum())
    if without:
        shown.append((NO_PERMIT, NONE, NONE, NONE, str(without)))
    return TableBlock(
        "Permits",
        (
            ColumnSpec("Permit", 1.2),
            ColumnSpec("Stage", 1),
            ColumnSpec("Valid", 2),
            ColumnSpec("Limit", 0.8, "right"),
            ColumnSpec("Fish of this table", 1, "right"),
        ),
        tuple(shown),
        note="A permit may count more than this table: its span is another. See the tally of permits.",
        small=True,
    )


def _notes(fish: pd.DataFrame) -> list[Block]:
    """Say what is missing, so that nobody takes a gap for a zero."""
    said = []
    for words, picked in (
        ("of unknown family", fish["family"].str.startswith(("not known", "lot "))),
        ("without a length", fish["mm"].isna()),
        ("without a weight: kg counts those weighed", fish["g"].isna()),
        ("without a permit on record for the day", fish["permit"] == NO_PERMIT),
        ("without a clear health certificate on record for the day", fish["certificate"] == NO_CERTIFICATE),
        ("whose unit is not on record, so that no certificate can be named", fish["certificate"] == NO_UNIT),
    ):
        number = int(fish.loc[picked, "number"].sum())
        if number:
            said.append(f"{number} of {int(fish['number'].sum())} fish {words}.")
    return [TextBlock("What is missing", tuple(said), boxed=True)] if said else []


def _details(lines: list[dict[str, Any]], fish: pd.DataFrame, sites: dict[str, str]) -> list[Block]:
    columns = (
        ColumnSpec("Line", 0.9),
        ColumnSpec("Family", 1),
        ColumnSpec("Class", 0.6),
        ColumnSpec("Fish", 0.5, "right"),
        ColumnSpec("Mean length mm (spread; range)", 2.2, "right"),
        ColumnSpec("kg", 0.9, "right"),
        ColumnSpec("Tags, first to last", 2.6),
        ColumnSpec("Released", 1.7),
    )
    out: list[Block] = []
    for site in dict.fromkeys(x["site_id"] for x in lines):
        mine = [x for x in lines if x["site_id"] == site]
        table = tuple(
            (
                x["line"],
                x["family"],
                x["year_class"] or NONE,
                str(x["number"]),
                _mm(x),
                _kg(x),
                _tags(x),
                _days(x),
            )
            for x in mine
        )
        title = f"{sites.get(site, site)}: {sum(x['number'] for x in mine)} fish by family"
        note = "Codes between the first and the last may belong to other lines; each code is in the table of releases."
        out.append(TableBlock(title, columns, table, note=note, small=True))
    return out


def _csv(lines: list[dict[str, Any]], sites: dict[str, str]) -> str:
    def shown(value: float | None, digits: int) -> str:
        return "" if value is None else f"{value:.{digits}f}"

    table = [
        (
            sites.get(x["site_id"], x["site_id"]), x["site_id"], x["line"], x["family"], x["year_class"], x["number"],
            x["measured"], shown(x["mean"], 1), shown(x["sd"], 1), shown(x["least"], 0), shown(x["greatest"], 0),
            x["tags"][0] if x["tags"] else "", x["tags"][-1] if x["tags"] else "", len(x["tags"]), x["days"][0], x["days"][-1],
            "; ".join(x["permits"]), "; ".join(x["certificates"]), shown(x["kg"], 3), x["weighed"],
        )
        for x in lines
    ]  # fmt: skip
    return pd.DataFrame(table, columns=list(CSV_COLUMNS)).to_csv(index=False, lineterminator="\n")
