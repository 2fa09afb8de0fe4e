"""Jobs on records: import with dry run, checks with their states, the check of the whole chain."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import names_of
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import plain_value
from planner.tasks.workplace import Workplace

MOST = 400


def import_file(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Say what an uploaded file would do, or write it.

    Options: ``upload`` and ``file`` (where it was kept), ``table``, ``maps``, ``units``, ``words``, ``fill`` (lists, or text
    with commas between), ``dates``, ``length_type``, ``mapping``, ``save_as``, ``newer`` (flag), ``write`` (flag), ``who``,
    ``confirmed_by``, ``reason``; as `planner.tasks.register_state.import_into`.
    """
    from planner.tasks.register_state import import_into

    path = workplace.work / "uploads" / str(options["upload"]) / str(options["file"])
    if not path.is_file() or path.parent.parent != workplace.work / "uploads":
        raise UsageError("import: found no such file any more. Choose it again.")
    report = import_into(
        workplace.place,
        path,
        who=str(options.get("who", "")),
        reason=str(options.get("reason", "")),
        write=bool(options.get("write")),
        table=str(options.get("table", "")),
        maps=names_of(options, "maps"),
        units=names_of(options, "units"),
        words=names_of(options, "words"),
        fill=names_of(options, "fill"),
        dates=str(options.get("dates", "")),
        length_type=str(options.get("length_type", "")),
        mapping=str(options.get("mapping", "")),
        save_as=str(options.get("save_as", "")),
        newer=bool(options.get("newer")),
        confirmed_by=str(options.get("confirmed_by", "")),
        say=say,
    )
    from planner.tasks.import_signers import acts_of

    values = report.as_dict()
    return values | {
        "acts": acts_of(report.plan),
        "needs_second": bool(acts_of(report.plan)) and has_people(workplace),
        "findings": values["findings"][:MOST],
        "queue": values["queue"][:MOST],
        "words": report.text().split("\n"),
    }


def has_people(workplace: Workplace) -> bool:
    """Return whether a register knows people, who then sign by their role."""
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        return register.count("people") > 0


LAST_FINDINGS = "findings.json"
PER_PAGE = 40
"""Findings on one page."""


def findings(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Run every check and list what it found with its state; decide findings if asked; keep the result for its version.

    Options: ``accept``, ``reviewed``, ``reopen`` (marks), ``who``, ``reason``.
    """
    say("Running every check")
    before = workplace.version()
    if workplace.is_register:
        from planner.tasks.register_state import findings_of

        marks = [list(options.get(k) or ()) for k in ("accept", "reopen", "reviewed")]
        _, values = findings_of(
            workplace.place,
            "note",
            marks[0],
            marks[1],
            str(options.get("who", "")),
            str(options.get("reason", "")),
            None,
            marks[2],
        )
        shown = values | {"register": True}
        decided = any(marks)
    else:
        from pathlib import Path

        from planner.tasks.check import check_folder

        report = check_folder(Path(workplace.place))
        rows = [f.as_dict() | {"text": f.text(), "state": "open", "mark": ""} for f in report.findings]
        shown, decided = {"findings": rows, "register": False}, False
    # A decision is a change itself, so its list is kept only under the version after it; a list that others may have
    # overtaken while it was made is not kept at all.
    after = workplace.version()
    if decided or after == before:
        kept = {"version": after, "made_at": utc_now_text()} | {k: shown[k] for k in ("findings", "register")}
        write_text(workplace.work / LAST_FINDINGS, json.dumps(kept, ensure_ascii=False, default=plain_value))
    return shown


def last_findings(workplace: Workplace) -> dict[str, Any] | None:
    """Return the findings kept for the records as they are now; None when there are none, or the records changed."""
    path = workplace.work / LAST_FINDINGS
    if not path.exists():
        return None
    values: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return values if values["version"] == workplace.version() else None


@dataclass(frozen=True)
class FindingsPage:
    """One page of findings.

    Parameters
    ----------
    rows : list of dict
        Findings of the page: open ones first, then reviewed and accepted ones, the gravest of each first.
    total, matching : int
        All findings, and those that were asked for.
    page, pages : int
        Which page of how many.
    states, codes : list of (str, int)
        States and kinds of finding with their number, among all.
    state, code : str
        What was asked for; empty for all.
    is_register : bool
        Whether findings can be decided.
    """

    rows: list[dict[str, Any]]
    total: int
    matching: int
    page: int
    pages: int
    states: list[tuple[str, int]]
    codes: list[tuple[str, int]]
    state: str
    code: str
    is_register: bool


def findings_page(values: Mapping[str, Any], state: str = "", code: str = "", page: int = 1) -> FindingsPage:
    """Return one page of the findings a job kept.

    Parameters
    ----------
    values : mapping
        ``findings`` and ``register``, as the job `findings` returns.
    state, code : str
        Only these; a word that is not there gives an empty page.
    page : int
        From 1; beyond the last one the last.
    """
    rows = list(values["findings"])
    states, codes = Counter(f["state"] for f in rows), Counter(f["code"] for f in rows)
    mine = [f for f in rows if state in ("", f["state"]) and code in ("", f["code"])]
    order = {"open": 0, "reviewed": 1, "accepted": 2}
    graver = {"error": 0, "warning": 1, "note": 2}
    mine.sort(key=lambda f: (order.get(f["state"], 3), graver.get(f["level"], 3)))
    pages = max(1, -(-len(mine) // PER_PAGE))
    number = min(max(page, 1), pages)
    return FindingsPage(
        mine[(number - 1) * PER_PAGE : number * PER_PAGE],
        len(rows),
        len(mine),
        number,
        pages,
        sorted(states.items(), key=lambda x: order.get(x[0], 3)),
        codes.most_common(),
        state,
        code,
        bool(values["register"]),
    )


def utc_now_text() -> str:
    """Return the time in UTC as people read it."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%d %H:%M UTC")


def verify(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Recompute the chain of hashes from the first change to the last."""
    from planner.tasks.register_state import verify_register

    say("Recomputing the chain")
    words, values, ok = verify_register(workplace.place)
    return values | {"words": words.split("\n"), "ok": ok}
