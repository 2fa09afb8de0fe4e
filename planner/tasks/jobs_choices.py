"""Choices as jobs: which fish to keep, to found a group, to exchange, when to release, what a loss would cost."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import day_of, names_of
from planner.tasks.programme import Programme
from planner.tasks.stopping import stop_asked
from planner.tasks.workplace import Workplace

Given = Mapping[str, Any]
Table = tuple[str, Sequence[str], Sequence[Sequence[str]], str]
MOST_ROWS = 400


def _told(
    facts: Iterable[tuple[str, str | Estimate]] = (),
    tables: Iterable[Table] = (),
    notes: Iterable[str] = (),
    warnings: Iterable[str] = (),
    files: Iterable[Path] = (),
) -> dict[str, Any]:
    """Return an answer in the form the page draws; an estimate keeps its interval and method."""
    return {
        "facts": [
            {"label": label, "words": value, "estimate": None}
            if isinstance(value, str)
            else {"label": label, "words": "", "estimate": value.as_dict()}
            for label, value in facts
        ],
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
        "warnings": list(warnings),
        "files": [p.name for p in files],
    }


def _season_told(answer: Any, folder: Path) -> dict[str, Any]:
    tables = [(t.title, t.head, t.rows, t.note) for t in answer.tables]
    return _told(answer.facts, tables, answer.notes, answer.warnings, answer.write(folder))


def keep(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Choose the fish to keep as future parents."""
    from planner.tasks.future_broodstock import KeepWishes, keep_plan, write_keep

    among = _one_of(given, "among", ("stock", "brood"))
    wishes = KeepWishes(
        _whole(given, "number"),
        _whole_or_none(given, "per_family"),
        _whole(given, "least_females", 0),
        _whole(given, "least_males", 0),
        _number(given, "line_copies", 1.0),
        names_of(given, "must"),
        names_of(given, "must_not"),
        among,
    )
    outcome = keep_plan(programme, wishes, say)
    tables: list[Table] = [
        ("Beside choices without optimisation", *outcome.comparison(), "The spread is that of the draws."),
        ("Families", *outcome.table(), ""),
    ]
    notes = [*outcome.notes, f"mark {outcome.provenance.mark}"]
    return _told(outcome.facts(), tables, notes, (), write_keep(outcome, folder))


