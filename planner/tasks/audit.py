"""The geneticist's audit of a year class: one report, its figures, its tables as a data package."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from broodstock.effective_size.waterfall import Waterfall
from broodstock.errors import UsageError
from planner.provenance import Provenance
from planner.reports.audit_report import AuditFigure, DrawnFigure, audit_sheet, draw
from planner.reports.figure_data import COLUMNS
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import Sheet
from planner.tasks.audit_diversity import diversity_part, haplotype_part
from planner.tasks.audit_kinship import founders_part, kinship_part
from planner.tasks.audit_losses import loss_waterfall
from planner.tasks.audit_package import write_package
from planner.tasks.audit_parents import parents_part
from planner.tasks.audit_part import AuditPart, AuditTable, not_made
from planner.tasks.audit_quality import quality_part
from planner.tasks.audit_samples import AuditCalls, audit_calls
from planner.tasks.audit_sites import sites_part
from planner.tasks.audit_sizes import sizes_part
from planner.tasks.audit_structure import structure_part
from planner.tasks.audit_trend import all_trends, trend_part
from planner.tasks.audit_waterfall import waterfall_part
from planner.tasks.audit_wild_parents import WildParents, wild_parents
from planner.tasks.audit_words import head_facts, plain_words, to_do
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.parents import ParentsReport, find_parents
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.quality import check_quality
from planner.tasks.size import SIBSHIP, SizeReport, effective_sizes

MAIN_SET = "snps"
SETTINGS_USED = (
    "seed",
    "confidence",
    "bootstrap_replicates",
    "rarefy_to",
    "screen_allele",
    "generation_years",
    "sample_call_rate_min",
    "locus_call_rate_min",
    "hybrid_index_max",
    "min_age_female",
    "min_age_male",
    "family_share_cap",
)


@dataclass(frozen=True)
class Audit:
    """A finished audit.

    Parameters
    ----------
    year_class : int
        Year class audited.
    parts : tuple of AuditPart
        In the order of the report.
    facts : tuple of (str, str)
        Figures at the head.
    words, to_do : tuple of str
        Plain words, and what to do.
    provenance : Provenance
        What it was made from.
    programme : str
        Name of the programme.
    parents : ParentsReport or None
        Parents by DNA.
    sizes : SizeReport or None
        Effective sizes of the year class.
    losses : Waterfall
        Loss of effective parents.
    """

    year_class: int
    parts: tuple[AuditPart, ...]
    facts: tuple[tuple[str, str], ...]
    words: tuple[str, ...]
    to_do: tuple[str, ...]
    provenance: Provenance
    programme: str
    parents: ParentsReport | None
    sizes: SizeReport | None
    losses: Waterfall

    def part(self, key: str) -> AuditPart:
        """Return one part by its key.

        Raises
        ------
        KeyError
            If there is no such part.
        """
        return {p.key: p for p in self.parts}[key]

    def figures(self) -> list[AuditFigure]:
        """Return all figures in order."""
        return [b for p in self.parts for b in p.section.blocks if isinstance(b, AuditFigure)]

    @cached_property
    def drawn(self) -> dict[str, DrawnFigure]:
        """All figures by name, drawn once."""
        return {f.name: draw(f) for f in self.figures()}

    def methods(self) -> tuple[str, ...]:
        """Return the sentences of the methods text, versions last."""
        said = dict.fromkeys(m for p in self.parts for m in p.methods)
        versions = ", ".join(f"{k} {v}" for k, v in self.provenance.libraries.items())
        settings = "; ".join(f"{k} = {v}" for k, v in self.provenance.settings.items())
        return (
            *said,
            f"Seed of every random step: {self.provenance.seed}. Settings: {settings}. Made with {versions}.",
        )

    def sheet(self) -> Sheet:
        """Return the report."""
        return audit_sheet(
            self.programme,
            self.year_class,
            self.facts,
            self.words,
            self.to_do,
            [p.section for p in self.parts],
            self.methods(),
            self.provenance,
            self.drawn,
        )

    def text(self) -> str:
        """Return the audit in a few lines."""
        width = max(len(k) for k, _ in self.facts)
        return "\n".join(
            [
                *(f"{k.ljust(width)}  {v}" for k, v in self.facts),
                "",
                *self.words,
                "",
                "What to do:",
                *(f"- {line}" for line in self.to_do),
            ]
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "year_class": self.year_class,
            "facts": dict(self.facts),
            "in_plain_words": list(self.words),
            "to_do": list(self.to_do),
            "alarms": {p.key: list(p.alarms) for p in self.parts if p.alarms},
            "not_made": {p.key: list(p.section.not_made) for p in self.parts if p.section.not_made},
            **{p.key: p.data for p in self.parts},
            "methods": list(self.methods()),
            "provenance": self.provenance.as_dict(),
        }


def audit_programme(
    programme: Programme, year_class: int | None = None, say: Callable[[str], None] | None = None
) -> Audit:
    """Audit a year class: quality first, then diversity, sizes, parents, losses, founders, waters.

    Parameters
    ----------
    programme : Programme
        Open records.
    year_class : int, optional
        Year class; default the latest that was typed or is in stock.
    say : callable, optional
        Told what is being done.

    Returns
    -------
    Audit
        A part that cannot be made says why.

    Raises
    ------
    UsageError
        If there are no genotypes, or no sample or fish of the year class.
    """
    tell = say or (lambda words: None)
    names = sorted(programme.genotypes, key=lambda n: (n != MAIN_SET, n))
    if not names:
        raise UsageError(
            f"audit of {programme.folder}: found no genotypes. Expected call sets in the folder genotypes/. Add them."
        )
    year = latest_year_class(programme) if year_class is None else year_class
    _check_year(programme, year)
    tell("Quality of the calls")
    sets = [audit_calls(programme, check_quality(programme, n)) for n in names]
    main = sets[0]
    tell("Parents by DNA")
    parents, why_no_parents = _parents(programme, main)
    tell("Effective sizes")
    sizes, why_no_sizes = _sizes(programme, main, year, parents)
    tell("Parents of the wild larvae")
    wild = wild_parents(programme, main, year)
    sizes = _with_families(sizes, wild)
    realised = sizes.find(f"year class {year}, hatchery", SIBSHIP) if sizes is not None else None
    losses = loss_waterfall(programme, year, parents, realised)
    tell("Diversity, trends and differences")
    trends = all_trends(programme, sets)
    parts = [
        quality_part(programme, sets),
        diversity_part(programme, sets),
        trend_part(sets, trends),
        haplotype_part(programme, main),
        structure_part(programme, main, year),
        sizes_part(programme, main, sizes, year)
        if sizes is not None
        else not_made("sizes", "Effective number of parents", why_no_sizes),
        waterfall_part(losses),
        parents_part(programme, parents, year)
        if parents is not None
        else not_made("parents", "Parents by DNA and on record", why_no_parents),
    ]
    parts.append(wild.part)
    tell("Founders, kinship and waters")
    parts += [founders_part(programme), kinship_part(programme), sites_part(programme, year)]
    return Audit(
        year,
        tuple(parts),
        head_facts(year, main, sizes, parents, losses),
        plain_words(year, trends["expected_heterozygosity"], sizes, parents, losses, wild),
        to_do(parts),
        Provenance(
            kind=f"audit of year class {year}",
            inputs=programme.fingerprint,
            made_on=programme.today.isoformat(),
            seed=int(programme.settings["seed"]),
            settings=programme.settings.used(SETTINGS_USED),
        ),
        str(programme.settings["programme_name"]),
        parents,
        sizes,
        losses,
    )


def _with_families(sizes: SizeReport | None, wild: WildParents) -> SizeReport | None:
    """Set the breeders behind the families of wild larvae beside the other methods."""
    if sizes is None or wild.breeders is None:
        return sizes
    group = f"year class {wild.year_class}, wild-larvae"
    return sizes.with_sibship(group, wild.breeders, "families found from DNA")


def latest_year_class(programme: Programme) -> int:
    """Return the latest year class among samples and stock.

    Raises
    ------
    UsageError
        If neither has one.
    """
    years = [
        int(y)
        for name in ("samples", "stock")
        for y in programme.tables[name]["year_class"].dropna().unique()
    ]
    if not years:
        raise UsageError(
            "audit: found no year class in samples.csv and stock.csv. Expected at least one. Fill in year_class."
        )
    return max(years)


def _check_year(programme: Programme, year: int) -> None:
    tables = ("samples", "stock", "releases", "families")
    known = sorted({int(y) for t in tables for y in programme.tables[t]["year_class"].dropna().unique()})
    if year not in known:
        have = f"{known[0]} to {known[-1]}" if known else "none"
        raise UsageError(
            f"--year-class: found {year}. Expected a year class in the records ({have}). Name one of them."
        )


def _parents(programme: Programme, calls: AuditCalls) -> tuple[ParentsReport | None, str]:
    try:
        return find_parents(programme, calls.quality), ""
    except UsageError as error:
        return None, str(error).removeprefix("parents: found ").split(". Expected")[0] + " were found"


def _sizes(
    programme: Programme, calls: AuditCalls, year: int, parents: ParentsReport | None
) -> tuple[SizeReport | None, str]:
    try:
        return effective_sizes(programme, year, None, calls.name, calls, parents), ""
    except UsageError:
        return None, f"no typed sample of year class {year} has a supply line"


def write_audit(audit: Audit, folder: Path) -> list[Path]:
    """Write audit.html, audit.pdf, audit.json, the figures with their data, the tables; a datapackage.json for each folder.

    Parameters
    ----------
    audit : Audit
        What to write.
    folder : Path
        Where; made when it does not exist.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    import datetime as dt

    sheet = audit.sheet()
    out = [folder / "audit.html", folder / "audit.pdf"]
    write_text(out[0], sheet_html(sheet))
    write_bytes(out[1], sheet_pdf(sheet, dt.date.fromisoformat(audit.provenance.made_on)))
    out.append(write_plan_file(folder / "audit.json", audit.as_dict()))
    for figure in audit.drawn.values():
        out.append(folder / "figures" / figure.file)
        write_text(out[-1], figure.svg)
    out += write_package(
        [
            AuditTable(
                f.name, f"What figure {f.name}.svg was drawn from.", audit.drawn[f.name].table, COLUMNS
            )
            for f in audit.figures()
        ],
        folder / "figures",
        f"Figures of a genetic audit, {audit.programme}, year class {audit.year_class}",
        audit.provenance.inputs,
        audit.provenance.made_on,
    )
    return out + write_package(
        [t for p in audit.parts for t in p.tables],
        folder / "tables",
        f"Genetic audit, {audit.programme}, year class {audit.year_class}",
        audit.provenance.inputs,
        audit.provenance.made_on,
    )
