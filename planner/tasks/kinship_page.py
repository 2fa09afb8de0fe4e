"""What the pages of the geneticist show of kinship, pedigree and founders, as plain values."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.pedigree.kinship import kinship_between
from planner.reports.heat_figure import HeatMap
from planner.tasks.figures import by_relatedness
from planner.tasks.kinship import METHOD, living_kinship
from planner.tasks.programme import Programme

CLOSEST = 40
GENERATIONS = 3


def heat_map(programme: Programme) -> dict[str, Any]:
    """Return the kinship matrix of the living fish, relatives side by side, for the page's own drawing.

    Returns
    -------
    dict
        ``fish`` (names in order), ``facts`` (one line each), ``kinship`` (row by row, in 1/100 000), ``limit`` (the
        pair limit in force) and ``method``.
    """
    report = living_kinship(programme)
    order = by_relatedness(report)
    table = report.table.iloc[order]
    matrix = report.matrix[np.ix_(order, order)]
    words = [
        f"{r['sex']}, {r['origin']}, {_year(r['year_class'])}, {r['dam'] or '?'} x {r['sire'] or '?'}"
        for r in table.to_dict("records")
    ]
    return {
        "fish": [report.fish[k] for k in order],
        "facts": words,
        "kinship": np.rint(matrix * 1e5).astype(int).ravel().tolist(),
        "limit": float(programme.settings["pair_kinship_limit"]),
        "method": METHOD,
    }


def heat_map_still(programme: Programme) -> HeatMap:
    """Return the same heat map as a figure to keep."""
    report = living_kinship(programme)
    order = by_relatedness(report)
    names = tuple(report.fish[k] for k in order)
    return HeatMap(report.matrix[np.ix_(order, order)], names, "Kinship of the living fish in care")


def _year(value: Any) -> str:
    return "year class unknown" if value is None or value != value else f"year class {int(value)}"


@dataclass(frozen=True)
class KinshipPage:
    """Figures and tables beside the heat map.

    Parameters
    ----------
    facts : list of (str, str)
        Figures.
    fish : list of dict
        One row per fish, lowest mean kinship first.
    closest : list of (str, str, float)
        The closest pairs of a female and a male, which must not be crossed together.
    method : str
        How it was computed.
    numbers : list of (str, Estimate, int)
        The figures with their method, and the digits to show.
    """

    facts: list[tuple[str, str]]
    fish: list[dict[str, Any]]
    closest: list[tuple[str, str, float]]
    method: str
    numbers: list[tuple[str, Estimate, int]]


def kinship_page(programme: Programme) -> KinshipPage:
    """Return the figures and tables of the kinship page."""
    report = living_kinship(programme)
    sex = report.table["sex"].to_numpy()
    dams, sires = np.flatnonzero(sex == "female"), np.flatnonzero(sex == "male")
    pairs = report.matrix[np.ix_(dams, sires)]
    first = [k for k in np.argsort(-pairs, axis=None, kind="stable")[:CLOSEST] if pairs.ravel()[k] > 0]
    closest = [
        (
            report.fish[dams[k // max(len(sires), 1)]],
            report.fish[sires[k % max(len(sires), 1)]],
            float(pairs.ravel()[k]),
        )
        for k in first
    ]
    limit = float(programme.settings["pair_kinship_limit"])
    over = int((pairs > limit).sum())
    n = len(report.fish)
    numbers = [
        ("Living fish in care", Estimate(float(n), method="counted from the records", n_used=n), 0),
        ("Mean kinship, self pairs in", Estimate(report.group_mean, method=METHOD, n_used=n), 4),
        (
            "Gene diversity",
            Estimate(1 - report.group_mean, method=f"1 - mean kinship, self pairs in; {METHOD}", n_used=n),
            4,
        ),
        (
            f"Pairs of {pairs.size} above the limit {limit:g}",
            Estimate(
                float(over),
                method=f"pairs of a female and a male, counted; {METHOD}",
                n_used=pairs.size,
                unit_used="pairs",
            ),
            0,
        ),
    ]
    fish = [
        {
            "fish": r["fish_id"],
            "sex": r["sex"],
            "origin": r["origin"],
            "year": _year(r["year_class"]).removeprefix("year class "),
        }
        | {
            "dam": r["dam"],
            "sire": r["sire"],
            "inbreeding": r["inbreeding"],
            "mean_kinship": r["mean_kinship"],
        }
        for r in report.table.to_dict("records")
    ]
    facts = [(name, e.text(digits)) for name, e, digits in numbers]
    return KinshipPage(facts, fish, closest, METHOD, numbers)


@dataclass(frozen=True)
class Ancestor:
    """One place in a pedigree view.

    Parameters
    ----------
    fish : str
        The fish, empty when unknown.
    role : str
        ``dam's sire`` and so on.
    words : str
        What is known of it.
    source : str
        ``recorded``, ``DNA`` or empty.
    children : tuple of Ancestor
        Dam and sire, when shown.
    """

    fish: str
    role: str
    words: str
    source: str
    children: tuple[Ancestor, ...] = ()


@dataclass(frozen=True)
class PedigreePage:
    """A fish with its ancestors, offspring and sibs.

    Parameters
    ----------
    root : Ancestor
        The fish with its ancestors.
    inbreeding, mean_kinship : float or None
        Inbreeding; mean kinship with the living fish in care, None when there are none.
    offspring : list of (str, str, str)
        Child, other parent, what it is.
    sibs : list of (str, str)
        Full and half sibs among the living fish in care, with the kinship in words.
    numbers : tuple of (str, Estimate)
        Inbreeding and mean kinship with their method.
    """

    root: Ancestor
    inbreeding: float
    mean_kinship: float | None
    offspring: list[tuple[str, str, str]]
    sibs: list[tuple[str, str]]
    numbers: tuple[tuple[str, Estimate], ...]


def pedigree_page(programme: Programme, fish: str, generations: int = GENERATIONS) -> PedigreePage:
    """Return the pedigree of one fish.

    Raises
    ------
    UsageError
        If the fish is not in the records.
    """
    index = programme.pedigree.index
    if fish not in index:
        import difflib

        near = difflib.get_close_matches(fish, list(index), 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"pedigree: found {fish!r}. Expected a fish of the records.{hint}")
    facts = {r["fish_id"]: r for r in programme.tables["fish"].to_dict("records")}
    children: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for child, (dam, sire) in programme.parents_used.items():
        children[dam].append((child, sire))
        children[sire].append((child, dam))
    row = index[fish]
    living = programme.living_rows
    mean = Estimate.not_estimable("no fish is in care", METHOD)
    if len(living):
        mean = Estimate(
            float(
                kinship_between(
                    programme.pedigree.parents, np.array([row], np.int32), living, programme.inbreeding
                ).mean()
            ),
            method=f"mean over the living fish in care, the fish itself in when it is one; {METHOD}",
            n_used=len(living),
        )
    inbreeding = float(programme.inbreeding[row])
    said = f"chance that both copies of a gene come from one ancestor; {METHOD}"
    return PedigreePage(
        _ancestor(programme, facts, fish, "", generations),
        inbreeding,
        mean.value,
        [(c, other or "unknown", _words(facts.get(c))) for c, other in sorted(children[fish])],
        _sibs(programme, fish),
        (
            ("Inbreeding", Estimate(inbreeding, method=said, n_used=1)),
            ("Mean kinship with the living", mean),
        ),
    )


def _ancestor(programme: Programme, facts: Mapping[str, Any], fish: str, role: str, left: int) -> Ancestor:
    if not fish:
        return Ancestor("", role or "the fish", "unknown", "")
    parents = programme.parents_used.get(fish, ("", ""))
    recorded = facts.get(fish, {})
    below: tuple[Ancestor, ...] = ()
    if left > 0 and any(parents):
        said = f"{role}'s " if role else ""
        below = tuple(
            _ancestor(programme, facts, parent, f"{said}{name}", left - 1)
            for parent, name in zip(parents, ("dam", "sire"), strict=True)
        )
    by_dna = any(parents) and tuple(parents) != (recorded.get("dam", ""), recorded.get("sire", ""))
    source = (
        "a parent by DNA"
        if by_dna
        else "parents as recorded"
        if any(parents)
        else "founder or unknown parents"
    )
    return Ancestor(fish, role or "the fish", _words(recorded or None), source, below)


def _words(row: Mapping[Any, Any] | None) -> str:
    if row is None:
        return "not in the records"
    return f"{row['sex']}, {row['origin']}, {_year(row['year_class'])}, {row['status']}"


def _sibs(programme: Programme, fish: str) -> list[tuple[str, str]]:
    mine = set(programme.parents_used.get(fish, ("", ""))) - {""}
    ids = programme.pedigree.ids
    out = []
    for row in programme.living_rows:
        other = ids[row]
        shared = mine & set(programme.parents_used.get(other, ("", "")))
        if other != fish and shared:
            out.append((other, "full sib" if len(shared) == 2 else f"half sib by {min(shared)}"))
    return sorted(out)
