"""The audit's trends: diversity over year classes, its change, and what such samples could have shown."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from broodstock.diversity.change import Change, change_between
from broodstock.diversity.comparable import comparable_groups
from broodstock.diversity.trend import Trend, trend_by_year_class
from broodstock.genotypes.genotype_set import GenotypeSet
from planner.reports.audit_figures import trend_panels
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import AuditPart, AuditTable, not_made, shown
from planner.tasks.audit_samples import FEWEST_FISH, AuditCalls, same_design, set_words
from planner.tasks.programme import Programme

RAREFY_TO = 2 * FEWEST_FISH - 2
"""Gene copies to which richness is rarefied in trends: one size for all lines, within reach of ten fish."""
LEAST_TYPED = 0.5
"""Share of the samples of a year class that must be typed with a set to stand for the year class."""
TREND_STATISTICS = {
    "expected_heterozygosity": "expected heterozygosity",
    "allelic_richness": "allelic richness",
}


@dataclass(frozen=True)
class LineTrend:
    """Trend of one statistic of one line in one call set, and the change from its first to its last year.

    Parameters
    ----------
    call_set, line : str
        Which.
    trend : Trend
        By year class.
    change : Change or None
        Last minus first year class of the last run.
    set_aside : tuple of str
        Year classes of which too few samples were typed with this set to stand for them.
    """

    call_set: str
    line: str
    trend: Trend
    change: Change | None
    set_aside: tuple[str, ...]


def line_trends(programme: Programme, calls: AuditCalls, statistic: str) -> list[LineTrend]:
    """Follow a statistic over the year classes of each line, samples of one design only.

    Returns
    -------
    list of LineTrend
        Lines with two year classes or more of at least ten fish, of which at least half of the samples taken
        were typed with this set.
    """
    settings, table = programme.settings, calls.table
    regular = same_design(table, pd.Series(True, index=table.index)) & ~table.index.isin(list(calls.foreign))
    out = []
    for line in sorted(set(table.loc[regular, "line"])):
        here = regular & (table["line"] == line)
        years, set_aside = _years_to_follow(programme, calls, table[here])
        if len(years) < 2:
            continue
        labels: list[Any] = [
            int(y) if ok and int(y) in years else None
            for y, ok in zip(table["year_class"].fillna(0), here, strict=True)
        ]
        options: dict[str, Any] = {
            "g": int(settings["rarefy_to"]) or RAREFY_TO,
            "n_replicates": settings["bootstrap_replicates"],
            "level": settings["confidence"],
            "seed": int(settings["seed"]),
        }
        trend = trend_by_year_class(calls.genotypes, labels, statistic, **options)
        change = None
        if trend.runs and len(trend.runs[-1].groups) >= 2:
            run = trend.runs[-1].groups
            change = change_between(calls.genotypes, labels, run[0], run[-1], statistic, **options)
        out.append(LineTrend(calls.name, str(line), trend, change, set_aside))
    return out


def _years_to_follow(
    programme: Programme, calls: AuditCalls, rows: pd.DataFrame
) -> tuple[set[int], tuple[str, ...]]:
    """Return the year classes with enough fish, and those whose samples were typed in part only.

    A part of the samples of a year, say its first nights, is another sampling design than the whole year.
    """
    all_samples = programme.tables["samples"]
    years, set_aside = set(), []
    for year, part in rows.groupby("year_class"):
        born, line = int(str(year)), part["line"].iloc[0]
        taken = all_samples[
            (all_samples["year_class"] == born).fillna(False)
            & (all_samples["line"] == line)
            & all_samples["group"].isin(set(part["group"]))
        ]
        if len(part) < FEWEST_FISH:
            continue
        if len(part) < LEAST_TYPED * len(taken):
            set_aside.append(
                f"{line}, year class {born}: {len(part)} of {len(taken)} samples were typed with {set_words(calls.name)}, too "
                "small a part to stand for the year"
            )
        else:
            years.add(born)
    return years, tuple(set_aside)


def all_trends(programme: Programme, sets: list[AuditCalls]) -> dict[str, list[LineTrend]]:
    """Return the trends of every statistic, line and call set."""
    return {s: [t for calls in sets for t in line_trends(programme, calls, s)] for s in TREND_STATISTICS}


def trend_part(sets: list[AuditCalls], found: dict[str, list[LineTrend]]) -> AuditPart:
    """Follow diversity over year classes, test its change, and say what such samples could have shown.

    Parameters
    ----------
    sets : list of AuditCalls
        Call sets after quality control.
    found : dict of str to list of LineTrend
        From `all_trends`.
    """
    everything = [t for trends in found.values() for t in trends]
    if not everything:
        return not_made("trend", "Trend", f"no line has two year classes of {FEWEST_FISH} fish or more")
    blocks: list[TableBlock | AuditFigure] = []
    frames = []
    for statistic, words in TREND_STATISTICS.items():
        frame = trend_frame(found[statistic])
        frames.append(frame.assign(statistic=statistic))
        drawn = frame[frame["low"].notna() & frame["value"].notna()]
        if len(drawn):
            blocks.append(
                AuditFigure(
                    f"trend_{statistic}",
                    f"Trend of {words}",
                    trend_panels(drawn, words),
                    f"{words.capitalize()} by year class, one panel per marker set.",
                    "Points are joined only where the same loci were typed; the panels have different loci, so their "
                    "heights must not be compared.",
                )
            )
    blocks.append(_trend_block(everything))
    breaks = marker_breaks(sets)
    lines = [
        "Only samples taken the same way every year enter a trend (larvae of the catch, releases, young of a "
        "backwater). A change that was not found is no proof that there was none: read the last column.",
        *breaks,
        *[_change_words(t) for t in found["expected_heterozygosity"] if t.change is not None],
    ]
    long = pd.concat(frames, ignore_index=True)
    tests = _test_frame(everything)
    tables = (
        AuditTable("trend_points", "One statistic of one year class of a line.", long, _POINT_COLUMNS),
        AuditTable(
            "trend_tests", "One trend, and the change from first to last year class.", tests, _TEST_COLUMNS
        ),
    )
    data = {
        "tests": tests.astype(object).where(tests.notna(), None).to_dict("records"),
        "marker_sets": breaks,
    }
    methods = (
        f"Trend: {everything[0].trend.fits[0].slope.method}; richness rarefied to {RAREFY_TO} gene copies. Change: {_change_method(everything)}. Loci must be shared by "
        "all year classes of a run; runs are never joined.",
    )
    missing = tuple(dict.fromkeys(x for t in everything for x in t.set_aside))
    section = AuditSection("Trend and change", tuple(lines), tuple(blocks), missing)
    return AuditPart("trend", section, tables, data, (), methods)


def _change_method(trends: list[LineTrend]) -> str:
    return next((t.change.test for t in trends if t.change is not None and t.change.test), "not tested")


def _change_words(found: LineTrend) -> str:
    c = found.change
    assert c is not None
    name = c.statistic.replace("_", " ")
    if not c.difference.estimable:
        return f"{found.line} ({set_words(found.call_set)}): {c.difference.text()}."
    p = "" if c.p_value is None else f", P {c.p_value:.3f}"
    return (
        f"{found.line} ({set_words(found.call_set)}): {name} changed by {c.difference.text(4)} from {c.before} to {c.after}{p}. "
        f"{c.power_text()}"
    )


def trend_frame(trends: list[LineTrend]) -> pd.DataFrame:
    """Return one row per year class, line and call set, with the number of its run of comparable loci."""
    records = [
        {
            "call_set": set_words(t.call_set),
            "line": t.line,
            "run": f"{t.call_set} {t.line} {p.run}",
            "year_class": p.year,
            "value": p.estimate.value,
            "low": p.estimate.low,
            "high": p.estimate.high,
            "n": p.n_fish,
            "loci": p.n_loci,
            "method": p.estimate.method,
            "reason": p.estimate.reason,
        }
        for t in trends
        for p in t.trend.points
    ]
    frame = pd.DataFrame(records, columns=[c for c in _POINT_COLUMNS if c != "statistic"])
    if len(frame):
        most = frame.groupby("call_set")["loci"].transform("max")
        frame["call_set"] = frame["call_set"] + ", " + most.astype(str) + " loci"
    return frame


_POINT_COLUMNS = {
    "statistic": "Name of the statistic.",
    "call_set": "Call set and its loci.",
    "line": "Supply line.",
    "run": "Year classes of one run share loci and may be compared.",
    "year_class": "Year class.",
    "value": "The estimate; empty when it is not estimable.",
    "low": "Lower limit.",
    "high": "Upper limit.",
    "n": "Fish typed.",
    "loci": "Loci behind the value.",
    "method": "Estimator and how the interval was made.",
    "reason": "Why it is not estimable.",
}
_TEST_COLUMNS = {
    "call_set": "Call set.",
    "line": "Supply line.",
    "statistic": "Name of the statistic.",
    "years": "First and last year class.",
    "slope": "Change per year.",
    "slope_low": "Lower limit of it.",
    "slope_high": "Upper limit of it.",
    "slope_p": "P value of no trend.",
    "slope_detectable": "Slope that would be found with the stated power.",
    "change": "Last year class minus first.",
    "change_low": "Lower limit of it.",
    "change_high": "Upper limit of it.",
    "change_p": "P value of no change.",
    "change_detectable": "Change that would be found with the stated power.",
    "power": "The power.",
    "not_estimable": "Why a value is missing.",
}


def _test_frame(trends: list[LineTrend]) -> pd.DataFrame:
    records = []
    for t in trends:
        for fit, run in zip(t.trend.fits, t.trend.runs, strict=True):
            c = t.change if run is t.trend.runs[-1] else None
            records.append(
                {
                    "call_set": t.call_set,
                    "line": t.line,
                    "statistic": t.trend.statistic,
                    "years": f"{run.groups[0]} to {run.groups[-1]}",
                    "slope": fit.slope.value,
                    "slope_low": fit.slope.low,
                    "slope_high": fit.slope.high,
                    "slope_p": fit.p_value,
                    "slope_detectable": fit.smallest_detectable,
                    "change": c.difference.value if c else None,
                    "change_low": c.difference.low if c else None,
                    "change_high": c.difference.high if c else None,
                    "change_p": c.p_value if c else None,
                    "change_detectable": c.smallest_detectable if c else None,
                    "power": fit.power,
                    "not_estimable": "; ".join(
                        dict.fromkeys(x for x in (fit.slope.reason, c.difference.reason if c else "") if x)
                    ),
                }
            )
    frame = pd.DataFrame(records, columns=list(_TEST_COLUMNS))
    words = ("call_set", "line", "statistic", "years", "not_estimable")
    return frame.astype({c: "Float64" for c in frame.columns if c not in words})


def _trend_block(trends: list[LineTrend]) -> TableBlock:
    rows = []
    for t in trends:
        for fit, run in zip(t.trend.fits, t.trend.runs, strict=True):
            c = t.change if run is t.trend.runs[-1] else None
            rows.append(
                (
                    f"{t.line}, {set_words(t.call_set)}",
                    TREND_STATISTICS[t.trend.statistic],
                    f"{run.groups[0]}–{run.groups[-1]}",
                    shown(fit.slope, 5),
                    _p(fit.p_value),
                    _small(fit.smallest_detectable),
                    shown(c.difference, 4) if c else "",
                    _p(c.p_value if c else None),
                    _small(c.smallest_detectable if c else None),
                )
            )
    right = "right"
    head: list[Any] = [
        ("Line, call set", 1.2),
        ("Statistic", 1.2),
        ("Years", 0.9),
        ("Trend a year", 1.9, right),
        ("P", 0.5, right),
        ("Seen from", 0.7, right),
        ("Last minus first", 1.9, right),
        ("P", 0.5, right),
        ("Seen from", 0.7, right),
    ]
    note = "Seen from: the smallest trend or change, up or down, that such samples would show with a chance of 80 %."
    return table_block("Tests of trend and change", head, rows, note)


def _p(p: float | None) -> str:
    return "" if p is None else f"{p:.2f}"


def _small(x: float | None) -> str:
    return "" if x is None else f"{x:.2g}"


def marker_breaks(sets: list[AuditCalls]) -> list[str]:
    """Say between which call sets and year classes values must not be compared, and why.

    The groups of all sets are lined up, each typed at the loci of its own set only, and runs of shared loci
    are looked for; a break between two sets is a comparison refused.
    """
    with_years = [c for c in sets if len(_years_of(c))]
    if len(with_years) < 2:
        return []
    out = []
    for first, second in pairwise(with_years):
        merged, labels, order, marker_sets = _lined_up(first, second)
        found = comparable_groups(merged, labels, order=order, marker_sets=marker_sets)
        years = _years_of(second)
        out += [
            f"Comparison refused between {set_words(first.name)} and {set_words(second.name)}: {gap.reason}. The {set_words(second.name)} "
            f"({second.genotypes.n_loci} loci) cover {years[0]} to {years[-1]} only and have a line of their own."
            for gap in found.breaks
            if marker_sets[gap.before] != marker_sets[gap.after]
        ]
    return out


def _years_of(calls: AuditCalls) -> list[int]:
    years = calls.table.loc[calls.table["year_class"].notna(), "year_class"].value_counts()
    return sorted(int(y) for y in years[years >= FEWEST_FISH].index)


def _lined_up(
    first: AuditCalls, second: AuditCalls
) -> tuple[GenotypeSet, list[Any], list[str], dict[Any, str]]:
    """Put two call sets into one, every group typed at the loci of its own set only."""
    a, b = first.genotypes, second.genotypes
    width = a.n_samples + b.n_samples
    calls = np.full((a.n_loci + b.n_loci, width, 2), -1, dtype=np.int16)
    calls[: a.n_loci, : a.n_samples] = a.calls
    calls[a.n_loci :, a.n_samples :] = b.calls
    names = tuple(f"{c.name}/{s}" for c in (first, second) for s in c.genotypes.samples)
    merged = GenotypeSet(names, (*a.loci, *b.loci), (*a.alleles, *b.alleles), calls)
    labels: list[Any] = []
    for c in (first, second):
        keep = set(_years_of(c))
        labels += [
            f"{int(y)} {c.name}" if not pd.isna(y) and int(y) in keep else None for y in c.table["year_class"]
        ]
    order = [f"{y} {c.name}" for c in (first, second) for y in _years_of(c)]
    return merged, labels, order, {g: g.split(" ", 1)[1] for g in order}
