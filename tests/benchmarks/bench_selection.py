"""Times of choosing fish, with and without the sparse form of kinship."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from planner.optimise.kinship_bound import SquareForm
from planner.optimise.selection.data import FamilyRules, SelectionData
from planner.optimise.selection.exchange import ExchangeData, plan_exchange
from planner.optimise.selection.family_form import family_form
from planner.optimise.selection.solve import choose

LIMIT = 30.0


def programme(number: int, families: FamilyRules | None = None) -> tuple[SelectionData, SquareForm]:
    """Sixty half-sib families of 50 parents and twenty groups of unknown parents, each in three tanks."""
    from broodstock.pedigree.kinship import kinship_between

    rng = np.random.default_rng(1)
    parents = [[-1, -1]] * 40
    for i in range(40, 120):
        dam, sire = rng.choice(min(i, 80), 2, replace=False)
        parents.append([int(dam), int(sire)])
    table = np.array(parents, dtype=np.int32)
    shares, extra = np.zeros((80, 120)), np.zeros(80)
    for f in range(60):
        shares[f, rng.choice(np.arange(70, 120), 2, replace=False)] = 0.5
    extra[60:] = 0.02
    rows = np.arange(120)
    K = shares @ kinship_between(table, rows, rows) @ shares.T + np.diag(extra)
    family = np.repeat(np.arange(80), 3)
    data = SelectionData.make(
        K,
        np.full(80, 0.5),
        family,
        rng.integers(1, 40, 240),
        number,
        sex=np.tile([0, 1, -1], 80),
        families=families,
    )
    return data, family_form(table, shares, extra)


def exchange_row() -> dict[str, Any]:
    """Time an exchange plan of six waters over six years."""
    rng = np.random.default_rng(2)
    A = rng.random((6, 12)) ** 3
    A /= A.sum(axis=1, keepdims=True)
    data = ExchangeData(
        names=tuple("ABCDEF"),
        kinship=A @ A.T / 2,
        residents=np.array([212, 71, 84, 63, 141, 20]),
        capacity=np.array([300, 130, 190, 110, 260, 35]),
        risk=np.array([0, 1, 2, 2, 2, 2]),
        sends=np.ones(6, bool),
        receives=np.ones(6, bool),
        years=6,
        per_fish=0.3,
    )
    started = time.perf_counter()
    plan = plan_exchange(data, time_limit=LIMIT)
    journeys = 0 if plan.moves is None else int((plan.moves > 0).sum())
    return {
        "work": "choose moves between waters",
        "size": "6 waters, 6 years",
        "seconds": round(time.perf_counter() - started, 2),
        "bar": LIMIT,
        "note": f"{journeys} journeys: {plan.journeys.status}; kinship: {plan.kinship and plan.kinship.status}",
    }


def rows() -> list[dict[str, Any]]:
    """Return the rows of the table."""
    out = []
    founders = FamilyRules(2, 4, 20, True)
    for work, number, families in (
        ("choose the next broodstock", 640, None),
        ("choose a founder group, 2 to 4 fish a family, sexes apart", 60, founders),
    ):
        data, sparse = programme(number, families)
        for how, form in (("gene flows through parents", sparse), ("eigenvectors of the matrix", None)):
            started = time.perf_counter()
            chosen = choose(data, gap=1e-3, time_limit=LIMIT, form=form)
            gap = "none" if chosen.report.gap is None else f"{chosen.report.gap:.3%}"
            out.append(
                {
                    "work": work,
                    "size": f"{number} fish of {data.n_families} families, {data.n_kinds} kinds",
                    "seconds": round(time.perf_counter() - started, 2),
                    "bar": LIMIT if form is not None else None,
                    "note": f"{how}: {chosen.report.status}, proven gap {gap}",
                }
            )
    return [*out, exchange_row()]
