"""Lay out a release plan as a manifest, and write manifest, tables, figure and plan file."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.estimates import Estimate
from planner.optimise.release.explain import RefusedGroup
from planner.reports.figures import family_by_site, write_figure
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.release_manifest import SiteLine, release_manifest
from planner.reports.sheet import Sheet
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.plan_file import next_version, write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release import FIGURE_KINDS, MOST_FAMILIES, ReleaseOutcome, three_digits
from planner.tasks.release_fallbacks import MOST_SHOWN
from planner.tasks.rows import rows


def manifest(programme: Programme, outcome: ReleaseOutcome, with_tags: bool = True) -> Sheet:
    """Lay out the release manifest of a plan."""
    m = outcome.plan.measures
    assert m is not None
    receiving = [k for k, s in enumerate(m.sites) if s.arrivals]
    table = programme.tables["sites"]
    ids = list(table["site_id"])
    lines = [_site_line(outcome, k, ids[k]) for k in receiving]
    not_sent = [
        (s.site, outcome.inputs.site_words.get(ids[k], ""), _why_none(outcome, k))
        for k, s in enumerate(m.sites)
        if not s.arrivals
    ]
    refused = _refused_by_reason(outcome)
    comparison = [_comparison("this plan", outcome.plan.objective, m, "none")]
    for p in outcome.plain:
        kinds = sorted({b.code for b in p.breaches})
        broken = f"{len(p.breaches)}: {', '.join(kinds)}" if p.breaches else "none"
        comparison.append(_comparison(p.name, p.objective, p.measures, broken))
    return release_manifest(
        programme.settings["programme_name"],
        f"{outcome.day:%d %b %Y}",
        lines,
        not_sent,
        refused,
        outcome.facts(),
        comparison,
        outcome.provenance,
        with_tags,
        fallbacks=[
            (f.site, str(f.fish), *(f.words() + [""] * MOST_SHOWN)[:MOST_SHOWN]) for f in outcome.fallbacks
        ],
        changes=outcome.changes,
    )


def _refused_by_reason(outcome: ReleaseOutcome) -> list[tuple[str, str]]:
    """Put groups that are refused for the same reasons into one line: fish and families, reasons and waters."""
    together: dict[tuple[tuple[str, tuple[str, ...]], ...], list[RefusedGroup]] = {}
    for r in outcome.plan.refused:
        together.setdefault(r.reasons, []).append(r)
    out = []
    for reasons, groups in together.items():
        families = list(dict.fromkeys(g.family for g in groups))
        named = ", ".join(families[:MOST_FAMILIES])
        more = f" and {len(families) - MOST_FAMILIES} more families" if len(families) > MOST_FAMILIES else ""
        fish = sum(g.number for g in groups)
        why = "; ".join(f"{reason} ({', '.join(sites)})" for reason, sites in reasons)
        out.append((f"{fish} fish: {named}{more}", why))
    return sorted(out, key=lambda line: -int(line[0].split()[0]))


def write_release(
    programme: Programme, outcome: ReleaseOutcome, folder: Path, figure_kinds: tuple[str, ...] = FIGURE_KINDS
) -> list[Path]:
    """Write manifest (HTML, PDF), tables, figure and plan file; each file whole or not at all.

    Figures of an older version in forms that are not asked for are removed: they would be out of date.
    """
    sheet = manifest(programme, outcome)
    out = [
        folder / name
        for name in ("release_manifest.html", "release_manifest.pdf", "release_fish.csv", "release_lines.csv")
    ]
    with ThreadPoolExecutor(max_workers=1) as beside:  # the PDF is set while the figure is drawn
        pdf = beside.submit(sheet_pdf, sheet, outcome.day)
        write_text(out[0], sheet_html(sheet))
        write_text(out[2], outcome.fish.to_csv(index=False, lineterminator="\n"))
        write_text(out[3], outcome.lines.to_csv(index=False, lineterminator="\n"))
        bars = _bars(outcome)
        if not bars.empty:
            out += write_figure(
                family_by_site(bars, "Families at each water, residents and arrivals"),
                folder / "families_by_site",
                figure_kinds,
            )
        write_bytes(out[1], pdf.result())
    for kind in set(FIGURE_KINDS) - set(figure_kinds):
        (folder / f"families_by_site.{kind}").unlink(missing_ok=True)
    out.append(write_plan_file(folder / "release_plan.json", outcome.as_dict()))
    return out


def planned_version(folder: Path) -> int:
    """Return the version after the plan file in a folder, 1 when there is none."""
    return next_version(folder / "release_plan.json")


def _bars(outcome: ReleaseOutcome) -> pd.DataFrame:
    data, numbers = outcome.inputs.data, outcome.plan.numbers
    assert numbers is not None
    arriving = (data.membership @ numbers).astype(int)
    records = []
    for s, site in enumerate(data.sites.name):
        if not arriving[:, s].any():
            continue
        for f, family in enumerate(data.families.name):
            for when, count in (("resident", data.sites.residents[f, s]), ("arriving", arriving[f, s])):
                if count:
                    records.append({"family": family, "site": site, "number": int(count), "when": when})
    return pd.DataFrame(records, columns=["family", "site", "number", "when"])


def _site_line(outcome: ReleaseOutcome, k: int, site_id: str) -> SiteLine:
    m = outcome.plan.measures
    assert m is not None
    s = m.sites[k]
    here = outcome.fish[outcome.fish["site"] == s.site]
    room = (
        "no limit"
        if s.capacity_fish is None
        else f"{s.capacity_fish - s.residents}, {s.capacity_fish - s.residents - s.arrivals}"
    )
    units_of = _units_of(here)
    groups = [
        (line.family, line.size_class, str(line.number), units_of.get(line.family, ""))
        for line in rows(outcome.lines[outcome.lines["site"] == s.site])
    ]
    tags = [(f.tag, f.family, f"{f.total_length_mm:.0f}") for f in rows(here.sort_values(["family", "tag"]))]
    data, numbers = outcome.inputs.data, outcome.plan.numbers
    assert numbers is not None
    bodies = data.membership @ numbers[:, k]
    before = data.sites.residents[:, k].astype(float)
    notes = [
        f"Facts: {outcome.inputs.site_words.get(site_id, '')}. Largest family after the release: "
        f"{s.largest_family or 'none'} with {s.largest_share or 0:.0%} of the fish; {s.new_families} families are new here."
    ]
    return SiteLine(
        site_id,
        s.site,
        s.arrivals,
        f"{s.arrivals_kg:.1f} kg",
        room,
        s.survivors.text(0),
        f"{three_digits(s.kinship_before)}, {three_digits(s.kinship)}",
        f"{_effective(before)}, {_effective(before + bodies)}",
        groups,
        tags,
        notes,
    )


def _units_of(here: pd.DataFrame) -> dict[str, str]:
    """Return for each family the units its fish come from, the one with most fish first."""
    counts: dict[str, Counter[str]] = {}
    for family, unit in zip(here["family"], here["unit"], strict=True):
        counts.setdefault(family, Counter())[unit] += 1
    return {family: ", ".join(unit for unit, _ in units.most_common()) for family, units in counts.items()}


def _why_none(outcome: ReleaseOutcome, k: int) -> str:
    """Say why a water receives none: no group may go, or the plan does better without it."""
    from planner.optimise.release.pair_rules import PAIR_RULES, allowed

    data = outcome.inputs.data
    if not data.sites.open[k]:
        return "closed"
    free = allowed(data)[:, k]
    if free.any():
        if data.sites.room[k] == 0:
            return "full"
        return "may receive fish; under these rules and settings the plan is better without it"
    reasons = [r.reason for r in PAIR_RULES if r.refused(data)[:, k].any()]
    return "no fish may go: " + "; ".join(dict.fromkeys(reasons))


def _comparison(name: str, objective: float | None, m: Any, broken: str) -> tuple[str, ...]:
    survivors: Estimate = m.survivors
    return (
        name,
        "–" if objective is None else f"{objective:.3f}",
        three_digits(m.kinship_within),
        three_digits(m.kinship_across),
        survivors.text(0),
        broken,
    )


def _effective(numbers: np.ndarray) -> str:
    total = numbers.sum()
    return "–" if total == 0 else f"{total**2 / (numbers**2).sum():.1f}"
