"""Jobs that make a report: facts, tables, notes and files, in one plain form for the pages."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import day_of, names_of
from planner.tasks.workplace import Workplace

MOST_ROWS = 400


def told(
    facts: Iterable[tuple[str, str]] = (),
    tables: Iterable[tuple[str, Sequence[str], Sequence[Sequence[str]], str]] = (),
    notes: Iterable[str] = (),
    files: Iterable[Path] = (),
) -> dict[str, Any]:
    """Return a report in the form the pages draw.

    Parameters
    ----------
    facts : iterable of (str, str)
        Label and value.
    tables : iterable of (str, sequence, sequence of sequence, str)
        Title, headings, rows and note.
    notes : iterable of str
        Statements, each a sentence or two.
    files : iterable of Path
        Files written, of one folder.
    """
    names = [p.name for p in files]
    return {
        "facts": [[str(a), str(b)] for a, b in facts],
        "tables": [
            {
                "title": title,
                "head": [str(h) for h in head],
                "rows": [[str(c) for c in row] for row in rows[:MOST_ROWS]],
                "more": max(len(rows) - MOST_ROWS, 0),
                "note": note,
            }
            for title, head, rows, note in tables
        ],
        "notes": [n for n in notes if n],
        "files": [n for n in names if n.endswith((".pdf", ".html", ".csv", ".json"))],
        "figures": [n for n in names if n.endswith(".svg")],
    }


def permits(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Tally the permits; the newest plans count as planned. Option ``day``."""
    from planner.tasks.permits import planned_by, tallies, tally_lines, tally_table

    programme = workplace.programme()
    planned: dict[str, Any] = {}
    for kind in ("spawning", "release"):
        if workplace.plan_folder(kind).is_dir():
            planned |= planned_by(workplace.plan_folder(kind))
    found = tallies(programme, day_of(options), planned)
    head, rows = tally_table(found)
    return told(
        tables=[("Running tally", head, rows, "Each number is counted event by event from the records.")],
        notes=tally_lines(found, with_events=False),
    )