def found(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Choose the fish that found the group of a water."""
    from planner.tasks.founder_group import FounderWishes, founder_plan, write_founders

    wishes = FounderWishes(
        _text(given, "site"),
        _whole(given, "number"),
        _whole(given, "families", 10),
        _whole(given, "least", 2),
        _whole(given, "most", 4),
        not given.get("sexes_mixed"),
        bool(given.get("known_sex")),
        _number(given, "class_share", 75.0) / 100,
        _number(given, "min_length", 0.0),
        not given.get("stock_only"),
    )
    outcome = founder_plan(programme, wishes, day_of(given), say)
    estimates = dict(outcome.measures)
    facts = [(label, estimates.get(label, words)) for label, words in outcome.facts()]
    tables: list[Table] = [
        ("Beside groups without optimisation", *outcome.comparison(), "The spread is that of the draws."),
        ("The group", *outcome.table(), ""),
    ]
    notes = [*outcome.notes, f"mark {outcome.provenance.mark}"]
    return _told(facts, tables, notes, (), write_founders(outcome, folder))


def loss(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Say what would be gone if places were lost tonight."""
    from planner.tasks.loss import loss_report, write_loss

    say("Dropping genes down the pedigree")
    report = loss_report(
        programme, names_of(given, "units"), names_of(given, "sites"), names_of(given, "buildings")
    )
    facts: list[tuple[str, str | Estimate]] = list(report.facts())
    if report.loss is not None:
        lost = report.loss.founder_genomes_lost
        facts = [(label, lost if label.startswith("Founder genomes lost") else v) for label, v in facts]
    tables = [(title.rstrip(":"), head, lines, "") for title, (head, lines) in report.tables()]
    return _told(facts, tables, report.notes, (), write_loss(report, folder))


def exchange(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Plan moves of fish between waters."""
    from planner.tasks.exchange import ExchangeWishes, exchange_plan, write_exchange

    wishes = ExchangeWishes(
        _whole(given, "years", 6),
        _number(given, "generation", 6.0),
        _number(given, "breed_share", 30.0) / 100,
        _number(given, "least", 1.0),
        _number(given, "most", 10.0),
        (_whole(given, "journey_least", 4), _whole(given, "journey_most", 20)),
        _number(given, "stay_share", 80.0) / 100,
        bool(given.get("with_station")),
    )
    say("Choosing moves")
    outcome = exchange_plan(programme, wishes)
    tables: list[Table] = [
        ("Fish moved in all years", *outcome.matrix(), "From the row to the column."),
        ("Journeys", *outcome.year_table(), ""),
        ("Effective migrants per generation (Nm) and kinship", *outcome.water_table(), ""),
        ("Who last received, longest ago first", *outcome.received_table(), ""),
    ]
    notes = [*outcome.notes, f"mark {outcome.provenance.mark}"]
    return _told(outcome.facts(), tables, notes, (), write_exchange(outcome, folder))


def grow(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Compare releasing now with growing on."""
    from planner.tasks.grow_on import Rearing, grow_report, write_grow

    rearing = Rearing(
        _whole(given, "months", 12),
        _number(given, "growth", 8.0),
        _number(given, "growth_error", 1.5),
        _number(given, "survival", 97.5) / 100,
        _number(given, "survival_error", 0.5) / 100,
        _number(given, "accident", 0.0) / 100,
        _number(given, "cost_month", 0.35),
        _number(given, "cost_release", 1.0),
    )
    say("Comparing now with later")
    report = grow_report(programme, rearing, str(given.get("site") or "").strip() or None, day_of(given))
    words = "Numbers in brackets are 95 % intervals: errors of curve, growth and rearing survival together."
    return _told(
        (), [("Now, or later", *report.table(), words)], report.notes(), (), write_grow(report, folder)
    )


def equalise(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Plan the culls of the families of a season."""
    from planner.tasks.season_equalise import cull_plan

    stage: Any = _one_of(given, "stage", ("swim_up", "eggs", "fertilised", "hatched", "kept"))
    keeps = [_as_whole(k, "keep") for k in names_of(given, "keeps")]
    if not keeps:
        raise UsageError(
            "fish to keep: found none. Expected the number after each cull, for example 63000, 20000."
        )
    survival = [_as_number(s, "survival") / 100 for s in names_of(given, "survival")]
    say("Making families equal")
    answer = cull_plan(programme, _whole(given, "season"), keeps, stage=stage, survival=survival, out=folder)
    return _season_told(answer, folder)


def rehearse(
    programme: Programme, given: Given, folder: Path, say: Say, plan: Path | None = None
) -> dict[str, Any]:
    """Play the spawning day many times."""
    from planner.tasks.season_rehearsal import rehearsal

    times = _whole_or_none(given, "times")
    if times is not None and times < 20:
        raise UsageError(f"times: found {times}. Expected 20 mornings or more.")
    with stop_asked() as cancel:
        answer = rehearsal(programme, day_of(given), times, plan, out=folder, progress=say, cancel=cancel)
    return _season_told(answer, folder)


def designs(
    programme: Programme, given: Given, folder: Path, say: Say, plan: Path | None = None
) -> dict[str, Any]:
    """Compare mating designs for the same fish."""
    from planner.tasks.season_designs import designs as compare

    with stop_asked() as cancel:
        answer = compare(programme, day_of(given), plan, out=folder, progress=say, cancel=cancel)
    return _season_told(answer, folder)


def production(programme: Programme, given: Given, folder: Path, say: Say) -> dict[str, Any]:
    """Work back from fish at release to eggs, tanks and tags."""
    from planner.tasks.production import production as work_back

    when = _day(given, "date")
    if when is None:
        raise UsageError("day of release: found none. Expected an ISO date, for example 2026-11-10.")
    say("Working back from the release")
    answer = work_back(
        programme,
        _whole(given, "fish"),
        _number(given, "length"),
        when,
        spawned=_day(given, "spawned"),
        families=_whole_or_none(given, "families"),
        out=folder,
    )
    return _season_told(answer, folder)


CHOICES: dict[str, Callable[..., dict[str, Any]]] = {
    "keep": keep,
    "found": found,
    "loss": loss,
    "exchange": exchange,
    "grow": grow,
    "equalise": equalise,
    "rehearse": rehearse,
    "designs": designs,
    "production": production,
}
"""Choices by the name of their page."""

FROM_PLAN = ("rehearse", "designs")
"""Choices that start from the last spawning plan, when asked to."""


def choice(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Work out the choice named by the option ``choice``; the other options are what its form asks.

    Raises
    ------
    UsageError
        If there is no such choice, or something asked cannot be read.
    """
    name = str(options.get("choice"))
    if name not in CHOICES:
        raise UsageError(f"choice: found {name!r}. Expected one of {', '.join(CHOICES)}.")
    say("Reading the records")
    programme = workplace.programme()
    more: dict[str, Any] = {}
    if name in FROM_PLAN and options.get("from_plan"):
        plan = workplace.plan_folder("spawning") / "spawning_plan.json"
        if not plan.exists():
            raise UsageError(
                "spawning plan: found none. Expected one; make a spawning plan first, or plan anew."
            )
        more = {"plan": plan}
    values = CHOICES[name](programme, options, workplace.work / "choices" / name, say, **more)
    return values | {"choice": name}


def _text(given: Given, key: str) -> str:
    text = str(given.get(key) if given.get(key) is not None else "").strip()
    if not text:
        raise UsageError(f"{key.replace('_', ' ')}: found nothing. Expected a value. Fill in the field.")
    return text


def _one_of(given: Given, key: str, words: tuple[str, ...]) -> str:
    text = str(given.get(key) or words[0])
    if text not in words:
        raise UsageError(f"{key}: found {text!r}. Expected one of {', '.join(words)}.")
    return text


def _as_whole(text: str, key: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise UsageError(f"{key.replace('_', ' ')}: found {text!r}. Expected a whole number, for example 60.")
    return int(text)


def _as_number(text: str, key: str) -> float:
    try:
        value = float(text.removesuffix("%").strip())
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e12:
        raise UsageError(f"{key.replace('_', ' ')}: found {text!r}. Expected a number, for example 2.5.")
    return value


def _whole(given: Given, key: str, default: int | None = None) -> int:
    if default is not None and not str(given.get(key) if given.get(key) is not None else "").strip():
        return default
    return _as_whole(_text(given, key), key)


def _whole_or_none(given: Given, key: str) -> int | None:
    return _whole(given, key) if str(given.get(key) or "").strip() else None


def _number(given: Given, key: str, default: float | None = None) -> float:
    if default is not None and not str(given.get(key) if given.get(key) is not None else "").strip():
        return default
    return _as_number(_text(given, key), key)


def _day(given: Given, key: str) -> dt.date | None:
    return day_of({"day": given.get(key)})
