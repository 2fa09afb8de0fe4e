"""What each desk sees first: a few figures and what needs a person now."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from planner.tasks.candidates import candidates_on
from planner.tasks.programme import Programme

Facts = list[tuple[str, str]]
Notice = tuple[str, str, str]
"""State (good, doubt, bad, none), words, address of the page that helps."""


def facts_of_desk(programme: Programme, desk: str) -> tuple[Facts, list[Notice]]:
    """Return the figures and notices of a desk.

    Parameters
    ----------
    programme : Programme
        Open records.
    desk : str
        ``Today``, ``Waters``, ``Diversity`` or ``Records``.

    Raises
    ------
    KeyError
        If there is no such desk.
    """
    return DESK_FACTS[desk](programme)


def _today(programme: Programme) -> tuple[Facts, list[Notice]]:
    day = programme.settings.day("spawning_day")
    judged = candidates_on(programme, day)
    may = [c for c in judged if c.may_cross]
    holds = programme.tables["holds"]
    open_holds = int(
        (holds["until_date"].isna() | (holds["until_date"] >= pd.Timestamp(programme.today))).sum()
    )
    facts = [
        ("Day of the records", f"{programme.today:%d %b %Y}"),
        ("Next spawning day", f"{day:%d %b %Y}"),
        (
            "May be crossed that day",
            f"{sum(c.sex == 'female' for c in may)} females, {sum(c.sex == 'male' for c in may)} males",
        ),
        ("Living broodfish", str(int((programme.tables["fish"]["status"] == "brood").sum()))),
    ]
    notices: list[Notice] = [("doubt" if open_holds else "good", f"{open_holds} holds are open", "")]
    return facts, notices + _doubts(programme)


def _waters(programme: Programme) -> tuple[Facts, list[Notice]]:
    sites, stock = programme.tables["sites"], programme.tables["stock"]
    residents = programme.tables["residents"]["number"].sum()
    facts = [
        ("Release day", f"{programme.settings.day('release_day'):%d %b %Y}"),
        ("Waters", str(len(sites))),
        ("Tagged fish for release", f"{len(stock)} of {stock['family'].nunique()} families"),
        ("Counted residents", f"{int(residents)}"),
    ]
    unknown = [s for s, p in zip(sites["site_id"], sites["predators"], strict=True) if p in ("", "unknown")]
    notices: list[Notice] = []
    if unknown:
        notices.append(("doubt", f"predators unknown: {', '.join(unknown)}", "/waters/map"))
    shut = (
        sites.loc[sites["open_for_release"] == "no", "site_id"]
        if sites["open_for_release"].dtype == object
        else ()
    )
    if len(shut):
        notices.append(("none", f"closed for release: {', '.join(shut)}", "/waters/map"))
    return facts, notices + _doubts(programme)


def _diversity(programme: Programme) -> tuple[Facts, list[Notice]]:
    from planner.tasks.kinship import living_kinship

    report = living_kinship(programme)
    typed = {name: g.n_samples for name, g in programme.genotypes.items()}
    facts = [
        ("Living fish in care", str(len(report.fish))),
        ("Gene diversity, by pedigree", f"{1 - report.group_mean:.4f} of the founders'"),
        ("Mean kinship, self pairs in", f"{report.group_mean:.4f}"),
        ("Samples typed", ", ".join(f"{n} {name}" for name, n in typed.items()) or "none"),
    ]
    return facts, _doubts(programme)


def _records(programme: Programme) -> tuple[Facts, list[Notice]]:
    rows = {name: len(table) for name, table in programme.tables.items() if len(table)}
    facts = [(name.replace("_", " "), f"{n:,}".replace(",", " ")) for name, n in rows.items()]
    return facts, _doubts(programme)


def _doubts(programme: Programme) -> list[Notice]:
    warnings = sum(f.level == "warning" for f in programme.findings)
    if not warnings:
        return [("good", "no check has a doubt about the records", "")]
    return [("doubt", f"{warnings} doubts about the records wait for a person", "/records/findings")]


DESK_FACTS: dict[str, Callable[[Programme], tuple[Facts, list[Notice]]]] = {
    "Today": _today,
    "Waters": _waters,
    "Diversity": _diversity,
    "Records": _records,
}
