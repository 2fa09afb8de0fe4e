"""What a release plan achieves, each goal shown by itself: survivors, kinship, families, room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.estimates import Estimate
from planner.optimise.release.build import kinship_term
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.kinship_form import mean_kinship, mean_kinship_with_self
from planner.optimise.release.settings import NO_LIMIT

Z95 = 1.959963984540054
"""97.5 % point of the normal distribution."""


@dataclass(frozen=True)
class SiteMeasures:
    """What the plan does at one site.

    Parameters
    ----------
    site : str
        The site.
    arrivals, residents : int
        Fish sent, fish living there.
    capacity_fish : int or None
        Most fish; None: no limit.
    arrivals_kg, total_kg : float
        Mass sent; mass of residents and arrivals.
    capacity_kg : float or None
        Most kg; None: no limit.
    survivors : Estimate
        Arrivals expected alive at the horizon.
    kinship : float or None
        Mean kinship of survivors and residents, p'Kp with p the shares of living fish; a fish drawn twice
        counts as two members of its family. None without fish.
    kinship_before : float or None
        The same for the residents alone.
    kinship_with_self : float or None
        Mean kinship over all pairs, each fish with itself included.
    families : int
        Families living there after the release.
    new_families : int
        Of these, families without residents before.
    effective_families : float or None
        1 / sum of squared family shares of the bodies, families only.
    largest_share : float or None
        Share of the largest family among the bodies.
    largest_family : str
        That family; empty without fish.
    year_classes : int
        Year classes among the arrivals.
    """

    site: str
    arrivals: int
    residents: int
    capacity_fish: int | None
    arrivals_kg: float
    total_kg: float
    capacity_kg: float | None
    survivors: Estimate
    kinship: float | None
    kinship_before: float | None
    kinship_with_self: float | None
    families: int
    new_families: int
    effective_families: float | None
    largest_share: float | None
    largest_family: str
    year_classes: int


@dataclass(frozen=True)
class ReleaseMeasures:
    """What the plan does as a whole.

    Parameters
    ----------
    sites : tuple of SiteMeasures
        One per site, in order.
    released, kept_back : int
        Fish sent and fish that stay.
    survivors : Estimate
        Released fish expected alive at the horizon.
    kinship_weighted : float or None
        The objective per fish: sum of w_s N_s theta_s plus w_0 N theta, divided by the same sum of w N. None
        when all weights or all fish are 0.
    kinship_within : float or None
        Mean of the sites' kinship, weighted by living fish.
    kinship_across : float or None
        Mean kinship of two fish from different sites.
    kinship_whole : float or None
        Mean kinship of all sites together.
    kinship_whole_before : float or None
        The same for the residents alone.
    gene_diversity : float or None
        1 - kinship_whole.
    effective_families : float or None
        1 / sum of squared family shares of the bodies at all sites.
    families_released : int
        Families of which at least one fish is sent.
    sites_per_family : float or None
        Mean number of sites a family lives in, over families that live at any site.
    families_in_one_site : int
        Families that live at one site only.
    """

    sites: tuple[SiteMeasures, ...]
    released: int
    kept_back: int
    survivors: Estimate
    kinship_weighted: float | None
    kinship_within: float | None
    kinship_across: float | None
    kinship_whole: float | None
    kinship_whole_before: float | None
    gene_diversity: float | None
    effective_families: float | None
    families_released: int
    sites_per_family: float | None
    families_in_one_site: int


def measure(data: ReleaseData, numbers: BigIntArray) -> ReleaseMeasures:
    """Compute the measures of a plan.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    ReleaseMeasures
        Per site and as a whole.
    """
    living = data.living(numbers)
    bodies = (data.membership @ numbers + data.sites.residents).astype(np.int64)
    k = data.families.kinship
    whole = mean_kinship(k, living.sum(axis=1))
    sent_by_family = data.membership @ numbers.sum(axis=1)
    homes = (bodies > 0).sum(axis=1)[data.families.single]
    return ReleaseMeasures(
        sites=tuple(_site(data, numbers, living, bodies, s) for s in range(data.n_sites)),
        released=int(numbers.sum()),
        kept_back=int(data.groups.available.sum() - numbers.sum()),
        survivors=expected_survivors(data, numbers),
        kinship_weighted=kinship_weighted(data, living),
        kinship_within=kinship_within(k, living),
        kinship_across=kinship_across(k, living),
        kinship_whole=whole,
        kinship_whole_before=mean_kinship(k, data.living_residents.sum(axis=1)),
        gene_diversity=None if whole is None else 1.0 - whole,
        effective_families=effective_number(bodies.sum(axis=1)[data.families.single]),
        families_released=int((sent_by_family[data.families.single] > 0).sum()),
        sites_per_family=float(homes[homes > 0].mean()) if (homes > 0).any() else None,
        families_in_one_site=int((homes == 1).sum()),
    )


def _site(
    data: ReleaseData, numbers: BigIntArray, living: FloatArray, bodies: BigIntArray, s: int
) -> SiteMeasures:
    sites, single = data.sites, data.families.single
    k = data.families.kinship
    kg = float(numbers[:, s] @ data.groups.weight_g) / 1000.0
    present = (bodies[:, s] > 0) & single
    all_bodies = int(bodies[:, s].sum())
    largest = int(np.argmax(np.where(single, bodies[:, s], -1))) if single.any() else -1
    known = largest >= 0 and bodies[largest, s] > 0
    capacity_kg = float(sites.capacity_kg[s])
    return SiteMeasures(
        site=sites.name[s],
        arrivals=int(numbers[:, s].sum()),
        residents=int(sites.resident_number[s]),
        capacity_fish=None if sites.capacity_fish[s] == NO_LIMIT else int(sites.capacity_fish[s]),
        arrivals_kg=kg,
        total_kg=kg + float(sites.resident_kg[s]),
        capacity_kg=capacity_kg if np.isfinite(capacity_kg) else None,
        survivors=expected_survivors(data, numbers, s),
        kinship=mean_kinship(k, living[:, s]),
        kinship_before=mean_kinship(k, data.living_residents[:, s]),
        kinship_with_self=mean_kinship_with_self(k, data.families.self_kinship, living[:, s]),
        families=int(present.sum()),
        new_families=int((present & (sites.residents[:, s] == 0)).sum()),
        effective_families=effective_number(bodies[single, s]),
        largest_share=float(bodies[largest, s] / all_bodies) if known else None,
        largest_family=data.families.name[largest] if known else "",
        year_classes=len(np.unique(data.groups.year_class[numbers[:, s] > 0])),
    )


def expected_survivors(data: ReleaseData, numbers: BigIntArray, site: int | None = None) -> Estimate:
    """Estimate how many released fish are alive at the horizon.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.
    site : int, optional
        One site; default: all.

    Returns
    -------
    Estimate
        Sum of fish times survival. The interval comes from the standard errors of the survival curves:
        the errors of one curve go together (they are added), those of different curves are independent
        (their squares are added). Chance between single fish comes on top and is not in it.
    """
    chosen = np.arange(data.n_sites) if site is None else np.array([site])
    sent = numbers[:, chosen]
    released = int(sent.sum())
    method = "fish sent times survival curve; normal interval from the curves' standard errors"
    if released == 0:
        return Estimate(0.0, 0.0, 0.0, method, 0, note="no fish are sent")
    value = float((sent * data.survival[:, chosen]).sum())
    by_site = (sent * data.survival_se[:, chosen]).sum(axis=0)
    by_curve = np.bincount(data.sites.curve[chosen], weights=by_site)
    error = float(np.sqrt((by_curve**2).sum()))
    note = "chance between single fish is not in the interval"
    if error == 0.0:
        return Estimate(
            value, method="fish sent times survival curve", n_used=released, note="no standard errors given"
        )
    low, high = max(value - Z95 * error, 0.0), min(value + Z95 * error, float(released))
    return Estimate(value, low, high, method, released, note=note)


def effective_number(numbers: BigIntArray) -> float | None:
    """Return 1 / sum of squared shares; None when there are no fish."""
    total = float(numbers.sum())
    if total <= 0:
        return None
    return float(1.0 / ((numbers / total) ** 2).sum())


def kinship_weighted(data: ReleaseData, living: FloatArray) -> float | None:
    """Return the objective per weighted fish; `living` has the shape (n_families, n_sites)."""
    weights, whole = data.sites.weight, data.settings.whole_weight
    total = float(weights @ living.sum(axis=0) + whole * living.sum())
    if total <= 0:
        return None
    k = data.families.kinship
    sites = sum(w * kinship_term(k, living[:, s]) for s, w in enumerate(weights))
    return float((sites + whole * kinship_term(k, living.sum(axis=1))) / total)


def kinship_within(kinship: FloatArray, living: FloatArray) -> float | None:
    """Return the sites' mean kinship weighted by living fish, shape of `living` (n_families, n_sites)."""
    totals = living.sum(axis=0)
    if totals.sum() <= 0:
        return None
    terms = np.einsum("fs,fg,gs->s", living, kinship, living)
    used = totals > 0
    return float((terms[used] / totals[used]).sum() / totals.sum())


def kinship_across(kinship: FloatArray, living: FloatArray) -> float | None:
    """Return the mean kinship of two fish from different sites; None with fish at fewer than two sites."""
    totals = living.sum(axis=0)
    pairs = float(totals.sum() ** 2 - (totals**2).sum())
    if (totals > 0).sum() < 2:
        return None
    everything = living.sum(axis=1)
    same_site = np.einsum("fs,fg,gs->", living, kinship, living)
    return float((everything @ kinship @ everything - same_site) / pairs)
