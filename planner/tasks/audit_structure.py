"""The audit's structure: differentiation between lines and sites of the last year classes, and main axes."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodstock.diversity.components import principal_components
from broodstock.diversity.differentiation import Differentiation, pairwise_differentiation
from broodstock.errors import ValueRangeError
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.audit_share_figures import component_scatter, pair_map
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import (
    ESTIMATE_COLUMNS,
    AuditPart,
    AuditTable,
    flat,
    not_made,
    plain_rows,
    reasons_of,
    shown,
)
from planner.tasks.audit_samples import FEWEST_FISH, AuditCalls, site_names
from planner.tasks.programme import Programme

LAST_YEAR_CLASSES = 2
SITE_YEARS = 5
PERMUTATIONS = 499
MEASURES = {"theta": "theta (Weir & Cockerham)", "hudson": "Fst (Hudson)"}
MOST_SITES = 14
MOST_PAIRS = 16
SHOW_AS_MAP = 5


def line_labels(calls: AuditCalls, year_class: int) -> pd.Series:
    """Return the line of fish of the last year classes up to one, and ``founders``; empty for others."""
    table = calls.table
    year = table["year_class"].astype("Int64")
    recent = ((year <= year_class) & (year > year_class - LAST_YEAR_CLASSES)).fillna(False)
    label = table["line"].fillna("").astype("string").where(recent, "")
    return label.where(table["group"] != "founder", "founders")


def site_labels(programme: Programme, calls: AuditCalls, year_class: int) -> pd.Series:
    """Return the site of fish taken there in the last years: captures and young of backwaters."""
    table = calls.table
    taken = pd.to_datetime(table["collected_on"], errors="coerce").dt.year
    at_site = table["group"].isin(["capture", "backwater-young"])
    recent = at_site & (taken > year_class - SITE_YEARS) & (taken <= year_class + 1)
    return site_names(programme, table["site_id"]).where(recent, "")


def structure_part(programme: Programme, calls: AuditCalls, year_class: int) -> AuditPart:
    """Compare lines and sites of the last year classes pair by pair, and show fish on their main axes."""
    title = "Differences between lines and between sites"
    blocks: list[TableBlock | AuditFigure] = []
    frames, missing = [], []
    first = year_class - LAST_YEAR_CLASSES + 1
    groupings = {
        f"lines, year classes {first} to {year_class}": line_labels(calls, year_class),
        f"sites, fish taken since {year_class - SITE_YEARS + 1}": site_labels(programme, calls, year_class),
    }
    for words, label in groupings.items():
        labels, order = _usable(calls, label)
        if len(order) < 2:
            missing.append(
                f"differences between {words}, because fewer than two have {FEWEST_FISH} fish or more"
            )
            continue
        pairs = {m: _pairs(programme, calls, labels, order, m) for m in MEASURES}
        frame = _frame(words.split(",")[0], pairs)
        frames.append(frame)
        if len(order) > SHOW_AS_MAP:
            key = f"differentiation_{words.split(',')[0]}"
            blocks.append(_pair_figure(key, f"Theta between {words}", pairs["theta"], order))
        blocks.append(_pair_block(f"Pairs of {words}", pairs))
        missing += [x.rstrip(".") for x in reasons_of(_named(pairs))]
    axes = _axes(calls, line_labels(calls, year_class))
    if isinstance(axes, str):
        missing.append(f"main axes, because {axes}")
    else:
        blocks.append(axes[0])
        frames_axes = axes[1]
    if not blocks:
        return not_made("structure", title, "; ".join(missing) or "there is nothing to compare")
    tables = []
    if frames:
        columns = {
            "grouping": "Lines or sites.",
            "first": "First group.",
            "second": "Second group.",
            "measure": "Measure of differentiation.",
            "p_value": "P value by permutation of whole fish.",
            "p_adjusted": "The same after control of the false discovery rate over all pairs.",
        } | ESTIMATE_COLUMNS
        tables.append(
            AuditTable("differentiation", "One measure between two groups.", pd.concat(frames), columns)
        )
    data: dict[str, Any] = {"pairs": [r for f in frames for r in plain_rows(f)]}
    if not isinstance(axes, str):
        tables.append(
            AuditTable(
                "principal_components",
                "One fish on its first two main axes.",
                frames_axes,
                {"sample": "Sample.", "group": "Line or founders.", "x": "First axis.", "y": "Second axis."},
            )
        )
    lines = (
        "0 means two groups are samples of one population; 0.05 and more would be a clear difference. Small groups full "
        "of sibs look different even when their parents were drawn from one population.",
    )
    methods = (
        "Differentiation: theta of Weir & Cockerham (1984) and Fst of Hudson as a ratio of averages (Bhatia and others "
        f"2013), intervals by bootstrap over loci, P values by {PERMUTATIONS} permutations of whole fish. Main axes: "
        "principal components of centred allele copies (Patterson, Price & Reich 2006).",
    )
    section = AuditSection(title, lines, tuple(blocks), tuple(missing))
    return AuditPart("structure", section, tuple(tables), data, (), methods)


def _usable(calls: AuditCalls, label: pd.Series) -> tuple[list[str | None], list[str]]:
    """Return labels of groups of at least ten fish, and the groups, largest first where there are too many."""
    labels = calls.labels(label)
    sizes = pd.Series([x for x in labels if x is not None], dtype="string").value_counts()
    order = sorted(str(x) for x in sizes[sizes >= FEWEST_FISH].index[:MOST_SITES])
    return [x if x in order else None for x in labels], order


def _pairs(
    programme: Programme, calls: AuditCalls, labels: list[str | None], order: list[str], measure: str
) -> list[Differentiation]:
    return pairwise_differentiation(
        calls.genotypes,
        labels,
        measure,
        order=order,
        n_replicates=programme.settings["bootstrap_replicates"],
        n_permutations=PERMUTATIONS if measure == "theta" else 0,
        level=programme.settings["confidence"],
        seed=int(programme.settings["seed"]),
    )


def _named(pairs: dict[str, list[Differentiation]]) -> list[tuple[str, Any]]:
    return [(f"{p.groups[0]} and {p.groups[1]} ({m})", p.estimate) for m, ps in pairs.items() for p in ps]


def _frame(grouping: str, pairs: dict[str, list[Differentiation]]) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            {
                "grouping": grouping,
                "first": str(p.groups[0]),
                "second": str(p.groups[1]),
                "measure": measure,
                "p_value": p.p_value,
                "p_adjusted": p.p_adjusted,
                **flat(p.estimate),
            }
            for measure, found in pairs.items()
            for p in found
        ]
    )
    return frame.astype({"p_value": "Float64", "p_adjusted": "Float64"})


def _pair_block(title: str, pairs: dict[str, list[Differentiation]]) -> TableBlock:
    """Return the pairs, most different first; long lists are cut, the rest stands in the table."""
    rows = []
    both = zip(pairs["theta"], pairs["hudson"], strict=True)
    for theta, hudson in sorted(
        both, key=lambda x: -(x[0].estimate.value if x[0].estimate.value is not None else -9)
    ):
        p = "" if theta.p_adjusted is None else f"{theta.p_adjusted:.3f}"
        names = f"{theta.groups[0]} and {theta.groups[1]}"
        rows.append((names, shown(theta.estimate, 4), p, shown(hudson.estimate, 4)))
    head: list[Any] = [
        ("Groups", 2),
        (MEASURES["theta"], 2, "right"),
        ("Adjusted P", 0.8, "right"),
        (MEASURES["hudson"], 2, "right"),
    ]
    more = len(rows) - MOST_PAIRS
    note = f"{more} less different pairs stand in the table differentiation." if more > 0 else ""
    return table_block(title, head, rows[:MOST_PAIRS], note)


def _pair_figure(name: str, title: str, found: list[Differentiation], order: list[str]) -> AuditFigure:
    rows = [
        {"first": str(a), "second": str(b), "value": p.estimate.value}
        for p in found
        for a, b in (p.groups, p.groups[::-1])
        if p.estimate.value is not None
    ]
    return AuditFigure(
        name,
        title,
        pair_map(pd.DataFrame(rows, columns=["first", "second", "value"]), order, "theta"),
        f"Theta between every two of {len(order)} groups.",
        "Darker means more different. Values with intervals stand in the table differentiation.",
    )


def _axes(calls: AuditCalls, label: pd.Series) -> tuple[AuditFigure, pd.DataFrame] | str:
    """Return the figure of the main axes and its table, or why there is none."""
    labels = calls.labels(label)
    rows = [i for i, x in enumerate(labels) if x is not None]
    if len(rows) < FEWEST_FISH:
        return f"only {len(rows)} fish of the last year classes are typed"
    try:
        found = principal_components(calls.genotypes.take(samples=rows), n_axes=2)
    except ValueRangeError as error:
        return str(error).split(": ", 1)[-1]
    if found.coordinates.shape[1] < 2:
        return "all variation lies on one axis"
    group = dict(zip((calls.genotypes.samples[i] for i in rows), (labels[i] for i in rows), strict=True))
    frame = pd.DataFrame(
        {
            "sample": list(found.samples),
            "group": [str(group[s]) for s in found.samples],
            "x": found.coordinates[:, 0],
            "y": found.coordinates[:, 1],
        }
    )
    frame = frame.sort_values("group", kind="stable", ignore_index=True)
    shares = [f"{x:.1%}" for x in found.explained[:2]]
    figure = AuditFigure(
        "principal_components",
        "Fish on their main axes of variation",
        component_scatter(frame, f"axis 1 ({shares[0]} of the variance)", f"axis 2 ({shares[1]})"),
        f"{len(frame)} fish on the first two principal components, by line.",
        f"{found.share_imputed:.1%} of the calls were missing and set to the mean of the allele. Sibs form arms of their "
        "own.",
    )
    return figure, frame
