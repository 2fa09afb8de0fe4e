"""The decision memo: one page with a question, the choices of a plan side by side, and room for what was decided.

Every number is read from the file of the plan; nothing is computed again and nothing is recommended.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from broodstock.errors import UsageError
from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.pdf import sheet_pdf
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import ColumnSpec as Col
from planner.reports.sheet import Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import PLAN_FILES, Asked
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.memo_options import MADE, Options

MOST_OPTIONS = 8
MOST_QUESTION = 240


@dataclass(frozen=True)
class Layout:
    """How much room parts of the page get: most choices, characters of what is not known, height of a box in mm."""

    options: int
    unknown: int
    decided_mm: float


LAYOUTS = (
    Layout(MOST_OPTIONS, 700, 17.0),
    Layout(MOST_OPTIONS, 600, 13.0),
    Layout(MOST_OPTIONS, 420, 11.0),
    Layout(MOST_OPTIONS, 260, 9.0),
    Layout(6, 200, 8.0),
    Layout(4, 120, 8.0),
)
"""From roomy to tight; the first that fits on one page is taken."""
LONGEST_LINE = 200
QUESTIONS = {
    "spawning": "Which fish are crossed on {day}?",
    "release": "Which fish go to which water on {day}?",
    "load": "Which truck carries which fish from {day} on?",
    "tradeoff": "How many expected survivors are given up for less kinship in the release of {day}?",
    "projection": "Which strategy is followed in the next {years} years?",
}
DAYS = {
    "spawning": "spawning_day",
    "release": "release_day",
    "load": "release_day",
    "tradeoff": "release_day",
}


def decision_memo(programme: Programme, asked: Asked) -> Printed:
    """Lay out the memo of the plan at hand.

    Parameters
    ----------
    programme : Programme
        Records; only their name and fingerprint are read.
    asked : Asked
        ``about`` (kind of plan; needed when several are at hand), ``question`` (default that of the plan), ``review``
        (day), and the folder of a plan.

    Raises
    ------
    UsageError
        If there is no plan, several and none is named, or the question is too long for one page.
    """
    at_hand = [k for k in PLAN_FILES if k in asked.plans]
    if not at_hand:
        raise UsageError(
            f"memo sheet: found no plan. Expected the folder of one of {', '.join(PLAN_FILES)}. Make a plan first; on the "
            "command line name its folder with --plan."
        )
    if len(at_hand) > 1 and not asked.text("about"):
        raise UsageError(
            f"memo sheet: found {', '.join(at_hand)}. Expected one. Say which with about={at_hand[0]}."
        )
    kind = asked.one_of("about", at_hand, at_hand[0])
    plan = asked.plan(kind)
    question = asked.text("question") or _question(kind, plan)
    if len(question) > MOST_QUESTION:
        raise UsageError(
            f"question: found {len(question)} characters. Expected at most {MOST_QUESTION}: the memo is one page."
        )
    review = (
        f"{asked.day('review', programme.today):%d %b %Y}" if asked.text("review") else "________________"
    )
    made = plan["provenance"]
    options: Options = MADE[kind](plan)
    changed = made["inputs"] != programme.fingerprint
    for layout in LAYOUTS:
        sheet = Sheet(
            "Decision memo",
            programme.settings["programme_name"],
            "",
            0,
            (
                ("Plan", f"{made['kind']}, version {made['version']}, mark {made['mark']}"),
                ("Records", f"as of {made['made_on']}, {made['inputs'][:10]}"),
                ("Proof", options.proof),
                ("Review on", review),
            ),
            (
                TextBlock("Question", (question,), boxed=True),
                _options_table(options, layout.options),
                TextBlock("What is not known", _unknown(options, plan, layout.unknown, changed)),
                *_decided(layout.decided_mm),
            ),
            cautions_for(("decision",)),
        )
        if _pages(programme, sheet, asked) == 1:
            return Printed(sheet, about=kind)
    raise UsageError(
        "memo sheet: found more than one page holds. Expected less: shorten the question or the name of the programme."
    )


def _decided(height: float) -> tuple[TableBlock, TableBlock]:
    return (
        TableBlock(
            "",
            (Col("What was decided", 1), Col("", 4.2, blank=True)),
            (("Decided", ""), ("Because", ""), ("Not chosen, and why", "")),
            row_mm=height,
        ),
        TableBlock(
            "",
            (
                Col("By whom: name, role", 2.4, blank=True),
                Col("Signature", 2, blank=True),
                Col("Day", 0.9, blank=True),
            ),
            (("", "", ""),) * 2,
            row_mm=8.5,
        ),
    )


def _pages(programme: Programme, sheet: Sheet, asked: Asked) -> int:
    """Draw the memo with small print and code as long as they will be, and count its pages."""
    settings = {k: v for k, v in asked.values.items() if v} | {"content": "0" * 10}
    made = Provenance("Decision memo", "0" * 64, programme.today.isoformat(), 0, settings, 999)
    code = f"kinshoal memo sheet | {made.mark} v999"
    drawn = replace(sheet, mark=made.mark, version=999, provenance=provenance_lines(made), code=code)
    return len(re.findall(rb"/Type\s*/Page\b", sheet_pdf(drawn, programme.today)))


def _question(kind: str, plan: Mapping[str, Any]) -> str:
    settings = plan["provenance"]["settings"]
    day = settings.get(DAYS.get(kind, ""), "the day of the plan")
    return QUESTIONS[kind].format(day=day, years=plan.get("years", "coming"))


def _options_table(options: Options, most: int) -> TableBlock:
    shown = options.rows[:most]
    left = len(options.rows) - len(shown)
    more = f" {left} more are in the file of the plan." if left else ""
    return TableBlock(
        "Choices side by side",
        tuple(
            Col(h, 1.7 if k == 0 else 1.15, "left" if k == 0 else "right") for k, h in enumerate(options.head)
        ),
        tuple(shown),
        note=f"{options.note} In the order of the plan's file; none is recommended.{more}",
        small=True,
    )


def _unknown(options: Options, plan: Mapping[str, Any], room: int, changed: bool) -> tuple[str, ...]:
    """Return what the plan says it assumed or left out, as far as the page has room, and how much more there is."""
    first = ["The records have changed since this plan was made."] if changed else []
    said = [
        *first,
        *options.unknown,
        *(str(n) for n in (*plan.get("notes", ()), *plan.get("assumptions", ()))),
    ]
    out: list[str] = []
    for k, line in enumerate(said):
        words = line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE - 4].rsplit(' ', 1)[0]} ..."
        if len(words) > room:
            out.append(f"More remarks in the file of the plan: {len(said) - k}.")
            break
        out.append(words)
        room -= len(words)
    return (" ".join(out) or "The plan names nothing.",)
