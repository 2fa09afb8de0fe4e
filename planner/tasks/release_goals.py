"""Goals of a release that the plan does not aim at, shown beside it: founders, spread of families, the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.estimates import Estimate
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.measures import ReleaseMeasures
from planner.tasks.load_distances import distances
from planner.tasks.programme import Programme

METHOD = (
    "founder equivalents, 1 over the sum of squared expected founder shares of the living fish at all waters"
)


@dataclass(frozen=True)
class ReleaseGoals:
    """What a plan does for goals beside survivors and kinship.

    Parameters
    ----------
    founders : Estimate
        Effective founders of the fish living at all waters after the release.
    founders_before : Estimate
        The same of the residents alone.
    families_released, families_in_one_site : int
        Families sent, and families that live in one water only afterwards.
    sites_per_family : float or None
        Waters a family lives in, mean over families that live in any.
    mean_km : float or None
        Way from the station, mean over the fish sent; None when none is sent.
    farthest : str
        The farthest water that receives fish; empty when none does.
    farthest_km : float
        Its distance.
    notes : tuple of str
        What was assumed about distances.
    """

    founders: Estimate
    founders_before: Estimate
    families_released: int
    families_in_one_site: int
    sites_per_family: float | None
    mean_km: float | None
    farthest: str
    farthest_km: float
    notes: tuple[str, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the goals as label and value."""
        homes = "–" if self.sites_per_family is None else f"{self.sites_per_family:.1f}"
        km = "–" if self.mean_km is None else f"{self.mean_km:.0f} km"
        farthest = f"{self.farthest}, {self.farthest_km:.0f} km" if self.farthest else "–"
        before = "" if self.founders_before.value is None else f" (before {self.founders_before.text(1)})"
        return (
            ("Effective founders at all sites", self.founders.text(1) + before),
            ("Families sent", str(self.families_released)),
            ("Waters of a family, mean", f"{homes} ({self.families_in_one_site} in one only)"),
            ("Way of a fish, mean", km),
            ("Farthest water", farthest),
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "effective_founders": self.founders.as_dict(),
            "effective_founders_before": self.founders_before.as_dict(),
            "families_released": self.families_released,
            "families_in_one_site": self.families_in_one_site,
            "sites_per_family": self.sites_per_family,
            "mean_km": self.mean_km,
            "farthest_site": self.farthest,
            "farthest_km": self.farthest_km,
        }


def release_goals(
    programme: Programme, data: ReleaseData, numbers: BigIntArray, measures: ReleaseMeasures
) -> ReleaseGoals:
    """Compute the goals of a plan that it does not aim at.

    Parameters
    ----------
    programme : Programme
        Open records.
    data : ReleaseData
        The data the plan was made from; its sites stand in the order of the table ``sites``.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.
    measures : ReleaseMeasures
        The measures of the plan.

    Returns
    -------
    ReleaseGoals
        Every goal by itself; none of them steers the plan.
    """
    notes: list[str] = []
    receiving = np.flatnonzero(numbers.sum(axis=0))
    arriving = numbers.sum(axis=0)[receiving]
    ids = [str(programme.tables["sites"]["site_id"].iloc[s]) for s in receiving]
    km = distances(programme, ids, notes)[0, 1:]
    total = int(arriving.sum())
    far = int(np.argmax(km)) if total else -1
    return ReleaseGoals(
        effective_founders(programme, data, data.living(numbers).sum(axis=1)),
        effective_founders(programme, data, data.living_residents.sum(axis=1)),
        measures.families_released,
        measures.families_in_one_site,
        measures.sites_per_family,
        float(arriving @ km) / total if total else None,
        data.sites.name[int(receiving[far])] if total else "",
        float(km[far]) if total else 0.0,
        tuple(notes),
    )


def effective_founders(programme: Programme, data: ReleaseData, living: np.ndarray) -> Estimate:
    """Estimate the effective founders of living fish by family.

    Parameters
    ----------
    programme : Programme
        Open records.
    data : ReleaseData
        Names of the families.
    living : ndarray, float64, shape (n_families,)
        Living fish of each family, residents or expected survivors.

    Returns
    -------
    Estimate
        Founder equivalents [1]_. An unknown parent of a cross counts as a founder of its own; fish of families without
        recorded parents (larval groups) are left out, and the note says how many.

    References
    ----------
    .. [1] Lacy, R. C. (1989), Zoo Biology 8, 111-123.
    """
    from broodstock.pedigree.founders import founder_equivalents, founder_shares

    table = programme.tables["families"]
    crossed = table[table["kind"] == "cross"]
    parents = {
        f: (d, s) for f, d, s in zip(crossed["family_id"], crossed["dam"], crossed["sire"], strict=True)
    }
    known = [i for i, name in enumerate(data.families.name) if name in parents and living[i] > 0]
    counted = float(sum(living[i] for i in known))
    if counted <= 0:
        return Estimate.not_estimable("no fish of families with recorded parents live there", METHOD)
    index = programme.pedigree.index
    young = np.array(
        [[index.get(p, -1) for p in parents[data.families.name[i]]] for i in known], dtype=np.int32
    )
    weights = np.concatenate([np.zeros(len(programme.pedigree)), living[known]])
    shares = founder_shares(np.vstack([programme.pedigree.parents, young]), weights)
    left_out = 1.0 - counted / float(living.sum())
    note = "exact for the pedigree in use, no interval"
    if left_out > 0:
        note += f"; {left_out:.0%} of the fish, of families without recorded parents, are left out"
    return Estimate(
        founder_equivalents(shares), method=METHOD, n_used=len(known), unit_used="families", note=note
    )
