"""The choices a programme makes for a release; every one is shown with the plan."""

from __future__ import annotations

from dataclasses import dataclass

NO_LIMIT = -1
"""Code of a whole number that sets no limit (capacity, wanted, most to receive, totals)."""

UNKNOWN_C = -99.0
"""Code of a water temperature nobody took."""

SEXES = ("female", "male", "unknown")
"""Words for the sex of a group."""


@dataclass(frozen=True, slots=True)
class SitesTotal:
    """A total agreed for several sites together: a zone, or the share of a partner.

    Parameters
    ----------
    name : str
        Name of the zone or partner.
    sites : tuple of int
        Positions of the sites.
    low, high : int
        Fewest and most fish to send to them together; `high` -1: no limit.
    """

    name: str
    sites: tuple[int, ...]
    low: int = 0
    high: int = NO_LIMIT


@dataclass(frozen=True, slots=True)
class SitesShare:
    """The part of the release agreed for several sites together: the share of a partner.

    Parameters
    ----------
    name : str
        Name of the partner.
    sites : tuple of int
        Positions of the sites.
    low, high : float
        Least and largest share of all fish released.
    """

    name: str
    sites: tuple[int, ...]
    low: float = 0.0
    high: float = 1.0


@dataclass(frozen=True, slots=True)
class ReleaseSettings:
    """The choices of the programme; every one is shown with the plan.

    Parameters
    ----------
    total_min, total_max : int
        Fewest and most fish to release; `total_max` -1: no limit.
    keep_back : int
        Fish that stay at the station, all families together.
    min_sites, min_sites_from : int
        Every family with at least `min_sites_from` fish free to go must live in at least `min_sites`
        sites after the release (waters where it lives already are counted). 0: no such rule.
    living_share : float
        Largest share of a family's living fish that one site may hold; one fish is always allowed. 1: no
        such rule.
    predator_safe_mm : float
        Groups with a shorter fish go only to sites known to be free of predators, mm. 0: no such rule.
    connected_min_mm : float
        Groups with a shorter fish do not go to connected sites, mm. 0: no such rule.
    year_class_fish : int
        Fish a year class needs at a site to be counted there.
    totals : tuple of SitesTotal
        Totals of zones and partners.
    shares : tuple of SitesShare
        Shares of all fish released that partners agreed on.
    permit_left : int
        Most fish the permit still lets go, over all sites; -1: no limit.
    month : int
        Month of the release, 1 to 12, for sites closed in some months; 0: no such rule.
    temperature_step_c : float
        Largest difference between the water the fish come from and the site's that needs no tempering,
        degrees Celsius. 0: no such rule.
    survivors_share : float
        The plan keeps at least this share of the most expected survivors that any plan under the same
        rules was found to reach. Kinship alone would favour few fish and poor waters; this is the point
        on the trade-off that a person chooses. 0: no floor.
    survivors_min : float
        Expected survivors the plan must reach at least; 0: none.
    whole_weight : float
        Weight of the kinship of all sites together beside the weights of the sites.
    gap : float
        The search stops when the proven gap is no larger.
    time_limit : float
        Seconds after which the best plan so far is returned with its proven gap.
    seed : int
        Seed of the solver's own random choices.
    """

    total_min: int = 0
    total_max: int = NO_LIMIT
    keep_back: int = 0
    min_sites: int = 0
    min_sites_from: int = 1
    living_share: float = 1.0
    predator_safe_mm: float = 0.0
    connected_min_mm: float = 0.0
    year_class_fish: int = 1
    totals: tuple[SitesTotal, ...] = ()
    shares: tuple[SitesShare, ...] = ()
    permit_left: int = NO_LIMIT
    month: int = 0
    temperature_step_c: float = 0.0
    survivors_share: float = 0.95
    survivors_min: float = 0.0
    whole_weight: float = 1.0
    gap: float = 0.005
    time_limit: float = 60.0
    seed: int = 0
