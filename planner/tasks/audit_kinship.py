"""The audit's founders and kinship: what each founder line still contributes, and how related the fish in care are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.heat_figure import MOST_HEAT_ROWS, HeatMap
from planner.tasks.audit_part import ESTIMATE_COLUMNS, AuditPart, AuditTable, flat, not_made
from planner.tasks.figures import by_relatedness
from planner.tasks.founder_figure import board_figure
from planner.tasks.founders import DROPS, FounderBoard, founder_board
from planner.tasks.kinship import METHOD, KinshipReport, living_kinship
from planner.tasks.programme import Programme

MOST_FOUNDERS = 30
MOST_NAMES = 12
CLOSE = 0.125
"""Kinship of half sibs: pairs from here on are counted as close relatives."""


def founders_part(programme: Programme) -> AuditPart:
    """Report founder numbers and the founder board of the fish in care."""
    title = "Founders of the fish in care"
    try:
        board = founder_board(programme)
    except UsageError as error:
        return not_made("founders", title, str(error).split("found ", 1)[-1].split(".")[0])
    numbers = pd.DataFrame([{"number": name, **flat(e)} for name, e in board.numbers])
    living = board.table[board.table["copies"] > 0]
    risky = living[living["risk"] >= 1.0 - 1e-9]
    lines = (
        f"{len(living)} of {len(board.table)} founder lines have living copies among the fish in care; {len(risky)} of them "
        "live in one place only.",
    )
    blocks = [
        table_block(
            "Founder numbers, each with its own definition",
            [("Number", 3), ("Estimate", 2, "right"), ("Method", 4)],
            [(name, e.text(0 if e.method == "count" else 2), e.method) for name, e in board.numbers],
        ),
        board_figure(board),
        _board_block(board),
        table_block(
            "If a place were lost tonight",
            [
                ("Place", 1.5),
                ("Fish", 0.6, "right"),
                ("Gene diversity lost", 1.2, "right"),
                ("Founder genomes lost", 1.5, "right"),
                ("Lines that live only there", 3),
            ],
            [[*r[:4], _first_names(r[4])] for r in board.loss_rows()[1]],
        ),
    ]
    alarms = []
    for place, lost in zip(board.places, board.lines_lost, strict=True):
        if lost and len(board.places) > 1:
            alarms.append(
                f"Copy {len(lost)} founder line(s) that live only at {place} to a second place: {', '.join(lost[:8])}"
                + (" and others." if len(lost) > 8 else ".")
            )
    columns = {
        "founder": "Founder.",
        "share": "Expected share of the genes of the fish in care.",
        "copies": "Expected living copies of its genome.",
        "descendants": "Living descendants, itself included.",
        "largest_place": "Place with most copies.",
        "risk": "Share of its copies that is in that place.",
        "retention": "Expected share of its genome that still lives.",
    } | {f"copies at {p}": f"Expected living copies at {p}." for p in board.places}
    return AuditPart(
        "founders",
        AuditSection(title, lines, tuple(blocks)),
        (
            AuditTable("founder_lines", "One founder line.", board.table, columns),
            AuditTable(
                "founder_numbers",
                "One founder number.",
                numbers,
                {"number": "Name with its definition."} | ESTIMATE_COLUMNS,
            ),
        ),
        board.as_dict(),
        tuple(alarms[:3]),
        (
            "Founder numbers: recorded pedigree (claims by DNA that are sure enough stand in), founders taken as unrelated.",
        ),
    )


def _first_names(names: str) -> str:
    """Shorten a long list of lines; the whole list is in the table founder_lines."""
    each = names.split(", ")
    return (
        names
        if len(each) <= MOST_NAMES
        else f"{', '.join(each[:MOST_NAMES])} and {len(each) - MOST_NAMES} more"
    )


def _board_block(board: FounderBoard) -> Any:
    rows = [
        (
            r["founder"],
            f"{r['share']:.3f}",
            f"{r['copies']:.2f}",
            str(r["descendants"]),
            r["largest_place"],
            f"{r['risk']:.0%}" if r["largest_place"] else "",
            f"{r['retention']:.2f}",
        )
        for r in board.table.head(MOST_FOUNDERS).to_dict("records")
    ]
    more = len(board.table) - MOST_FOUNDERS
    right = "right"
    return table_block(
        "Founder board",
        [
            ("Founder line", 1.2),
            ("Share of genes", 1, right),
            ("Living copies", 1, right),
            ("Descendants", 1, right),
            ("Mostly at", 1.5),
            ("Share there", 1, right),
            ("Kept of its genome", 1.1, right),
        ],
        rows,
        "Shares and copies are exact for the recorded pedigree, without sampling error. Kept of its genome is the mean of "
        f"{DROPS} gene drops, known to {1.96 * 0.5 / DROPS**0.5:.2f} or better."
        + (f" {more} more lines in the table founder_lines." if more > 0 else ""),
    )


def kinship_part(programme: Programme) -> AuditPart:
    """Report kinship of the fish in care with its heat map."""
    title = "Kinship of the fish in care"
    try:
        report = living_kinship(programme)
    except UsageError as error:
        return not_made("kinship", title, str(error).split("found ", 1)[-1].split(".")[0])
    n = len(report.fish)
    pairs = report.matrix[np.triu_indices(n, 1)]
    close = int((pairs >= CLOSE - 1e-9).sum())
    lines = [
        f"{n} fish: mean kinship {report.group_mean:.4f} with self pairs (gene diversity {1 - report.group_mean:.4f}); "
        f"{close} of {len(pairs)} pairs are half sibs or closer.",
        f"Method: {METHOD}.",
    ]
    blocks = []
    missing: tuple[str, ...] = ()
    if 2 <= n <= MOST_HEAT_ROWS:
        blocks.append(_heat(report))
    else:
        missing = (f"heat map, because {n} fish are in care, and 2 to {MOST_HEAT_ROWS} can be drawn",)
    table = report.table
    columns = {
        "fish_id": "Fish.",
        "sex": "Sex.",
        "origin": "Origin.",
        "year_class": "Year class.",
        "dam": "Dam in use.",
        "sire": "Sire in use.",
        "inbreeding": "Inbreeding coefficient.",
        "mean_kinship": "Mean kinship to all fish in care, itself included.",
    }
    return AuditPart(
        "kinship",
        AuditSection(title, tuple(lines), tuple(blocks), missing),
        (AuditTable("mean_kinship", "One fish in care.", table, columns),),
        {
            "fish": n,
            "mean_kinship": report.group_mean,
            "gene_diversity": 1 - report.group_mean,
            "pairs_half_sib_or_closer": close,
            "method": METHOD,
        },
        (),
        (f"Kinship: {METHOD}.",),
    )


def _heat(report: KinshipReport) -> AuditFigure:
    order = by_relatedness(report)
    return AuditFigure(
        "kinship_heat_map",
        "Kinship of every pair, relatives side by side",
        HeatMap(report.matrix[order][:, order], tuple(report.fish[k] for k in order)),
        f"Heat map of kinship between {len(order)} fish in care; darker is more closely related.",
        "Darker is more closely related. Fish are ordered so that relatives stand together; dark squares on the diagonal "
        "are families.",
    )
