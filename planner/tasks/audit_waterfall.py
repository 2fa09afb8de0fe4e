"""The audit's losses on paper: effective parents from the fish in care to the fish in the water."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pandas as pd

from broodstock.effective_size.waterfall import Waterfall, WaterfallStep
from planner.reports.audit_figures import loss_bars
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import AuditPart, AuditTable

TITLE = "Where effective parents were lost"
CHOICE = "broodfish used"
"""From this step on losses are accidents and decisions of the season; the step itself is a choice."""
MOST_NAMES = 8


def waterfall_part(found: Waterfall) -> AuditPart:
    """Lay out the loss of effective parents of one year class.

    Parameters
    ----------
    found : Waterfall
        Steps with their effective numbers.
    """
    missing = tuple(f"step '{name}': left out because {reason}" for name, reason in found.left_out)
    if not found.steps:
        return AuditPart("losses", AuditSection(TITLE, not_made=missing), data=_data(found))
    realised = found.realised
    lines = [
        f"{found.group.capitalize()}: at each step every parent has some share of what is left; 4 Nef Nem / (Nef + Nem) of these shares is "
        "the number of parents that, sharing equally, would leave as much diversity. The ratios of all steps multiply "
        f"exactly to the whole, {float(found.total or 1):.3f}.",
        _loss_words(found),
    ]
    blocks: list[TableBlock | AuditFigure] = [_figure(found), _block(found)]
    frame = _frame(found)
    alarms = []
    worst = worst_step(found)
    if worst is not None and worst.ratio is not None and worst.ratio < 0.95:
        alarms.append(
            f"Look into the step '{worst.name}': it kept {float(worst.ratio):.0%} of the effective parents of the step "
            f"before. {REMEDY.get(worst.name, '')}".strip()
        )
    if realised is not None and not realised.estimable:
        lines.append(f"By DNA: {realised.text()}.")
    return AuditPart(
        "losses",
        AuditSection(TITLE, tuple(lines), tuple(blocks), missing),
        (
            AuditTable(
                "parents_lost_by_step", "One step from the fish in care to the water.", frame, _COLUMNS
            ),
        ),
        _data(found),
        tuple(alarms),
        (
            "Loss of parents: effective number per sex 1 / sum of squared shares (Crow & Denniston 1988, from memory), "
            "combined as 4 Nef Nem / (Nef + Nem) (Wright 1931); exact fractions, so ratios multiply without rounding; fish "
            "seen again are a sample and use pairs of different fish.",
        ),
    )


REMEDY = {
    "dishes laid": "Give every female and male the same number of dishes.",
    "eggs laid down": "Split the eggs of each female evenly over her dishes and use like amounts of each female.",
    "eggs fertilised": "Check milt under the microscope before use and keep a spare male ready.",
    "larvae hatched": "Look at the cells of the families that failed.",
    "fry at swim-up": "Look at the cells of the families that failed.",
    "fry kept, numbers made equal": "Keep the same number of fry of every dish.",
    "reared and tagged": "Keep families apart until they are counted, never pool dishes before that, and make their "
    "numbers equal again at grading and tagging.",
    "released": "Release the same number of every family.",
    "seen alive after a year": "Spread families over sites and sizes, so that one bad place does not take a family.",
}


def worst_step(found: Waterfall) -> WaterfallStep | None:
    """Return the step after the choice of fish that kept least of the one before; None when none lost.

    A step that counts a sample of fish is passed over when its interval reaches the step before: the loss may
    be chance.
    """
    names = [s.name for s in found.steps]
    start = names.index(CHOICE) if CHOICE in names else 0
    losing = [
        step
        for before, step in pairwise(found.steps[start:])
        if step.both < before.both
        and not (step.estimate.high is not None and step.estimate.high >= float(before.both))
    ]
    return min(losing, key=lambda s: s.ratio or 1, default=None)


def _loss_words(found: Waterfall) -> str:
    steps = {s.name: s for s in found.steps}
    start = steps.get(CHOICE, found.steps[0])
    last = found.steps[-1]
    worst = worst_step(found)
    words = (
        f"{float(start.both):.1f} effective parents were used and {float(last.both):.1f} are left at the step "
        f"'{last.name}'"
    )
    if worst is not None:
        words += f"; the largest loss was at '{worst.name}'"
    realised = found.realised
    if realised is not None and realised.estimable:
        words += f". DNA finds {realised.text(1)}"
    return words + "."


def _figure(found: Waterfall) -> AuditFigure:
    rows = []
    for before, step in zip((None, *found.steps[:-1]), found.steps, strict=True):
        change = "" if before is None else f"  ({float(step.both - before.both):+.1f})"
        rows.append(
            {
                "step": step.name,
                "both": float(step.both),
                "words": f"{float(step.both):.1f}{change}",
                "low": step.estimate.low,
                "high": step.estimate.high,
            }
        )
    realised = None
    if (
        found.realised is not None
        and found.realised.value is not None
        and math.isfinite(found.realised.value)
    ):
        realised = (found.realised.value, found.realised.low, found.realised.high)
    caption = "Numbers in brackets, and the dashed part of a bar: change from the step before."
    if realised is not None:
        caption += " Dashed line and band: effective number by DNA with its interval."
    return AuditFigure(
        "parents_lost_by_step",
        f"Effective parents left at each step, {found.group}",
        loss_bars(pd.DataFrame(rows), realised),
        "Effective number of parents left at each step of the year class.",
        caption,
    )


def _block(found: Waterfall) -> TableBlock:
    rows = []
    for before, step in zip((None, *found.steps[:-1]), found.steps, strict=True):
        change = "" if before is None else f"{float(step.both - before.both):+.2f}"
        ratio = "" if step.ratio is None else f"{float(step.ratio):.3f}"
        rows.append(
            (
                step.name,
                f"{step.n_females}, {float(step.females):.1f}",
                f"{step.n_males}, {float(step.males):.1f}",
                step.estimate.text(2),
                change,
                ratio,
                _lost_words(step),
            )
        )
    realised = found.realised
    if realised is not None and realised.estimable:
        rows.append(("by DNA, to set beside", "", "", realised.text(1), "", "", ""))
    head: list[Any] = [
        ("Step", 1.6),
        ("Mothers, effective", 1.1, "right"),
        ("Fathers, effective", 1.1, "right"),
        ("Effective parents", 1.5, "right"),
        ("Change", 0.7, "right"),
        ("Ratio", 0.7, "right"),
        ("Parents lost", 2.2),
    ]
    note = "Steps without an interval count every fish, egg or fry: no sampling error, though counting errors are not in them. "
    note += " ".join(
        dict.fromkeys(
            s.estimate.note.split("not in it. ", 1)[-1].strip()
            for s in found.steps
            if s.estimate.note.strip() and not s.estimate.note.strip().endswith("errors are not in it.")
        )
    )
    return table_block("Step by step", head, rows, note.strip())


def _lost_words(step: WaterfallStep) -> str:
    names = (*step.lost_females, *step.lost_males)
    if not names:
        return ""
    if step.name == CHOICE or len(names) > MOST_NAMES:
        return f"{len(step.lost_females)} females, {len(step.lost_males)} males"
    return ", ".join(names)


_COLUMNS = {
    "step": "Step.",
    "counted": "What was counted.",
    "mothers": "Mothers with a share.",
    "fathers": "Fathers with a share.",
    "effective_mothers": "Effective number of mothers.",
    "effective_fathers": "Effective number of fathers.",
    "effective_parents": "Effective number of parents.",
    "low": "Lower limit; empty where everything was counted.",
    "high": "Upper limit; empty where everything was counted.",
    "change": "Change from the step before.",
    "ratio": "Ratio to the step before.",
    "exact": "The effective number as an exact fraction.",
    "parents_lost": "Parents with a share at the step before and none here.",
    "method": "How the number was made.",
    "note": "What the reader must know.",
}


def _frame(found: Waterfall) -> pd.DataFrame:
    rows = []
    for before, step in zip((None, *found.steps[:-1]), found.steps, strict=True):
        rows.append(
            {
                "step": step.name,
                "counted": step.counted,
                "mothers": step.n_females,
                "fathers": step.n_males,
                "effective_mothers": float(step.females),
                "effective_fathers": float(step.males),
                "effective_parents": float(step.both),
                "low": step.estimate.as_dict()["low"],
                "high": step.estimate.as_dict()["high"],
                "change": None if before is None else float(step.both - before.both),
                "ratio": None if step.ratio is None else float(step.ratio),
                "exact": str(step.both),
                "parents_lost": " ".join((*step.lost_females, *step.lost_males)),
                "method": step.estimate.method,
                "note": step.estimate.note,
            }
        )
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _data(found: Waterfall) -> dict[str, Any]:
    return {
        "group": found.group,
        "steps": [
            {
                "step": s.name,
                "mothers": s.n_females,
                "fathers": s.n_males,
                "effective_mothers": float(s.females),
                "effective_fathers": float(s.males),
                "effective_parents": s.estimate.as_dict(),
                "ratio": None if s.ratio is None else float(s.ratio),
                "exact": str(s.both),
            }
            for s in found.steps
        ],
        "total_ratio": None if found.total is None else float(found.total),
        "left_out": [{"step": name, "reason": reason} for name, reason in found.left_out],
        "realised": None if found.realised is None else found.realised.as_dict(),
    }
