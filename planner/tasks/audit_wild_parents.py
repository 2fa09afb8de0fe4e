"""The audit's wild parents: how many adults the larvae of a year class come from, and whether enough were caught."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.effective_size.sibship import sibship_nb
from broodstock.estimates import Estimate
from broodstock.parentage.error_model import reference_frequencies
from broodstock.parentage.parent_accumulation import ParentAccumulation, parent_accumulation
from broodstock.parentage.sibship import Sibships, SibshipSettings, reconstruct_sibships
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.audit_share_figures import accumulation_curve
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import ESTIMATE_COLUMNS, AuditPart, AuditTable, flat, not_made
from planner.tasks.audit_samples import FEWEST_FISH, AuditCalls
from planner.tasks.programme import Programme

TITLE = "Parents of the wild larvae"
SAMPLING = SibshipSettings(burn_in=15, samples=20)
MOST_LARVAE = 250
"""Larvae reconstructed at once; more are thinned at random, because the work grows faster than their number."""
FEWEST_FOUNDERS = 10


@dataclass(frozen=True)
class WildParents:
    """Parents behind the wild larvae.

    Parameters
    ----------
    part : AuditPart
        The part of the audit.
    year_class : int or None
        Year class of the larvae; None when the part could not be made.
    breeders : Estimate or None
        Effective number of breeders from the families found.
    sentence : str
        Words for a person; empty when the part could not be made.
    """

    part: AuditPart
    year_class: int | None = None
    breeders: Estimate | None = None
    sentence: str = ""


def wild_parents(programme: Programme, calls: AuditCalls, year_class: int) -> WildParents:
    """Reconstruct the families of the wild larvae of a year class and count the parents behind them.

    Parameters
    ----------
    programme : Programme
        Open records.
    calls : AuditCalls
        Calls of the main set.
    year_class : int
        Year class audited; without enough larvae of it the latest before it is taken.
    """
    larvae = calls.table[calls.table["group"] == "larva"]
    sizes = larvae["year_class"].dropna().astype(int).value_counts()
    years = [int(y) for y in sizes[sizes >= FEWEST_FISH].index if y <= year_class]
    if not years:
        why = f"no year class up to {year_class} has {FEWEST_FISH} typed larvae"
        return WildParents(not_made("wild_parents", TITLE, why))
    year = max(years)
    chosen = larvae[larvae["year_class"] == year]
    seed = int(programme.settings["seed"])
    if len(chosen) > MOST_LARVAE:
        picked = np.random.default_rng(seed).choice(len(chosen), MOST_LARVAE, replace=False)
        chosen = chosen.iloc[np.sort(picked)]
    found = _families(calls, chosen, seed)
    larva_curve = parent_accumulation(found.sampled_parents, seed=seed)
    placed = chosen.loc[list(found.offspring)]
    nights = placed["collected_on"].astype(str)
    night_curve = parent_accumulation(found.sampled_parents, list(nights), seed=seed)
    breeders = _breeders(found, year, float(programme.settings["confidence"]), seed)
    rows = _rows(found, larva_curve, night_curve, breeders)
    blocks: list[TableBlock | AuditFigure] = [
        table_block(
            f"Year class {year}: {len(found.offspring)} larvae of {nights.nunique()} nights",
            [("Number", 2.4), ("Estimate", 1.6, "right"), ("Method", 4)],
            [(name, e.text(digits), e.method) for name, e, digits in rows],
        )
    ]
    if larva_curve.curve:
        blocks.append(_figure(larva_curve, year))
    lines = (
        "Nobody saw these parents: families were found from the larvae's genotypes alone. A half-sib link between two larvae "
        "without other sibs is weak evidence, so the number of parents carries a range.",
        larva_curve.sentence,
        f"By nights: {night_curve.sentence}",
    )
    numbers = pd.DataFrame([{"number": name, **flat(e)} for name, e, _ in rows])
    curve = _curve_frame(larva_curve)
    tables = [
        AuditTable(
            "wild_parents",
            "One number about the parents of the wild larvae.",
            numbers,
            {"number": "Name of the number."} | ESTIMATE_COLUMNS,
        )
    ]
    if len(curve):
        columns = {
            "n": "Larvae.",
            "value": "Parents expected.",
            "low": "Lower limit.",
            "high": "Upper limit.",
            "part": "Among the larvae sampled, or beyond them.",
        }
        tables.append(AuditTable("parent_accumulation", "Parents expected from some larvae.", curve, columns))
    data: dict[str, Any] = {
        "year_class": year,
        "larvae": len(found.offspring),
        "nights": int(nights.nunique()),
        "numbers": {name: e.as_dict() for name, e, _ in rows},
        "enough_larvae": larva_curve.enough,
        "enough_nights": night_curve.enough,
        "chains_disagree": found.chains_disagree,
        "sentences": [larva_curve.sentence, night_curve.sentence],
    }
    methods = (
        "Families of wild larvae: full and half sibs from a likelihood over the whole sample with typing errors (Thomas & Hill "
        f"2000; Wang 2004), {SAMPLING.chains} random starts of {SAMPLING.burn_in} + {SAMPLING.samples} sweeps; the starts "
        f"differ on {found.chains_disagree:.1%} of the sib pairs. Accumulation: rarefaction (Hurlbert 1971), lower bound of "
        "Chao (1984, 1987), coverage of Chao & Jost (2012).",
    )
    part = AuditPart(
        "wild_parents", AuditSection(TITLE, lines, tuple(blocks)), tuple(tables), data, (), methods
    )
    return WildParents(part, year, breeders, larva_curve.sentence)


def _families(calls: AuditCalls, larvae: pd.DataFrame, seed: int) -> Sibships:
    index = calls.genotypes.index
    founders = [i for i, g in enumerate(calls.table["group"]) if g == "founder"]
    neutral = calls.genotypes.with_role("neutral")
    frequencies = reference_frequencies(neutral, founders) if len(founders) >= FEWEST_FOUNDERS else None
    return reconstruct_sibships(
        calls.genotypes, [index[s] for s in larvae.index], frequencies, settings=SAMPLING, seed=seed
    )


def _breeders(found: Sibships, year: int, level: float, seed: int) -> Estimate:
    """Return Nb from the sib pairs of the families found, one parent of each side."""
    parents = {o: f.parents for f in found.families for o in f.members}
    sides = [pd.factorize(np.array([parents[o][side] for o in found.offspring]))[0] for side in (0, 1)]
    return sibship_nb(
        sides[0].astype(np.int64),
        sides[1].astype(np.int64),
        group=f"the wild larvae of year class {year}",
        level=level,
        seed=seed,
    )


def _rows(
    found: Sibships, larvae: ParentAccumulation, nights: ParentAccumulation, breeders: Estimate
) -> list[tuple[str, Estimate, int]]:
    return [
        ("Full-sib families behind the sample", found.n_families, 0),
        ("Parents behind the sample", found.n_parents, 0),
        ("Parents that took part, at least (by larvae)", larvae.richness, 0),
        ("Share of the parents of a further larva already known", larvae.coverage, 2),
        (f"Larvae in all to know {larvae.goal:.0%} of them", larvae.needed, 0),
        ("New parents from one more night", nights.next_unit, 1),
        (f"Nights in all to know {nights.goal:.0%} of the parents of a night", nights.needed, 0),
        ("Effective number of breeders, families found from DNA", breeders, 0),
    ]


def _curve_frame(found: ParentAccumulation) -> pd.DataFrame:
    words = {"fewer": "larvae sampled", "as sampled": "larvae sampled", "more": "extrapolated"}
    rows = [
        {
            "n": p.units,
            "value": p.parents.value,
            "low": p.parents.low,
            "high": p.parents.high,
            "part": words[p.kind],
        }
        for p in found.curve
    ]
    return pd.DataFrame(rows, columns=["n", "value", "low", "high", "part"])


def _figure(found: ParentAccumulation, year: int) -> AuditFigure:
    frame = _curve_frame(found)
    last = frame[frame["part"] == "larvae sampled"].tail(1).assign(part="extrapolated")
    drawn = pd.concat([frame, last]).sort_values(["part", "n"], ascending=[False, True], kind="stable")
    return AuditFigure(
        "parent_accumulation",
        f"Parents found as more larvae of year class {year} are typed",
        accumulation_curve(drawn, "larvae typed", "parents found"),
        "Number of parents found against the number of larvae typed, with intervals.",
        "Dashed: beyond the larvae typed. A line that still rises means that more larvae, of more nights, would bring new "
        "parents into care.",
    )
