"""A release plan as plain values for JSON, tables and sheets."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.explain import allocations, kept_back_reasons
from planner.optimise.release.measures import ReleaseMeasures
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.rules import RULES


def plan_as_dict(data: ReleaseData, plan: ReleasePlan) -> dict[str, Any]:
    """Return a plan as plain values.

    Parameters
    ----------
    data : ReleaseData
        The data the plan was made from.
    plan : ReleasePlan
        The plan.

    Returns
    -------
    dict
        Only str, int, float, bool, None, list and dict. Without a plan the keys ``lines`` and ``kept_back``
        are empty lists and every number of the plan is None.
    """
    return {
        "status": str(plan.status),
        "objective": plan.objective,
        "bound": plan.bound,
        "gap": plan.gap,
        "most_survivors": plan.most_survivors,
        "survivors_floor": plan.survivors_floor,
        "lines": lines(data, plan),
        "kept_back": _kept_back(data, plan),
        "measures": None if plan.measures is None else _measures(plan.measures),
        "refused": [r.text() for r in plan.refused],
        "conflicts": None if plan.conflicts is None else asdict(plan.conflicts),
        "breaches": [b.text() for b in plan.breaches],
        "rules": {rule.code: rule.sentence for rule in RULES},
        "settings": asdict(plan.settings),
        "seed": plan.seed,
        "stages": [asdict(stage) for stage in plan.stages],
        "solver": plan.report.as_dict(),
    }


def lines(data: ReleaseData, plan: ReleasePlan) -> list[dict[str, Any]]:
    """Return one row per group and site with fish, with its reason; empty without a plan."""
    if plan.numbers is None:
        return []
    size_class = dict(zip(data.groups.name, data.groups.size_class, strict=True))
    return [{"size_class": size_class[a.group], **asdict(a)} for a in allocations(data, plan.numbers)]


def _kept_back(data: ReleaseData, plan: ReleasePlan) -> list[dict[str, Any]]:
    if plan.numbers is None:
        return []
    return [
        {"group": group, "number": number, "reason": reason}
        for group, number, reason in kept_back_reasons(data, plan.numbers)
    ]


def _measures(measures: ReleaseMeasures) -> dict[str, Any]:
    plain = asdict(measures)
    plain["survivors"] = measures.survivors.as_dict()
    for site, one in zip(plain["sites"], measures.sites, strict=True):
        site["survivors"] = one.survivors.as_dict()
    plain["sites"] = list(plain["sites"])
    return plain


def site_table(data: ReleaseData, plan: ReleasePlan) -> dict[str, list[list[int]]]:
    """Return the numbers by family and site, as the allocation table of the plan.

    Parameters
    ----------
    data : ReleaseData
        The data.
    plan : ReleasePlan
        The plan.

    Returns
    -------
    dict
        ``sent`` and ``residents``, each n_families rows of n_sites numbers; ``sent`` is empty without a plan.
    """
    residents = np.asarray(data.sites.residents, dtype=np.int64).tolist()
    if plan.numbers is None:
        return {"sent": [], "residents": residents}
    sent = (data.membership @ plan.numbers).astype(np.int64).tolist()
    return {"sent": sent, "residents": residents}
