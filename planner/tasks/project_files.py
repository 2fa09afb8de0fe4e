"""Write a projection: report, figures, quantiles, JSON."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from planner.reports.html import sheet_html
from planner.reports.projection_figures import chance_figure, course_figure
from planner.reports.projection_report import (
    ProjectionFigure,
    ProjectionTable,
    projection_sheet,
)
from planner.tasks.figures import csv_text
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import write_plan_file
from planner.tasks.project import ASSUMPTIONS, ProjectionReport, strategy_words

COURSES = (
    ("gene_diversity", "Gene diversity of all living fish", "gene diversity (1 - mean kinship)", False),
    (
        "gene_diversity_waters",
        "Gene diversity of the fish in the waters",
        "gene diversity in the waters",
        False,
    ),
    ("inbreeding", "Inbreeding of all living fish", "mean inbreeding coefficient", True),
    ("adults", "Adults in the waters", "adults in the waters", True),
)


def figures_of(report: ProjectionReport) -> list[ProjectionFigure]:
    """Return the figures of a projection."""
    table = report.quantiles
    out = []
    for name, title, what, zero in COURSES:
        part = table[(table["measure"] == name) & table["mean"].notna()]
        expected = _expected(report, name)
        band = "Line: mean; band: 5 % to 95 % of replicates."
        crosses = " Crosses: expectation by recursion, where there is one." if expected is not None else ""
        chart = course_figure(
            part[["strategy", "calendar_year", "mean", "q05", "q95"]], title, what, expected, zero
        )
        out.append(ProjectionFigure(name, title, chart, band + crosses))
    chances = [
        {
            "strategy": r["strategy"],
            "kept": f"at least {r['share']:.0%}",
            "value": r["estimate"].value,
            "low": r["estimate"].low,
            "high": r["estimate"].high,
        }
        for r in report.chances.to_dict("records")
        if r["estimate"].estimable
    ]
    if chances:
        title = f"Chance to keep gene diversity over {report.wishes.years} years"
        words = f"Share of {report.wishes.replicates} replicates; the line is the Monte Carlo interval."
        out.append(ProjectionFigure("chances", title, chance_figure(pd.DataFrame(chances), title), words))
    return out


def _expected(report: ProjectionReport, name: str) -> pd.DataFrame | None:
    if name not in ("gene_diversity", "gene_diversity_waters", "inbreeding"):
        return None
    parts = []
    for strategy, path in report.expected.items():
        values = getattr(path, name)
        years = report.first_year + np.arange(len(values))
        part = pd.DataFrame({"strategy": strategy, "calendar_year": years, "value": values})
        # Where the simulation has no fish left in every replicate there is nothing to compare.
        parts.append(part[path.fish > 1])
    return pd.concat(parts, ignore_index=True) if parts else None


def tables_of(report: ProjectionReport) -> list[ProjectionTable]:
    """Return the answer tables of a projection."""
    year = report.first_year + report.wishes.years
    level = f"{report.confidence:.0%}"
    out = [
        ProjectionTable(
            f"Diversity in {year}",
            report.goal_table(),
            "Mean (5 % to 95 % of replicates). Goals stand side by side; no score is made of them.",
        ),
        ProjectionTable(
            f"Alleles, families, adults in {year}, and cost",
            report.number_table(),
            "Mean (5 % to 95 % of replicates); money in the unit of the settings.",
        ),
        ProjectionTable(
            "Chance to keep gene diversity, and effective size",
            report.chance_table(),
            f"Chances with {level} Monte Carlo interval; sizes with 5 % to 95 % of replicates. Ne per generation from "
            "the rise of kinship and of inbreeding; Nb of a year class from the variance of family sizes.",
        ),
    ]
    if len(report.results) > 1:
        note = f"Replicate by replicate with the same founder genes and years; {level} Monte Carlo interval."
        out.append(ProjectionTable(f"Differences in {year}", report.difference_table(), note))
    out.append(ProjectionTable(f"Adults by water in {year}", report.water_table(), "Mean (5 % to 95 %)."))
    check = report.check_table()
    if check[1]:
        note = (
            "The expectation follows groups of one place, sex and age with their mean numbers. Chance in the numbers makes "
            "the simulation lose a little more. Strategies that choose by kinship have no closed form."
        )
        out.append(ProjectionTable(f"Check by expectation, {year}", check, note))
    return out


def write_projection(report: ProjectionReport, folder: Path, programme: str) -> list[Path]:
    """Write report (HTML), figures (SVG), quantiles (CSV) and JSON; each file whole or not at all.

    Parameters
    ----------
    report : ProjectionReport
    folder : Path
        Where; made if needed.
    programme : str
        Name of the programme.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    from planner.reports.figures import write_figure

    figures = figures_of(report)
    wishes = report.wishes
    sheet = projection_sheet(
        programme,
        f"{report.first_year} to {report.first_year + wishes.years}",
        facts_of(report),
        [f"{s.name}: {strategy_words(s)}" for s in report.strategies],
        tables_of(report),
        figures,
        (
            ("Captive share (Ryman and Laikre)", report.supplement_lines()),
            ("What to know about this model", [*report.said, *report.made.notes]),
            ("What is assumed", ASSUMPTIONS),
        ),
        [(p.what, p.value, p.source) for p in report.made.parameters],
        report.provenance,
    )
    out = [folder / "projection.html"]
    write_text(out[0], sheet_html(sheet))
    for figure in figures:
        out += write_figure(figure.chart, folder / f"projection_{figure.name}", ("svg", "data"))
    out.append(folder / "projection_quantiles.csv")
    write_text(out[-1], csv_text(report.quantiles))
    out.append(write_plan_file(folder / "projection.json", report.as_dict()))
    return out


def facts_of(report: ProjectionReport) -> list[tuple[str, str]]:
    """Return the figures at the head."""
    start = report.results[0]
    gd = float(start.of("gene_diversity")[:, 0].mean())
    return [
        ("Years", f"{report.first_year} to {report.first_year + report.wishes.years}"),
        ("Replicates", f"{report.wishes.replicates} for each strategy, seed {report.provenance.seed}"),
        ("Fish at the start", f"{len(report.made.model.start.rows)}"),
        ("Gene diversity at the start", f"{gd:.4f}"),
    ]
