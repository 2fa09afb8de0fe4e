"""The audit's diversity: tables by year class and line and by site, and haplotypes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodstock.diversity.haplotypes import HaplotypeRow, haplotype_table
from broodstock.diversity.table import diversity_table
from planner.reports.audit_report import AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import (
    ESTIMATE_COLUMNS,
    AuditPart,
    AuditTable,
    flat,
    not_made,
    reasons_of,
    shown,
)
from planner.tasks.audit_samples import AuditCalls, set_words, site_names, year_and_line
from planner.tasks.diversity import STATISTICS, DiversityReport
from planner.tasks.programme import Programme

RAREFY_FROM = 15
"""Typed fish below which a group does not pull down the size to which richness is rarefied."""
FEWEST_READ = 5
"""Fish with a haplotype below which a group gets no haplotype diversity."""
RAREFY_MOST = 40
"""Most gene copies to which richness is rarefied: with more, loci of two alleles show both everywhere."""
LONG_COLUMNS = {
    "group": "Year class and line, founders, or site.",
    "fish": "Fish typed.",
    "loci": "Neutral loci with two typed fish or more.",
    "g": "Gene copies of rarefied values.",
    "statistic": "Name of the statistic.",
} | {k: v for k, v in ESTIMATE_COLUMNS.items() if k not in ("n_used", "unit_used")}


def diversity_part(programme: Programme, sets: list[AuditCalls]) -> AuditPart:
    """Estimate diversity by year class and line and by site, for each call set on its own.

    Parameters
    ----------
    programme : Programme
        Open records.
    sets : list of AuditCalls
        Call sets after quality control; their values are never put into one column.
    """
    blocks: list[TableBlock] = []
    tables: list[AuditTable] = []
    data: dict[str, Any] = {}
    notes: list[str] = []
    methods: list[str] = []
    for calls in sets:
        groupings = {
            "year class and line": ("year_class_line", year_and_line(calls.table)),
            "site": ("site", site_names(programme, calls.table["site_id"])),
        }
        for words, (key, label) in groupings.items():
            report = diversity_rows(programme, calls, label, words)
            if not report.rows:
                continue
            blocks.append(_diversity_block(report, f"Diversity by {words} ({set_words(calls.name)})"))
            notes += [f"{set_words(calls.name)}, {n}" for n in _missing(report)]
            tables.append(
                AuditTable(
                    f"diversity_{key}_{calls.name}",
                    f"One statistic of one {words} ({calls.name}).",
                    report.long_table(),
                    LONG_COLUMNS,
                )
            )
            data.setdefault(calls.name, {})[words] = report.as_dict()["groups"]
            method = report.rows[0].expected_heterozygosity.method
            methods.append(
                f"Diversity by {words} ({set_words(calls.name)}): {method}; richness rarefied to {report.rows[0].g} gene copies."
            )
    if not blocks:
        return not_made("diversity", "Diversity", "no sample has a year class and line, or a site")
    lines = [
        "Expected heterozygosity (He) and rarefied richness (Ar) say how much diversity a group holds; Fis above 0 means "
        "fewer heterozygotes than expected (mixing, inbreeding, null alleles). Sibs in a sample make intervals too "
        "narrow. Each marker set has its own table: values of different sets are not comparable.",
        *notes,
    ]
    return AuditPart(
        "diversity",
        AuditSection("Diversity", tuple(lines), tuple(blocks)),
        tuple(tables),
        data,
        (),
        tuple(methods),
    )


def diversity_rows(programme: Programme, calls: AuditCalls, label: pd.Series, by: str) -> DiversityReport:
    """Return diversity of every labelled group of fish; foreign fish are left out."""
    labels = calls.labels(label)
    sizes = pd.Series([x for x in labels if x is not None], dtype="string").value_counts()
    order = sorted(sizes.index)
    if not order:
        return DiversityReport((), calls.name, by, {})
    large = sizes[sizes >= RAREFY_FROM]
    common = min(int(2 * 0.9 * large.min()), RAREFY_MOST) if len(large) else None
    g = int(programme.settings["rarefy_to"]) or common
    rows = diversity_table(
        calls.genotypes,
        labels,
        order=order,
        g=g,
        n_replicates=programme.settings["bootstrap_replicates"],
        level=programme.settings["confidence"],
        seed=np.random.default_rng(programme.settings["seed"]),
    )
    return DiversityReport(tuple(rows), calls.name, by, {})


def _diversity_block(report: DiversityReport, title: str) -> TableBlock:
    g = max(r.g for r in report.rows)
    rows = [
        (
            str(r.group),
            str(r.n_typed),
            *(shown(getattr(r, s)) for s in STATISTICS if not s.startswith("private")),
        )
        for r in report.rows
    ]
    head: list[Any] = [
        ("Group", 1.5),
        ("Fish", 0.5, "right"),
        ("Ho", 1.8, "right"),
        ("He", 1.8, "right"),
        (f"Ar (g = {g})", 1.8, "right"),
        ("Fis", 1.9, "right"),
    ]
    return table_block(title, head, rows)


def _missing(report: DiversityReport) -> tuple[str, ...]:
    pairs = [
        (f"{r.group} {short}", getattr(r, name))
        for r in report.rows
        for name, short in STATISTICS.items()
        if not name.startswith("private")
    ]
    return reasons_of(pairs)


def haplotype_part(programme: Programme, calls: AuditCalls) -> AuditPart:
    """Estimate haplotype diversity by year class and line; one sample per fish."""
    title = "Mitochondrial haplotypes"
    label = year_and_line(calls.table)
    labels: list[Any] = [x or None for x in label]
    haplotypes = [x if isinstance(x, str) and x else None for x in calls.table["haplotype"]]
    read = pd.Series(
        [x for x, h in zip(labels, haplotypes, strict=True) if x and h], dtype="string"
    ).value_counts()
    order = sorted(str(x) for x in read[read >= FEWEST_READ].index)
    few = sorted(str(x) for x in read[read < FEWEST_READ].index)
    if not order:
        why = f"no year class and line, nor the founders, has {FEWEST_READ} fish whose haplotype was read"
        return not_made("haplotypes", title, why)
    settings = programme.settings
    rows = haplotype_table(
        haplotypes,
        labels,
        order=order,
        n_replicates=settings["bootstrap_replicates"],
        level=settings["confidence"],
        seed=int(settings["seed"]),
    )
    names = ("diversity", "richness", "private_richness", "effective_haplotypes")
    frame = pd.DataFrame(
        [
            {
                "group": str(r.group),
                "fish": r.n_typed,
                "haplotypes": r.n_haplotypes,
                "g": r.g,
                "statistic": name,
                **flat(getattr(r, name)),
            }
            for r in rows
            for name in names
        ]
    )
    columns = {
        "group": "Year class and line, or founders.",
        "fish": "Fish whose haplotype was read.",
        "haplotypes": "Haplotypes seen.",
        "g": "Fish of rarefied values.",
        "statistic": "Name of the statistic.",
    } | ESTIMATE_COLUMNS
    data = {
        "groups": [
            {"group": str(r.group), "fish": r.n_typed, "haplotypes": r.n_haplotypes}
            | {n: getattr(r, n).as_dict() for n in names}
            for r in rows
        ]
    }
    lines = (
        "Haplotypes follow the female line only. Sibs of one mother share theirs, so few mothers show here first.",
        *reasons_of([(f"{r.group} {n.replace('_', ' ')}", getattr(r, n)) for r in rows for n in names[:2]]),
    )
    return AuditPart(
        "haplotypes",
        AuditSection(
            title,
            lines,
            (_haplotype_block(rows),),
            (f"{', '.join(few)}: fewer than {FEWEST_READ} fish with a haplotype",) if few else (),
        ),
        (AuditTable("haplotype_diversity", "One haplotype statistic of one group.", frame, columns),),
        data,
        (),
        (f"Haplotypes: {rows[0].diversity.method or 'unbiased diversity'}.",),
    )


def _haplotype_block(rows: list[HaplotypeRow]) -> TableBlock:
    g = max((r.g for r in rows), default=0)
    head: list[Any] = [
        ("Group", 1.5),
        ("Fish read", 0.7, "right"),
        ("Haplotypes", 0.8, "right"),
        ("Diversity", 1.8, "right"),
        (f"Haplotypes among {g} fish", 1.8, "right"),
        ("Effective haplotypes", 1.8, "right"),
    ]
    cells = [
        (
            str(r.group),
            str(r.n_typed),
            str(r.n_haplotypes),
            shown(r.diversity),
            shown(r.richness, 1),
            shown(r.effective_haplotypes, 1),
        )
        for r in rows
    ]
    return table_block("Haplotype diversity by year class and line", head, cells)
