"""The audit's effective sizes: every method side by side for one year class, and breeders over the years."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodstock.effective_size.linkage import linkage_ne
from broodstock.estimates import Estimate
from planner.reports.audit_figures import size_series, sizes_side_by_side
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import (
    ESTIMATE_COLUMNS,
    AuditPart,
    AuditTable,
    flat,
    not_made,
    plain_rows,
    reasons_of,
)
from planner.tasks.audit_samples import FEWEST_FISH, AuditCalls, same_design
from planner.tasks.programme import Programme
from planner.tasks.size import SizeReport, fair_sample


def sizes_part(programme: Programme, calls: AuditCalls, sizes: SizeReport, year_class: int) -> AuditPart:
    """Lay out the effective sizes of one year class and the series of breeders over the years.

    Parameters
    ----------
    programme : Programme
        Open records.
    calls : AuditCalls
        Calls of the main set.
    sizes : SizeReport
        Of the year class audited.
    year_class : int
        Which.
    """
    title = "Effective number of parents"
    series = breeders_by_year(programme, calls)
    frame = _frame(sizes)
    if frame.empty and series.empty:
        few = "; ".join(f"{name} has {n} typed fish" for name, n in sizes.passed_over) or "no group is typed"
        return not_made("sizes", title, f"{few}, and at least {FEWEST_FISH} are needed")
    blocks: list[TableBlock | AuditFigure] = []
    if len(frame):
        blocks += _side_by_side(frame)
    if len(sizes.design):
        blocks.append(_design_block(sizes))
    if len(series):
        blocks += _series(series)
    lines = [
        "The methods answer different questions and are never averaged. Nb is the effective number of parents of one "
        "year class; Ne is that of a generation. An estimate without an upper limit is no good news: the sample "
        "cannot tell.",
        *sizes.design_words(),
    ]
    notes = _notes(sizes)
    if notes:
        head: list[Any] = [("Group", 1.3), ("Samples and methods", 1.7), ("What the reader must know", 5)]
        blocks.append(table_block("Notes to the numbers", head, notes))
    missing = _missing(programme, sizes)
    data = sizes.as_dict() | {"breeders_by_year_class": plain_rows(series)}
    methods = tuple(
        dict.fromkeys(
            f"{r.method.split(',')[0].capitalize()}: {r.estimate.method}."
            for g in sizes.groups
            for r in g.rows
        )
    )
    tables = []
    if len(frame):
        tables.append(
            AuditTable("effective_size", "One method for one group.", frame, _SIZE_COLUMNS | ESTIMATE_COLUMNS)
        )
    if len(series):
        tables.append(
            AuditTable(
                "breeders_by_year_class",
                "Effective number of breeders of one year class and line by linkage.",
                series,
                {"year_class": "Year class.", "line": "Supply line.", "fish": "Fish typed."}
                | ESTIMATE_COLUMNS,
            )
        )
    section = AuditSection(title, tuple(lines), tuple(blocks), tuple(missing))
    return AuditPart("sizes", section, tuple(tables), data, (), methods)


_SIZE_COLUMNS = {
    "group": "Year class and line.",
    "estimator": "Name of the method with its setting.",
    "quantity": "Ne or Nb.",
    "rests_on": "What must hold for it.",
}


def _frame(sizes: SizeReport) -> pd.DataFrame:
    rows = [
        {
            "group": g.group,
            "estimator": r.method,
            "quantity": r.quantity,
            "rests_on": r.rests_on,
            **flat(r.estimate),
        }
        for g in sizes.groups
        for r in g.rows
    ]
    return pd.DataFrame(rows, columns=[*_SIZE_COLUMNS, *flat(Estimate(0.0))] if not rows else None)


def _numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the columns value, low, high as floats: infinity for the word, NaN for none (drawing only)."""
    words = {"infinite": np.inf, "minus infinite": -np.inf}
    return frame.assign(
        **{
            c: pd.to_numeric(frame[c].map(lambda x: words.get(x, x) if isinstance(x, str) else x))
            for c in ("value", "low", "high")
        }
    )


def _side_by_side(frame: pd.DataFrame) -> list[TableBlock | AuditFigure]:
    rows = [
        (
            str(r["group"]),
            str(r["estimator"]),
            str(r["quantity"]),
            _text(r),
            f"{r['n_used']} {r['unit_used']}",
            str(r["rests_on"]),
        )
        for r in frame.to_dict("records")
    ]
    head: list[Any] = [
        ("Group", 1.3),
        ("Method", 1.7),
        ("Is", 0.4),
        ("Estimate", 1.4, "right"),
        ("From", 0.9, "right"),
        ("Rests on", 3),
    ]
    out: list[TableBlock | AuditFigure] = [table_block("All methods side by side", head, rows)]
    drawn = _numbers(frame)
    if drawn["value"].notna().any():
        out.append(
            AuditFigure(
                "effective_size",
                "The same, drawn",
                sizes_side_by_side(
                    drawn[["group", "estimator", "value", "low", "high"]].rename(
                        columns={"estimator": "method"}
                    )
                ),
                "Effective numbers by method with their intervals on a log scale.",
                "An arrow means no upper limit. Methods without an interval rest on counts, not on a sample.",
            )
        )
    return out