def lots(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Follow lots and their families. Options ``lot``, ``unit``, ``site``, ``day``."""
    from planner.tasks.lots import ASSUMED, BALANCE_HEAD, lots_report, unknown_note

    say("Following the lots")
    where = [str(options.get(k) or "").strip() for k in ("lot", "unit", "site")]
    report = lots_report(workplace.programme(), where[0], where[1], where[2], day_of(options))
    c = report.composition
    tables: list[tuple[str, Sequence[str], Sequence[Sequence[str]], str]] = [
        (
            "Lots and places with fish",
            ["lot and place", "fish", "effective families"],
            [[p.words, n.text(0), e.text(1)] for p, n, e in report.pools],
            "Numbers with 95 % intervals, through every split, merge, death, cull, count and DNA sample.",
        )
    ]
    if c is not None:
        tables.append(("Families", ["family", "share", "fish", "chance of none"], report.family_rows(), ""))
    tables.append(("Mass balance", BALANCE_HEAD, [b.row() for b in report.balances], ""))
    facts = [("Shown", report.what or "all lots that hold fish"), ("On", f"{report.on:%d %b %Y}")]
    words = [*report.differences(), *report.surprises, *report.history, *unknown_note(report), ASSUMED]
    return told(facts, tables, words)


def season(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Look at the season ahead. Option ``days``: ISO dates with commas; default three weeks around the spawning day."""
    from planner.tasks.season import season_view

    programme = workplace.programme()
    given = names_of(options, "days")
    middle = programme.settings.day("spawning_day")
    days = [day_of({"day": d}) for d in given] or [middle + dt.timedelta(days=7 * k) for k in (-1, 0, 1)]
    plan = workplace.plan_folder("spawning") / "spawning_plan.json"
    say("Looking at ripening windows")
    answer = season_view(programme, [d for d in days if d], plan if plan.exists() else None)
    folder = workplace.work / "reports" / "season"
    files = answer.write(folder)
    tables = [(t.title, t.head, t.rows, t.note) for t in answer.tables]
    return told(answer.facts, tables, [*answer.warnings, *answer.notes], files)


def monitoring(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Numbers and survival from captures and scans. Options ``where`` (a water), ``by`` (groups of released fish)."""
    from planner.tasks.abundance import abundance_report
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.programme import open_programme
    from planner.tasks.survival_models import survival_report, write_survival

    say("Reading captures and scans")
    programme = open_programme(workplace.source, with_scans=True)
    numbers = abundance_report(programme, str(options.get("where") or ""))
    say("Looking for ghost tags")
    met = encounters_without_ghosts(programme)
    say("Fitting survival and the chance to be met")
    by = str(options.get("by") or "event")
    report = survival_report(programme, by, met)
    files = write_survival(report, workplace.work / "reports" / "monitoring")
    tables = [
        (f"Numbers in {numbers.where}", *numbers.table(), "Closed estimators side by side."),
        ("Visits used", *numbers.visit_table(), ""),
        (
            "First-year survival by water, season and length",
            *report.curve_table(),
            "Drawn towards the programme's mean.",
        ),
        ("Being met after the first year", *report.detection_table(), ""),
        (f"Released fish by {by}", *report.group_table(), ""),
    ]
    if report.models:
        tables.append(("Models compared", list(report.models[0]), [list(r) for r in report.models[1:]], ""))
    return told((), [t for t in tables if t[2]], [*numbers.statements, *report.statements], files)


def audit(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Audit a year class. Option ``year_class``."""
    from planner.tasks.audit import audit_programme, write_audit

    text = str(options.get("year_class") or "").strip()
    if text and not text.isdigit():
        raise UsageError(f"year class: found {text!r}. Expected a year, for example 2024.")
    report = audit_programme(workplace.programme(), int(text) if text else None, say)
    say("Drawing and writing")
    files = write_audit(report, workplace.work / "reports" / "audit")
    return told((), (), report.text().split("\n"), files)


def projection(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Project strategies. Options ``years``, ``replicates``, ``strategies`` (names with commas)."""
    from planner.tasks.project import ASSUMPTIONS, ProjectionWishes, projection
    from planner.tasks.project_files import facts_of, tables_of, write_projection

    programme = workplace.programme()
    names = names_of(options, "strategies") or ("do-nothing", "random", "equal-families", "least-kinship")
    wishes = ProjectionWishes(
        _whole(options, "years", 20), names, _whole(options, "replicates", 20), None, 1, ""
    )
    report = projection(programme, wishes, say)
    files = write_projection(
        report, workplace.work / "reports" / "projection", str(programme.settings["programme_name"])
    )
    tables = [(t.title, *t.content, t.note) for t in tables_of(report)]
    notes = [*report.supplement_lines(), *report.said, *report.made.notes, *ASSUMPTIONS]
    return told(facts_of(report), tables, notes, files)


def diversity(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Diversity by year class and line, with intervals and trends."""
    from planner.tasks.diversity import diversity_by
    from planner.tasks.figures import write_diversity

    say("Computing diversity with intervals")
    report = diversity_by(workplace.programme())
    files = write_diversity(report, workplace.work / "reports" / "trends")
    head, rows = report.table()
    return told((), [("Diversity by year class and line", head, rows, "")], (), files)


def _whole(options: Options, key: str, default: int) -> int:
    text = str(options.get(key) or "").strip()
    if not text:
        return default
    if not text.isdigit():
        raise UsageError(f"{key}: found {text!r}. Expected a whole number.")
    return int(text)


REPORTS: dict[str, Callable[[Workplace, Options, Say], dict[str, Any]]] = {
    "permits": permits,
    "lots": lots,
    "season": season,
    "monitoring": monitoring,
    "audit": audit,
    "projection": projection,
    "trends": diversity,
}
"""Reports by the name of their page."""


def report(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Make the report named by the option ``report``.

    Raises
    ------
    UsageError
        If there is no such report.
    """
    name = str(options.get("report"))
    if name not in REPORTS:
        raise UsageError(f"report: found {name!r}. Expected one of {', '.join(REPORTS)}.")
    return REPORTS[name](workplace, options, say) | {"report": name}
