"""Jobs that make a report: facts, tables, notes and files, in one plain form for the pages."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import unescape
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import day_of, names_of
from planner.tasks.outputs import write_text
from planner.tasks.workplace import Workplace

MOST_ROWS = 400
"""Rows shown on a page; the whole table is in its file."""
MOST_KEPT = 6
"""Results kept of each report; older ones are made again when asked for."""
Fact = tuple[str, str] | tuple[str, str, str]
Table = tuple[str, Sequence[str], Sequence[Sequence[str]], str]
SEASON_MADE_BY = {
    "Pairs to hold": "Per cent: chance to be ripe on that day by the ripening model below. Expected dishes: from these chances, "
    "one try on the day; a chance is no promise.",
    "Chance to be ripe": "By the ripening model below, from the last look and the recorded window. Not with an interval, "
    "because how wrong the model itself may be is not known.",
}
COUNTED = "Counted from the records, event by event; what was not recorded is not in it."


@dataclass(frozen=True)
class Told:
    """A report before it is put into the form that the pages draw.

    Parameters
    ----------
    facts : sequence of (label, value) or (label, value, how it was made)
        Figures at the head.
    tables : sequence of (str, sequence, sequence of sequence, str)
        Title, headings, rows, and how the numbers were made.
    notes : sequence of str
        Statements, each a sentence or two.
    files : sequence of Path
        Files written below the folder of the report.
    """

    facts: Sequence[Fact] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    files: Sequence[Path] = ()


def told(made: Told, folder: Path) -> dict[str, Any]:
    """Write every table as CSV, and return the report in the form the pages draw.

    Parameters
    ----------
    made : Told
        The report.
    folder : Path
        Folder of the report; files are named from there.

    Returns
    -------
    dict
        ``facts``, ``tables`` (a page full of rows, and the file with all of them), ``notes``, ``files``, ``figures`` and
        ``drawn`` (for each figure its file, its data and the sentence that stands in for it).
    """
    names = [p.relative_to(folder).as_posix() for p in made.files]
    tables = []
    for number, (title, head, rows, note) in enumerate(made.tables, 1):
        stem = re.sub(r"[^a-z0-9]+", "_", title.lower()).strip("_")[:40]
        file = f"table_{number}_{stem}.csv"
        frame = pd.DataFrame([[str(c) for c in r] for r in rows], columns=[str(h) for h in head])
        write_text(folder / file, frame.to_csv(index=False, lineterminator="\n"))
        tables.append(
            {
                "title": title,
                "head": [str(h) for h in head],
                "rows": [[str(c) for c in row] for row in rows[:MOST_ROWS]],
                "more": max(len(rows) - MOST_ROWS, 0),
                "note": note,
                "file": file,
            }
        )
    figures = [n for n in names if n.endswith(".svg")]
    return {
        "facts": [[str(x) for x in fact] for fact in made.facts],
        "tables": tables,
        "notes": [n for n in made.notes if n],
        "files": [n for n in names if n.endswith((".pdf", ".html", ".csv", ".json"))],
        "figures": figures,
        "drawn": [_drawn(folder, n, names) for n in figures],
    }


def _drawn(folder: Path, name: str, names: Sequence[str]) -> dict[str, str]:
    """Return a figure with its data and its sentence."""
    stem = name.removesuffix(".svg")
    data = next((n for n in (f"{stem}_data.csv", f"{stem}.csv") if n in names), "")
    with (folder / name).open(encoding="utf-8") as file:
        said = re.search(r"<desc>(.*?)</desc>", file.read(4000), re.DOTALL)
    return {"file": name, "data": data, "words": unescape(said[1]) if said else ""}


def permits(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Tally the permits; the newest plans count as planned. Option ``day``."""
    from planner.tasks.permits import planned_by, tallies, tally_lines, tally_table

    programme = workplace.programme()
    planned: dict[str, Any] = {}
    for kind in ("spawning", "release"):
        if workplace.plan_folder(kind).is_dir():
            planned |= planned_by(workplace.plan_folder(kind))
    found = tallies(programme, day_of(options), planned)
    head, rows = tally_table(found)
    return Told(tables=[("Running tally", head, rows, COUNTED)], notes=tally_lines(found, with_events=False))


