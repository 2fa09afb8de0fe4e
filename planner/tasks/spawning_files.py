"""Lay out a spawning plan as a sheet, and write sheet, tables and plan file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from planner.optimise.spawning.read import SpawningPlan
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import Sheet
from planner.reports.spawning_sheet import DishLine, FishLine, spawning_sheet
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.plan_file import next_version, write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.spawning import LAST_ON_WALK, SpawningOutcome
from planner.tasks.spawning_reasons import pair_change


def sheet_of(programme: Programme, outcome: SpawningOutcome) -> Sheet:
    """Lay out the spawning sheet of a plan."""
    used = dict.fromkeys([*outcome.crosses["dam"], *outcome.crosses["sire"]])
    dishes = pd.concat([outcome.crosses["dam"], outcome.crosses["sire"]]).value_counts()
    kinship = {f.name: f for r in outcome.reasons for f in (r.dam, r.sire)}
    judged = {(c.fish_id, c.frozen): c for c in outcome.inputs.candidates}
    fish = {r.fish_id: r for r in rows(programme.tables["fish"])}
    units = {r.unit_id: r for r in rows(programme.tables["units"])}
    lines = []
    for name in used:
        frozen = (name, True) in judged and judged[name, True].may_cross
        candidate = judged[name, frozen]
        unit = units.get(fish[name].unit) if not frozen else None
        weight = fish[name].weight_g
        facts = kinship[name]
        made = f"; {candidate.dishes_made} dishes already made" if candidate.dishes_made else ""
        lines.append(
            FishLine(
                name,
                candidate.sex,
                "milt store" if frozen else (unit.building if unit else ""),
                "" if frozen else fish[name].unit,
                int(unit.walk_order) if unit and pd.notna(unit.walk_order) else LAST_ON_WALK,
                "" if frozen else fish[name].tag,
                int(dishes[name]),
                facts.kinship_with_young if facts.kinship_with_living is None else facts.kinship_with_living,
                f"{weight:.0f} g" if pd.notna(weight) else "",
                candidate.ripeness + made,
                frozen,
            )
        )
    comparison = [_comparison("this plan", outcome.plan)]
    comparison += [_comparison(name, plan) for name, plan in outcome.others]
    reason_of = {(r.dam.name, r.sire.name): " ".join(r.sentences) for r in outcome.reasons}
    return spawning_sheet(
        programme.settings["programme_name"],
        programme.settings["station"],
        f"{outcome.day:%d %b %Y}",
        lines,
        [
            DishLine(r.dish_id, r.dam, r.sire, r.dish, r.of, r.kinship, r.cell, reason_of[r.dam, r.sire])
            for r in rows(outcome.crosses)
        ],
        outcome.spare,
        outcome.facts(),
        comparison,
        [(c.fish_id, c.why_not) for c in outcome.inputs.candidates if not c.may_cross]
        + [(u.name, f"{u.sentence()} Keep it as a spare.") for u in outcome.not_needed],
        outcome.provenance,
    )


def _comparison(name: str, plan: SpawningPlan) -> tuple[str, ...]:
    m = plan.measures
    if m is None:
        return (name, *(["no plan under these rules"] * 4))
    return (
        name,
        f"{m.cohort_kinship:.5f}",
        f"{m.gene_diversity:.4f}",
        f"{m.effective_parents:.1f}",
        f"{m.mean_inbreeding:.4f} / {m.greatest_inbreeding:.4f}",
    )


def write_spawning(
    programme: Programme, outcome: SpawningOutcome, folder: Path, more: dict[str, Any] | None = None
) -> list[Path]:
    """Write sheet (HTML, PDF), crosses, reasons and plan file; each file whole or not at all.

    Parameters
    ----------
    programme, outcome, folder
        What to write and where.
    more : dict, optional
        Further plain values for the plan file.
    """
    sheet = sheet_of(programme, outcome)
    names = ("spawning_sheet.html", "spawning_sheet.pdf", "spawning_crosses.csv", "spawning_reasons.csv")
    out = [folder / name for name in names]
    write_text(out[0], sheet_html(sheet))
    write_bytes(out[1], sheet_pdf(sheet, outcome.day))
    write_text(out[2], outcome.crosses.to_csv(index=False, lineterminator="\n"))
    why = pd.DataFrame(
        [
            {
                "dam": r.dam.name,
                "sire": r.sire.name,
                "dishes": r.dishes,
                "why": " ".join(r.sentences),
                "what_would_change": pair_change(r),
            }
            for r in outcome.reasons
        ]
    )
    write_text(out[3], why.to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "spawning_plan.json", outcome.as_dict() | (more or {})))
    return out


def planned_version(folder: Path) -> int:
    """Return the version after the plan file in a folder, 1 when there is none."""
    return next_version(folder / "spawning_plan.json")