def _text(row: dict[Any, Any]) -> str:
    if row["value"] is None:
        return "not estimable"
    words = [
        x if isinstance(x, str) else f"{x:.1f}"
        for x in (row["value"], row["low"], row["high"])
        if x is not None
    ]
    return f"{words[0]} ({words[1]} to {words[2]})" if len(words) == 3 else words[0]


def _design_block(sizes: SizeReport) -> TableBlock:
    rows = [(d.group, d.method, d.plain.text(1), d.corrected.text(1)) for d in sizes.design]
    head: list[Any] = [
        ("Group", 1.5),
        ("Method", 2),
        ("Sample as taken", 1.6, "right"),
        ("Weighed to the numbers per family", 1.6, "right"),
    ]
    return table_block("What sampling family by family does", head, rows)


def breeders_by_year(programme: Programme, calls: AuditCalls) -> pd.DataFrame:
    """Return Nb by linkage of every year class and line with at least ten fish of one design.

    Returns
    -------
    DataFrame
        year_class, line, fish, and the columns of an estimate. Samples taken family by family are thinned to
        the numbers per family.
    """
    table, index = calls.table, calls.genotypes.index
    regular = table[same_design(table, pd.Series(True, index=table.index))]
    records = []
    for (year, line), part in regular.groupby(["year_class", "line"], sort=True):
        if len(part) < FEWEST_FISH:
            continue
        born = int(str(year))
        fair = fair_sample(programme, part, born, str(line))
        found = linkage_ne(
            calls.genotypes.take(samples=[index[s] for s in fair.index]),
            group=f"year class {born}, {line}",
            screens=(programme.settings["screen_allele"],),
            level=programme.settings["confidence"],
            threads=1,
        )[0].over_fish
        records.append({"year_class": born, "line": str(line), "fish": len(fair), **flat(found)})
    return pd.DataFrame(records)


def _series(series: pd.DataFrame) -> list[TableBlock | AuditFigure]:
    drawn = _numbers(series)
    lines = sorted(set(series["line"]))
    years = sorted(set(series["year_class"]))
    cell = {(r["year_class"], r["line"]): f"{_text(r)}; {r['fish']}" for r in series.to_dict("records")}
    rows = [(str(y), *(cell.get((y, line), "") for line in lines)) for y in years]
    head: list[Any] = [("Year class", 0.8), *((f"{line}; fish typed", 2, "right") for line in lines)]
    out: list[TableBlock | AuditFigure] = [
        table_block(
            "Breeders of each year class by linkage",
            head,
            rows,
            "Samples taken family by family were thinned to the numbers per family.",
        )
    ]
    if drawn["value"].notna().any():
        out.insert(
            0,
            AuditFigure(
                "breeders_by_year_class",
                "Breeders of each year class by linkage",
                size_series(drawn, "effective number of breeders"),
                "Effective number of breeders by year class and line with intervals on a log scale.",
                "An arrow means no upper limit.",
            ),
        )
    return out


def _notes(sizes: SizeReport) -> list[tuple[str, str, str]]:
    """Return group, method and note; what a method says of every group is said once."""
    rows = [(g, "samples", f"{words[0].upper()}{words[1:]}.") for g, words in (sizes.samples or {}).items()]
    seen: dict[str, tuple[list[str], list[str]]] = {}
    for g in sizes.groups:
        for r in g.rows:
            for sentence in r.estimate.note.split(". "):
                words = sentence.strip().rstrip(".")
                if not words or words.startswith(("Nb:", "Ne of", "Ne per", "Where fish breed")):
                    continue
                groups, methods = seen.setdefault(words, ([], []))
                groups += [g.group] if g.group not in groups else []
                name = r.method.split(",")[0]
                methods += [name] if name not in methods else []
    return rows + [("; ".join(gs), "; ".join(ms), f"{words}.") for words, (gs, ms) in seen.items()]


def _missing(programme: Programme, sizes: SizeReport) -> list[str]:
    """Return one sentence per group with the methods that were not run, and why estimates are missing."""
    out = [f"{name}: {n} typed fish, fewer than {FEWEST_FISH}" for name, n in sizes.passed_over]
    out += [f"{g.group}: {'; '.join(g.not_run)}" for g in sizes.groups if g.not_run]
    pairs = [(f"{g.group}, {r.method}", r.estimate) for g in sizes.groups for r in g.rows]
    out += [x.rstrip(".") for x in reasons_of(pairs)]
    if not float(programme.settings["generation_years"]):
        out.append("temporal Ne of every line: the setting generation_years is not given")
    return out