def lots(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Follow lots and their families. Options ``lot``, ``unit``, ``site``, ``day``."""
    from planner.tasks.lots import ASSUMED, BALANCE_HEAD, lots_report, unknown_note

    say("Following the lots")
    where = [str(options.get(k) or "").strip() for k in ("lot", "unit", "site")]
    report = lots_report(workplace.programme(), where[0], where[1], where[2], day_of(options))
    c = report.composition
    tables: list[Table] = [
        (
            "Lots and places with fish",
            ["lot and place", "fish", "effective families"],
            [[p.words, n.text(0), e.text(1)] for p, n, e in report.pools],
            "Numbers with 95 % intervals, through every split, merge, death, cull, count and DNA sample.",
        )
    ]
    if c is not None:
        families = "Shares and fish with 95 % intervals from moves, deaths and DNA samples; the chance that no fish of it is here."
        tables.append(
            ("Families", ["family", "share", "fish", "chance of none"], report.family_rows(), families)
        )
    balance = f"{COUNTED} By counts and unexplained: what a later count found more or less. Here now with its 95 % interval."
    tables.append(("Mass balance", BALANCE_HEAD, [b.row() for b in report.balances], balance))
    facts = [("Shown", report.what or "all lots that hold fish"), ("On", f"{report.on:%d %b %Y}")]
    words = [*report.differences(), *report.surprises, *report.history, *unknown_note(report), ASSUMED]
    return Told(facts, tables, words)


def season(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Look at the season ahead. Option ``days``: ISO dates with commas; default three weeks around the spawning day."""
    from planner.tasks.season import season_view

    programme = workplace.programme()
    given = names_of(options, "days")
    middle = programme.settings.day("spawning_day")
    days = [day_of({"day": d}) for d in given] or [middle + dt.timedelta(days=7 * k) for k in (-1, 0, 1)]
    plan = workplace.plan_folder("spawning") / "spawning_plan.json"
    say("Looking at ripening windows")
    answer = season_view(programme, [d for d in days if d], plan if plan.exists() else None)
    files = answer.write(folder)
    tables = [(t.title, t.head, t.rows, t.note or SEASON_MADE_BY.get(t.title, "")) for t in answer.tables]
    return Told(answer.facts, tables, [*answer.warnings, *answer.notes], files)


def monitoring(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Numbers and survival from captures and scans. Options ``where`` (a water), ``by`` (groups of released fish)."""
    from planner.tasks.abundance import abundance_report
    from planner.tasks.audit_part import reasons_of
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.programme import open_programme
    from planner.tasks.survival_models import LENGTHS, survival_report, write_survival

    say("Reading captures and scans")
    programme = open_programme(workplace.source, with_scans=True)
    numbers = abundance_report(programme, str(options.get("where") or ""))
    say("Looking for ghost tags")
    met = encounters_without_ghosts(programme)
    say("Fitting survival and the chance to be met")
    by = str(options.get("by") or "event")
    report = survival_report(programme, by, met)
    files = write_survival(report, folder)
    tables = [
        (f"Numbers in {numbers.where}", *numbers.table(), "Closed estimators side by side."),
        ("Visits used", *numbers.visit_table(), COUNTED),
        (
            "First-year survival by water, season and length",
            *report.curve_table(),
            "Survival to the end of the first year at a length, with 95 % intervals: likelihood of captures and scans, waters "
            "and seasons drawn towards the programme's mean.",
        ),
        (
            "Being met after the first year",
            *report.detection_table(),
            "From the same likelihood, with 95 % intervals; a fish that is never met again may be alive.",
        ),
        (
            f"Released fish by {by}",
            *report.group_table(),
            "Share met: Wilson interval. Survival by the curves: mean over the fish of the group; how sure the curves are "
            "stands in the table above.",
        ),
    ]
    if report.models:
        tables.append(
            (
                "Models compared",
                list(report.models[0]),
                [list(r) for r in report.models[1:]],
                "Each model fitted to the same fish by likelihood; a smaller criterion fits better for its number of "
                "parameters.",
            )
        )
    lengths = [
        (f"survival in {site}, {season}, at {x:.0f} mm", report.curves.at(k, x))
        for k, (site, season, _) in enumerate(report.curves.sites)
        for x in LENGTHS
    ]
    said = [*numbers.statements, *report.statements, *reasons_of(lengths)]
    return Told((), [t for t in tables if t[2]], said, files)


def audit(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Audit a year class. Option ``year_class``."""
    from planner.reports.sheet import TableBlock
    from planner.tasks.audit import audit_programme, write_audit

    text = str(options.get("year_class") or "").strip()
    if text and not text.isdigit():
        raise UsageError(f"year class: found {text!r}. Expected a year, for example 2024.")
    report = audit_programme(workplace.programme(), int(text) if text else None, say)
    say("Drawing and writing")
    files = write_audit(report, folder)
    methods = report.methods()
    facts = [(label, value, _how(label, methods)) for label, value in report.facts]
    shown = [
        (
            b.title,
            [c.label for c in b.columns],
            b.rows,
            b.note or "Its method stands in the report under Methods.",
        )
        for p in report.parts
        for b in p.section.blocks
        if isinstance(b, TableBlock) and p.key in SHOWN_PARTS
    ]
    to_do = [f"To do {k}. {line}" for k, line in enumerate(report.to_do, 1)]
    return Told(facts, shown, [*report.words, *to_do], files)


def projection(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Project strategies. Options ``years``, ``replicates``, ``strategies`` (names with commas)."""
    from planner.tasks.project import ASSUMPTIONS, ProjectionWishes, projection
    from planner.tasks.project_files import facts_of, tables_of, write_projection

    programme = workplace.programme()
    names = names_of(options, "strategies") or ("do-nothing", "random", "equal-families", "least-kinship")
    wishes = ProjectionWishes(
        _whole(options, "years", 20), names, _whole(options, "replicates", 20), None, 1, ""
    )
    report = projection(programme, wishes, say)
    files = write_projection(report, folder, str(programme.settings["programme_name"]))
    tables = [(t.title, *t.content, t.note) for t in tables_of(report)]
    notes = [*report.supplement_lines(), *report.said, *report.made.notes, *ASSUMPTIONS]
    return Told(facts_of(report), tables, notes, files)


def diversity(workplace: Workplace, options: Options, say: Say, folder: Path) -> Told:
    """Diversity by year class and line, with intervals and trends."""
    from planner.tasks.audit_part import reasons_of
    from planner.tasks.diversity import STATISTICS, diversity_by
    from planner.tasks.figures import write_diversity

    say("Computing diversity with intervals")
    report = diversity_by(workplace.programme())
    files = write_diversity(report, folder)
    head, rows = report.table()
    how = (
        "Ho, He: observed and expected heterozygosity (Nei 1978, unbiased); Ar: allelic richness rarefied to g gene copies; "
        "private Ar: the part found in no other group; Fis above 0: fewer heterozygotes than expected. Intervals: bootstrap "
        "over fish."
    )
    missing = [
        (f"{r.group}, {name.replace('_', ' ')}", getattr(r, name)) for r in report.rows for name in STATISTICS
    ]
    return Told((), [("Diversity by year class and line", head, rows, how)], reasons_of(missing), files)


def _whole(options: Options, key: str, default: int) -> int:
    text = str(options.get(key) or "").strip()
    if not text:
        return default
    if not text.isdigit():
        raise UsageError(f"{key}: found {text!r}. Expected a whole number.")
    return int(text)


SHOWN_PARTS = ("sizes", "waterfall", "founders")
"""Parts of the audit whose tables are shown on the page too; all are in the report."""
_FACTS_MADE_BY = (
    ("Fish with", "Quality control"),
    ("Nb by linkage", "Linkage disequilibrium"),
    ("Nb by parents", "Sibship frequency"),
    ("Recorded parents", "Parents:"),
    ("Largest loss", "Loss of parents"),
)


def _how(label: str, methods: Sequence[str]) -> str:
    """Return the sentence of the methods text behind a figure at the head of the audit."""
    start = next((m for words, m in _FACTS_MADE_BY if label.startswith(words)), None)
    return next((m for m in methods if start is not None and m.startswith(start)), "")


REPORTS: dict[str, Callable[[Workplace, Options, Say, Path], Told]] = {
    "permits": permits,
    "lots": lots,
    "season": season,
    "monitoring": monitoring,
    "audit": audit,
    "projection": projection,
    "trends": diversity,
}
"""Reports by the name of their page."""


def key_of(workplace: Workplace, name: str, options: Mapping[str, Any]) -> str:
    """Return the name of the folder of a report: it changes with the records, the plans, what is asked, and the program."""
    asked = sorted((k, str(v).strip()) for k, v in options.items() if k != "report" and str(v).strip())
    plans = [
        (kind, path.stat().st_mtime_ns)
        for kind, path in (
            (kind, workplace.plan_folder(kind) / f"{kind}_plan.json") for kind in ("spawning", "release")
        )
        if path.exists()
    ]
    words = json.dumps([name, asked, plans, workplace.version(), version("kinshoal")])
    return hashlib.sha256(words.encode()).hexdigest()[:12]


def kept(workplace: Workplace, name: str, key: str) -> dict[str, Any] | None:
    """Return a report made before, None when there is none."""
    path = workplace.work / "reports" / name / key / "shown.json"
    if not re.fullmatch(r"[0-9a-f]{12}", key) or name not in REPORTS or not path.is_file():
        return None
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def newest(workplace: Workplace, name: str) -> dict[str, Any] | None:
    """Return the report made last, whatever the records were then; None when there is none."""
    made = (workplace.work / "reports" / name).glob("*/shown.json")
    last = max(made, key=lambda p: p.stat().st_mtime_ns, default=None)
    return None if last is None else kept(workplace, name, last.parent.name)


def report(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Make the report named by the option ``report`` and keep it.

    Raises
    ------
    UsageError
        If there is no such report.
    """
    name = str(options.get("report"))
    if name not in REPORTS:
        raise UsageError(f"report: found {name!r}. Expected one of {', '.join(REPORTS)}.")
    key = key_of(workplace, name, options)
    folder = workplace.work / "reports" / name / key
    made = REPORTS[name](workplace, options, say, folder)
    asked = {k: str(v) for k, v in options.items() if k != "report" and str(v).strip()}
    shown = told(made, folder) | {
        "report": name,
        "key": key,
        "asked": asked,
        "records_of": workplace.programme().today.isoformat(),
    }
    write_text(folder / "shown.json", json.dumps(shown, ensure_ascii=False))
    folders = sorted(folder.parent.iterdir(), key=lambda p: p.stat().st_mtime_ns)
    for old in folders[:-MOST_KEPT]:
        if old.is_dir() and old != folder:
            shutil.rmtree(old, ignore_errors=True)
    return shown
