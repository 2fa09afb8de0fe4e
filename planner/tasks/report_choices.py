"""What the forms of the reports offer: lots, tanks, waters, year classes and strategies of the records."""

from __future__ import annotations

from collections.abc import Callable

from planner.tasks.programme import Programme

Choices = dict[str, list[tuple[str, str]]]
"""For each thing asked, its values with their words."""


def _named(programme: Programme, table: str, column: str, words: str = "") -> list[tuple[str, str]]:
    rows = programme.tables[table]
    labels = rows[words] if words else rows[column]
    return [
        (str(a), str(b)) for a, b in sorted(zip(rows[column], labels, strict=True), key=lambda r: str(r[1]))
    ]


def lots_choices(programme: Programme) -> Choices:
    """Return lots, tanks and ponds, and waters."""
    return {
        "lot": _named(programme, "lots", "lot_id"),
        "unit": _named(programme, "units", "unit_id"),
        "site": _named(programme, "sites", "site_id", "name"),
    }


def monitoring_choices(programme: Programme) -> Choices:
    """Return waters and kinds of water with captures, and the groups of released fish."""
    from planner.tasks.survival_models import BY

    netted = set(programme.tables["captures"]["site_id"])
    sites = programme.tables["sites"]
    here = sites[sites["site_id"].isin(netted)].sort_values("name")
    waters = [(str(i), str(n)) for i, n in zip(here["site_id"], here["name"], strict=True)]
    kinds = [(str(k), f"all waters of the kind {k}") for k in sorted(set(here["kind"]))]
    return {"where": [*waters, *kinds], "by": [(b, b) for b in BY]}


def audit_choices(programme: Programme) -> Choices:
    """Return the year classes, latest first."""
    tables = ("samples", "stock", "releases", "families")
    years = {int(y) for t in tables for y in programme.tables[t]["year_class"].dropna().unique()}
    return {"year_class": [(str(y), str(y)) for y in sorted(years, reverse=True)]}


def projection_choices(programme: Programme) -> Choices:
    """Return the strategies with what they do."""
    from planner.tasks.project_model import STRATEGIES, strategy_words

    return {
        "strategies": [
            (name, f"{name}: {strategy_words(strategy)}") for name, (strategy, _) in STRATEGIES.items()
        ]
    }


CHOICES: dict[str, Callable[[Programme], Choices]] = {
    "lots": lots_choices,
    "monitoring": monitoring_choices,
    "audit": audit_choices,
    "projection": projection_choices,
}
"""By the name of the report; the other reports offer none."""
