"""Plan a release from the records, recheck it, and write the manifest, tables, figure and plan file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from broodstock.errors import KinshoalError
from broodstock.estimates import Estimate
from planner.optimise.release.assign import assign_fish
from planner.optimise.release.explain import RefusedGroup, allocations, kept_back_reasons
from planner.optimise.release.naive import PlainPlan, fill_in_order, proportional
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.recheck import breaches
from planner.optimise.release.solve import plan_release
from planner.provenance import Provenance
from planner.reports.figures import family_by_site, write_figure
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.release_manifest import SiteLine, release_manifest
from planner.reports.sheet import Sheet
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.plan_file import next_version, write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release_data import SETTINGS_USED, ReleaseInputs, release_inputs
from planner.tasks.release_fallbacks import MOST_SHOWN, SiteFallbacks, fallbacks
from planner.tasks.rows import rows

MOST_FAMILIES = 8
FIGURE_KINDS = ("svg", "png", "html")


class NoReleasePlanError(KinshoalError):
    """No plan can meet the rules, or none was found in time; the message says which rules conflict."""

    code = "no-plan"

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code


@dataclass(frozen=True)
class ReleaseOutcome:
    """A release plan with all that is shown of it.

    Parameters
    ----------
    plan : ReleasePlan
        The plan; it has passed the recheck.
    inputs : ReleaseInputs
        What it was made from.
    fish : DataFrame
        One row per fish of the stock: ``stock_id, tag, family, year_class, sex, total_length_mm, unit,
        site`` (empty when it stays) and ``why``.
    lines : DataFrame
        One row per group and site with the number, expected survival and reason.
    plain : tuple of PlainPlan
        Plans without optimisation.
    provenance : Provenance
        Inputs, settings, seed, proof.
    day : date
        Day of release.
    closed : tuple of str
        Sites found closed against the records.
    fallbacks : tuple of SiteFallbacks
        For each water with fish: the other waters ranked, should it be red on the day.
    changes : tuple of str
        What differs from the plan this version voids; empty for a first plan.
    """

    plan: ReleasePlan
    inputs: ReleaseInputs
    fish: pd.DataFrame
    lines: pd.DataFrame
    plain: tuple[PlainPlan, ...]
    provenance: Provenance
    day: dt.date
    closed: tuple[str, ...] = ()
    fallbacks: tuple[SiteFallbacks, ...] = ()
    changes: tuple[str, ...] = ()

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the plan as label and value."""
        m = self.plan.measures
        assert m is not None
        return (
            ("Fish released", f"{m.released} of {len(self.fish)}"),
            ("Kept at the station", str(m.kept_back)),
            ("Expected first-year survivors", m.survivors.text(0)),
            ("Mean kinship within sites", _three(m.kinship_within)),
            (
                "Mean kinship of all sites",
                f"{_three(m.kinship_whole)} (before {_three(m.kinship_whole_before)})",
            ),
            ("Effective families at all sites", _one(m.effective_families)),
            ("Objective, proven bound", f"{self.plan.objective:.4f}, {self.plan.bound:.4f}"),
            ("Proven gap", f"{self.plan.gap:.3%}" if self.plan.gap is not None else "none"),
        )

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water that receives fish."""
        m = self.plan.measures
        assert m is not None
        return ["water", "fish", "kg", "expected survivors", "kinship before", "after", "families"], [
            [
                s.site,
                str(s.arrivals),
                f"{s.arrivals_kg:.1f}",
                s.survivors.text(0),
                _three(s.kinship_before),
                _three(s.kinship),
                str(s.families),
            ]
            for s in m.sites
            if s.arrivals
        ]

    def _sent(self) -> pd.DataFrame:
        return self.fish[self.fish["site"] != ""]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        m = self.plan.measures
        assert m is not None
        return {
            "status": str(self.plan.status),
            "objective": self.plan.objective,
            "bound": self.plan.bound,
            "gap": self.plan.gap,
            "released": m.released,
            "kept_back": m.kept_back,
            "survivors": m.survivors.as_dict(),
            "kinship_within": m.kinship_within,
            "kinship_across": m.kinship_across,
            "kinship_whole": m.kinship_whole,
            "gene_diversity": m.gene_diversity,
            "effective_families": m.effective_families,
            "sites": [_site_dict(s) for s in m.sites],
            "lines": self.lines.to_dict("records"),
            "fish": {str(site): list(here["stock_id"]) for site, here in self._sent().groupby("site")},
            "closed": list(self.closed),
            "changes": list(self.changes),
            "fallbacks": [f.as_dict() for f in self.fallbacks],
            "refused": [r.text() for r in self.plan.refused],
            "plans_without_optimisation": [
                {"name": p.name, "objective": p.objective, "rules_broken": [b.text() for b in p.breaches]}
                for p in self.plain
            ],
            "notes": list(self.inputs.notes),
            "provenance": self.provenance.as_dict(),
        }


def release_plan(
    programme: Programme,
    day: dt.date | None = None,
    closed: tuple[str, ...] = (),
    version: int = 1,
    progress: Callable[[str], None] | None = None,
) -> ReleaseOutcome:
    """Plan which fish go where, prove how good the plan is, and recheck it without the solver.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date, optional
        Day of release; default the setting ``release_day``.
    closed : tuple of str
        Sites found closed against the records.
    version : int
        Version of the plan.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    ReleaseOutcome
        Plan, tables and provenance.

    Raises
    ------
    NoReleasePlanError
        If no plan can meet the rules (exit code 4) or none was found in time (exit code 5).
    UsageError, ValueRangeError
        If the records do not allow a plan.
    """
    day = day or programme.settings.day("release_day")
    inputs = release_inputs(programme, day, closed)

    def tell(step: str, value: float | None, bound: float | None) -> None:
        if progress is not None:
            figures = "" if value is None or bound is None else f": value {value:.4f}, bound {bound:.4f}"
            progress(step + figures)

    plan = plan_release(inputs.data, progress=tell)
    if plan.numbers is None:
        if plan.conflicts is not None:
            raise NoReleasePlanError(plan.conflicts.text(), 4)
        raise NoReleasePlanError(
            f"Release plan: stopped ({plan.status}) without a plan. Give it more time with --set time_limit=SECONDS, "
            "or ask for less.",
            5,
        )
    fish = _fish_table(inputs, plan, int(programme.settings["seed"]))
    return outcome_of(programme, inputs, plan, fish, day, closed, version)


def outcome_of(
    programme: Programme,
    inputs: ReleaseInputs,
    plan: ReleasePlan,
    fish: pd.DataFrame,
    day: dt.date,
    closed: tuple[str, ...],
    version: int,
) -> ReleaseOutcome:
    """Recheck a plan and put all that is shown of it together.

    Parameters
    ----------
    programme : Programme
        Open records.
    inputs : ReleaseInputs
        What the plan was made from.
    plan : ReleasePlan
        The plan; it has numbers.
    fish : DataFrame
        One row per fish with its site, as in `ReleaseOutcome`.
    day : date
        Day of release.
    closed : tuple of str
        Sites found closed against the records.
    version : int
        Version of the plan.

    Returns
    -------
    ReleaseOutcome
        Plan, tables, fallbacks and provenance.
    """
    assert plan.numbers is not None
    broken = breaches(inputs.data, plan.numbers, plan.survivors_floor)
    if broken:
        raise AssertionError("the recheck refuses the plan: " + "; ".join(b.text() for b in broken))
    class_of = dict(zip(inputs.data.groups.name, inputs.data.groups.size_class, strict=True))
    lines = pd.DataFrame(
        [
            {
                "group": a.group,
                "family": a.family,
                "size_class": class_of[a.group],
                "site": a.site,
                "number": a.number,
                "survival": a.survival,
                "kinship_to_site": a.kinship_to_site,
                "why": a.reason,
            }
            for a in allocations(inputs.data, plan.numbers)
        ],
        columns=["group", "family", "size_class", "site", "number", "survival", "kinship_to_site", "why"],
    )
    provenance = Provenance(
        kind="release plan",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(programme.settings["seed"]),
        settings=programme.settings.used(SETTINGS_USED)
        | {"release_day": day.isoformat(), "closed": ", ".join(closed) or "none"},
        version=version,
        proof={
            "status": str(plan.status),
            "value": f"{plan.objective:.6f}",
            "bound": f"{plan.bound:.6f}",
            "gap": "none" if plan.gap is None else f"{plan.gap:.4%}",
        },
    )
    plain = (
        proportional(inputs.data, plan.survivors_floor),
        fill_in_order(inputs.data, None, plan.survivors_floor),
    )
    ranked = fallbacks(inputs.data, plan.numbers)
    return ReleaseOutcome(plan, inputs, fish, lines, plain, provenance, day, closed, ranked)


def _fish_table(inputs: ReleaseInputs, plan: ReleasePlan, seed: int) -> pd.DataFrame:
    """Choose the single fish for each line of the plan."""
    assert plan.numbers is not None
    fish = inputs.fish
    sex = fish["sex"].where(fish["sex"] != "", "unknown")
    assignment = assign_fish(plan.numbers, fish["group"].to_numpy(), sex.to_numpy(), seed=seed)
    return fish_columns(inputs, assignment.site, plan.numbers)


def fish_columns(inputs: ReleaseInputs, place: BigIntArray, numbers: BigIntArray) -> pd.DataFrame:
    """Return the table of fish: the site of each, or why it stays.

    Parameters
    ----------
    inputs : ReleaseInputs
        The stock with its groups.
    place : ndarray, int64, shape (n_fish,)
        Position of the site of each fish; -1: it stays.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        The plan.

    Returns
    -------
    DataFrame
        As `ReleaseOutcome.fish`.
    """
    fish = inputs.fish.copy()
    names = np.array([*inputs.data.sites.name, ""], dtype=object)
    fish["site"] = names[place]
    stays = {group: why for group, _, why in kept_back_reasons(inputs.data, numbers)}
    group_names = np.array(inputs.data.groups.name, dtype=object)[fish["group"]]
    fish["why"] = [
        "" if site else stays.get(group, "kept at the station")
        for site, group in zip(fish["site"], group_names, strict=True)
    ]
    columns = ["stock_id", "tag", "family", "year_class", "sex", "total_length_mm", "unit", "site", "why"]
    return fish[columns]


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
    write_text(out[0], sheet_html(sheet))
    write_bytes(out[1], sheet_pdf(sheet, outcome.day))
    write_text(out[2], outcome.fish.to_csv(index=False, lineterminator="\n"))
    write_text(out[3], outcome.lines.to_csv(index=False, lineterminator="\n"))
    bars = _bars(outcome)
    if not bars.empty:
        out += write_figure(
            family_by_site(bars, "Families at each water, residents and arrivals"),
            folder / "families_by_site",
            figure_kinds,
        )
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
    groups = [
        (line.family, line.size_class, str(line.number), _units_of(here, line.family))
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
        f"{_three(s.kinship_before)}, {_three(s.kinship)}",
        f"{_effective(before)}, {_effective(before + bodies)}",
        groups,
        tags,
        notes,
    )


def _units_of(here: pd.DataFrame, family: str) -> str:
    units = here.loc[here["family"] == family, "unit"].value_counts()
    return ", ".join(str(u) for u in units.index)


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
        _three(m.kinship_within),
        _three(m.kinship_across),
        survivors.text(0),
        broken,
    )


def _site_dict(s: Any) -> dict[str, Any]:
    return {
        "site": s.site,
        "arrivals": s.arrivals,
        "residents": s.residents,
        "arrivals_kg": s.arrivals_kg,
        "survivors": s.survivors.as_dict(),
        "kinship_before": s.kinship_before,
        "kinship": s.kinship,
        "families": s.families,
        "effective_families": s.effective_families,
        "largest_family": s.largest_family,
        "largest_share": s.largest_share,
    }


def _effective(numbers: np.ndarray) -> str:
    total = numbers.sum()
    return "–" if total == 0 else f"{total**2 / (numbers**2).sum():.1f}"


def _three(x: float | None) -> str:
    return "–" if x is None else f"{x:.4f}"


def _one(x: float | None) -> str:
    return "–" if x is None else f"{x:.1f}"
