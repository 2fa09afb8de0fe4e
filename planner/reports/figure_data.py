"""The numbers a figure was drawn from, as a table to take away."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from broodstock.errors import ValueRangeError
from planner.reports.heat_figure import HeatMap

COLUMNS: Mapping[str, str] = {
    "mark": "What was drawn from this row, where a figure has several kinds of rows.",
    "value": "The estimate; INF where the data set no upper bound.",
    "low": "Lower limit of the interval; empty without one.",
    "high": "Upper limit of the interval; empty without one, INF without a bound.",
    "n": "Units behind the value, for example fish typed.",
    "call_set": "Set of markers; values of different sets are not comparable.",
    "line": "Supply line.",
    "run": "Run of year classes with the same loci; points are joined within one.",
    "year_class": "Year class.",
    "at": "Where the point stands on the axis: the value, cut at the frame.",
    "from": "Where the line begins on the axis: the lower limit, cut at the frame.",
    "to": "Where the line ends on the axis: the upper limit, cut at the frame.",
    "open": "Whether the upper limit lies beyond the frame.",
    "finite": "Whether the value itself lies within the frame.",
    "group": "Group of fish.",
    "method": "Estimator.",
    "estimator": "Estimator.",
    "loci": "Loci shared by the year classes of the run.",
    "reason": "Why there is no value.",
    "level": "Coverage the interval aims at.",
    "n_used": "Units behind the value.",
    "unit_used": "What n_used counts.",
    "note": "What the reader must know to use it.",
    "step": "Step in the life of the year class.",
    "both": "Effective number of parents left at the step.",
    "before": "Effective number of parents left at the step before.",
    "words": "Words beside the mark.",
    "x": "Place of the fish on the first axis.",
    "y": "Place of the fish on the second axis.",
    "sample": "Sample.",
    "first": "First group.",
    "second": "Second group.",
    "row": "Bar.",
    "part": "Part of the whole, or which part of the line.",
    "share": "Share of the whole, or the share of the most survivors that was demanded.",
    "rank": "Order of the parts.",
    "founder": "Founder line.",
    "place": "Place.",
    "copies": "Expected living copies of the genome of the line at the place.",
    "rank_row": "Row of bars in which the line is drawn.",
    "fish": "Fish.",
    "with": "The other fish; the same fish for its kinship with itself.",
    "kinship": "Kinship; in a trade-off the weighted mean kinship of the plan.",
    "panel": "Water and season.",
    "length_mm": "Total length at release, mm.",
    "in_use": "First-year survival by the curve in use.",
    "zone": "Zone.",
    "week": "Week, by its first day.",
    "taken": "Larvae taken.",
    "wanted": "Larvae wanted.",
    "light": "Light of the zone and week.",
    "first_mm": "Total length at first measurement, mm.",
    "per_year": "Growth, mm a year.",
    "kind": "How the fish was met.",
    "released": "Share among the fish released.",
    "strategy": "Strategy.",
    "calendar_year": "Year, in autumn.",
    "mean": "Mean over the replicates.",
    "q05": "5 % of the replicates lie below.",
    "q95": "95 % of the replicates lie below.",
    "kept": "Share of the gene diversity to keep.",
    "survivors": "Expected first-year survivors.",
    "survivors_low": "Lower limit of the interval of the survivors.",
    "survivors_high": "Upper limit of the interval of the survivors.",
    "kinship_bound": "No plan under these rules has a lower weighted mean kinship (proven).",
    "dominated": "Whether another plan is better in both.",
    "state": "Whether another plan is better in both, in words.",
    "family": "Family.",
    "site": "Water.",
    "number": "Fish.",
    "when": "Resident before, or arriving.",
    "limit": "Limit drawn as a line.",
}
"""A sentence for every column that a figure draws."""


def figure_table(chart: Any) -> pd.DataFrame:
    """Return every row that a figure was drawn from, each once.

    Parameters
    ----------
    chart : altair chart or HeatMap
        The figure.

    Returns
    -------
    DataFrame
        Rows in the order drawn; a column ``mark`` says what was drawn from a row where rows have different columns.

    Raises
    ------
    ValueRangeError
        If a column has no sentence in `COLUMNS`, or nothing was drawn.
    """
    if isinstance(chart, HeatMap):
        return chart.table()
    spec = chart.to_dict()
    found: list[tuple[str, list[dict[str, Any]]]] = []
    for mark, values in _sets(spec, spec.get("datasets", {})):
        if values and all(values != other for _, other in found):
            found.append((mark, values))
    if not found:
        raise ValueRangeError("figure: found no rows drawn. Expected at least one. Leave the figure out.")
    frames = [pd.DataFrame(values) for _, values in found]
    if len({tuple(f.columns) for f in frames}) > 1:
        for frame, (mark, _) in zip(frames, found, strict=True):
            frame.insert(0, "mark", mark)
    table = pd.concat([f.dropna(axis=1, how="all") for f in frames], ignore_index=True)
    order = dict.fromkeys(c for f in frames for c in f.columns)
    table = table.reindex(columns=list(order))
    lacking = [str(c) for c in table.columns if c not in COLUMNS]
    if lacking:
        raise ValueRangeError(f"figure: found no sentence for the column(s) {', '.join(lacking)}. Add them.")
    return table


def _sets(spec: Any, named: Mapping[str, Any], mark: str = "") -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Give every set of rows of a specification with the mark that draws it, outermost first."""
    if isinstance(spec, list):
        for part in spec:
            yield from _sets(part, named, mark)
        return
    if not isinstance(spec, dict):
        return
    drawn = spec.get("mark", mark)
    mark = str(drawn.get("type", mark)) if isinstance(drawn, dict) else str(drawn)
    data = spec.get("data")
    if isinstance(data, dict):
        values = data.get("values", named.get(str(data.get("name")), []))
        if isinstance(values, list) and values and isinstance(values[0], dict):
            yield mark or _first_mark(spec), values
    for key in ("layer", "spec", "concat", "vconcat", "hconcat"):
        yield from _sets(spec.get(key), named, mark)


def _first_mark(spec: Any) -> str:
    if isinstance(spec, list):
        return next((m for m in map(_first_mark, spec) if m), "")
    if not isinstance(spec, dict):
        return ""
    mark = spec.get("mark")
    if mark:
        return str(mark["type"]) if isinstance(mark, dict) else str(mark)
    return next(
        (m for k in ("layer", "spec", "vconcat", "hconcat", "concat") if (m := _first_mark(spec.get(k)))), ""
    )
