"""How large the practice programme is: the counts of the full demo and of the tiny set."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Size = Literal["full", "tiny"]

LAKE = ("UN", "GW", "BB", "DP")
"""Sites that are zones of the lake."""
CENSUS_YEAR = 2024
"""Year of the spring census with two visits."""


@dataclass(frozen=True, slots=True)
class Event:
    """One release event.

    Parameters
    ----------
    on : str
        ISO date.
    site : str
        Site.
    number : int
        Fish; 0 for the lake events, which share what is left of the year.
    families : int
        Families a backwater group is made of; 0: whatever is at hand.
    harvest : str
        Backwater whose young are moved; empty for fish from the station.
    """

    on: str
    site: str
    number: int = 0
    families: int = 0
    harvest: str = ""


@dataclass(frozen=True)
class Scale:
    """Counts that the generator meets exactly unless a sentence says otherwise.

    Parameters
    ----------
    name : {'full', 'tiny'}
        Size.
    first_year : int
        First year of the programme.
    n_ancestors, n_wild_adults : int
        Hidden ancestors, and wild adults alive at the start.
    founders : dict of int to (int, int)
        Females and males caught by year.
    founders_alive : (int, int)
        Females and males still alive.
    kept_alive : tuple of str
        Founders that must be among the living.
    founders_released : dict of int to int
        Founders put back, by release year.
    larvae, larvae_tagged : dict of int to int
        Wild larvae taken and tagged, by year class.
    larvae_alive : int
        Larvae alive after three months, over all years.
    seasons : dict of int to (int, int)
        Female uses and dishes by spawning season.
    tagged_hatchery : dict of int to int
        Hatchery-born fish released, by year class.
    brood_families, brood_hatchery, brood_larval : dict of int to int
        Families behind the hatchery-born brood, hatchery-born and larva-grown broodfish, by year class.
    brood_females : int
        Females among the hatchery-born and larva-grown broodfish.
    frozen : int
        Males with frozen milt.
    straws : int
        Straws of frozen milt.
    stock_cross, stock_larval : (int, int)
        Families and fish of the stock from crosses, groups and fish from larvae.
    nb_planned, nb_true : float
        Effective breeders the plan expected, and the value the hidden losses are tuned to.
    events : tuple of Event
        Release events in order of time.
    residents : dict of str to int
        Fish alive at each backwater today.
    recruits : dict of str to tuple of int
        Years in which young of a backwater were sampled.
    samples : dict of str to int
        Samples by group; ``stock`` is the part of ``release`` that is taken from the stock.
    n_neutral, n_diagnostic, n_sex : int
        Single-nucleotide loci by role.
    n_linkage_groups : int
        Linkage groups.
    n_microsatellites, microsatellite_samples : int
        Microsatellites and samples typed with them.
    n_haplotypes : int
        Mitochondrial haplotypes.
    captures_known, fish_known, captures_untagged : int
        Records of known fish, how many fish these are, and records of fish without a readable tag.
    chapman : (int, int, int)
        Fish of the first and second census visit and fish of both.
    capture_effort : float
        Multiplies every capture probability.
    unnetted : tuple of str
        Backwaters where no nets are set.
    scans : int
        Contacts, marker tag included.
    marker_contacts, scan_days, scan_tags, unknown_tags, ghosts : int
        Contacts of the marker tag; tag-site-days, different tags, unknown among them, and ghost tags.
    legacy_tags : int
        Tags of the pilot.
    tags_ever : int
        Different tags ever put in a fish.
    sites : tuple of str
        Sites of the table.
    planted : tuple of int
        Numbers of the planted errors.
    """

    name: Size
    first_year: int
    n_ancestors: int
    n_wild_adults: int
    founders: dict[int, tuple[int, int]]
    founders_alive: tuple[int, int]
    kept_alive: tuple[str, ...]
    founders_released: dict[int, int]
    larvae: dict[int, int]
    larvae_tagged: dict[int, int]
    larvae_alive: int
    seasons: dict[int, tuple[int, int]]
    tagged_hatchery: dict[int, int]
    brood_families: dict[int, int]
    brood_hatchery: dict[int, int]
    brood_larval: dict[int, int]
    brood_females: int
    frozen: int
    straws: int
    stock_cross: tuple[int, int]
    stock_larval: tuple[int, int]
    nb_planned: float
    nb_true: float
    events: tuple[Event, ...]
    residents: dict[str, int]
    recruits: dict[str, tuple[int, ...]]
    samples: dict[str, int]
    n_neutral: int
    n_diagnostic: int
    n_sex: int
    n_linkage_groups: int
    n_microsatellites: int
    microsatellite_samples: int
    n_haplotypes: int
    captures_known: int
    fish_known: int
    captures_untagged: int
    chapman: tuple[int, int, int] | None
    capture_effort: float
    unnetted: tuple[str, ...]
    scans: int
    marker_contacts: int
    scan_days: int
    scan_tags: int
    unknown_tags: int
    ghosts: int
    legacy_tags: int
    tags_ever: int
    sites: tuple[str, ...]
    planted: tuple[int, ...]
    settings: dict[str, str] = field(default_factory=dict)

    @property
    def last_year(self) -> int:
        """Year of the stock that is available now."""
        return 2024

    @property
    def years(self) -> range:
        """Years of the programme."""
        return range(self.first_year, self.last_year + 1)


def release_year(event: Event) -> int:
    """Return the year class an event belongs to: events until September release fish of the year before."""
    year, month = int(event.on[:4]), int(event.on[5:7])
    return year if month >= 10 else year - 1


def _full_events() -> tuple[Event, ...]:
    ponds = [
        Event("2013-12-05", "QL", 100, 5),
        Event("2013-12-12", "LT", 120, 5),
        Event("2014-12-04", "NP", 80, 6),
        Event("2014-12-11", "VC", 90, 6),
        Event("2015-11-19", "PP", 90, 7),
        Event("2015-12-10", "SV", 80, 6),
        Event("2016-12-08", "HR", 30, 4),
        Event("2017-12-07", "LT", 150, 9),
        Event("2018-11-22", "PP", 90, 8),
        Event("2018-12-06", "NP", 60, 6),
        Event("2019-11-21", "LT", 110, 7),
        Event("2019-12-05", "QL", 120, 6),
        Event("2020-11-19", "PP", 100, 8),
        Event("2020-12-03", "VC", 110, 7),
        Event("2021-11-25", "QL", 60, 5),
        Event("2021-12-02", "SV", 110, 3),
        Event("2021-12-09", "LT", 110, 7),
        Event("2022-11-17", "PP", 110, 8),
        Event("2022-11-24", "VC", 50, 5),
        Event("2022-12-01", "HR", 35, 5),
        Event("2023-11-23", "NP", 40, 4),
    ]
    harvests = {
        2017: ("2017-10-19", "LT", 60),
        2019: ("2019-10-17", "QL", 70),
        2021: ("2021-10-21", "SV", 60),
        2022: ("2022-10-13", "LT", 50),
        2023: ("2023-11-09", "NP", 60),
    }
    events = list(ponds)
    zones = ("BB", "GW", "DP", "UN")
    for i, year in enumerate(range(2012, 2024)):
        days = [f"{year}-11-12", f"{year}-12-17", f"{year + 1}-02-18", f"{year + 1}-04-08"]
        if year in harvests:
            day, pond, number = harvests[year]
            events.append(Event(day, "BB", number, harvest=pond))
            days = days[:3]
        events += [Event(day, zones[(i + k) % 4]) for k, day in enumerate(days)]
    # Two summer releases of the early years, before they were given up.
    events += [Event("2014-07-08", "BB"), Event("2016-07-12", "GW")]
    return tuple(sorted(events, key=lambda e: (e.on, e.site)))


FULL = Scale(
    name="full",
    first_year=2012,
    n_ancestors=600,
    n_wild_adults=2000,
    founders={
        2012: (9, 11),
        2013: (8, 10),
        2014: (7, 9),
        2015: (6, 8),
        2016: (6, 8),
        2017: (5, 7),
        2018: (4, 5),
        2019: (4, 5),
    },
    founders_alive=(9, 12),
    kept_alive=("F-07", "F-19", "M-03", "M-12"),
    founders_released={2018: 4, 2020: 4, 2022: 4},
    larvae={
        2012: 5200,
        2013: 6400,
        2014: 7800,
        2015: 8600,
        2016: 9400,
        2017: 10100,
        2018: 10300,
        2019: 10900,
        2020: 7900,
        2021: 10200,
        2022: 10600,
        2023: 10988,
        2024: 10012,
    },
    larvae_tagged={
        2012: 900,
        2013: 1300,
        2014: 1600,
        2015: 1850,
        2016: 2000,
        2017: 2200,
        2018: 2250,
        2019: 2350,
        2020: 1750,
        2021: 2200,
        2022: 2250,
        2023: 2350,
        2024: 1900,
    },
    larvae_alive=61700,
    seasons={
        2014: (12, 30),
        2015: (14, 36),
        2016: (16, 42),
        2017: (18, 48),
        2018: (19, 52),
        2019: (20, 56),
        2020: (21, 58),
        2021: (22, 62),
        2022: (24, 68),
        2023: (24, 66),
        2024: (24, 70),
    },
    tagged_hatchery={
        2014: 250,
        2015: 400,
        2016: 520,
        2017: 620,
        2018: 680,
        2019: 720,
        2020: 560,
        2021: 780,
        2022: 840,
        2023: 841,
    },
    brood_families={2014: 5, 2015: 6, 2016: 6, 2017: 6, 2018: 6, 2019: 5},
    brood_hatchery={2014: 12, 2015: 13, 2016: 14, 2017: 14, 2018: 13, 2019: 12},
    brood_larval={2014: 7, 2015: 7, 2016: 8, 2017: 8, 2018: 7, 2019: 6},
    brood_females=57,
    frozen=14,
    straws=186,
    stock_cross=(62, 2960),
    stock_larval=(18, 1900),
    nb_planned=49.0,
    nb_true=31.0,
    events=_full_events(),
    residents={"QL": 84, "NP": 0, "SV": 63, "LT": 141, "HR": 20, "VC": 71, "PP": 212},
    recruits={
        "QL": (2016, 2018, 2022, 2023),
        "NP": (2018, 2020, 2022),
        "SV": (2018, 2020, 2024),
        "LT": (2016, 2020, 2021, 2022, 2023, 2024),
        "VC": (2018, 2023),
        "PP": (2018, 2019, 2020, 2021, 2022, 2023, 2024),
    },
    samples={
        "founder": 112,
        "brood": 121,
        "release": 1150,
        "stock": 640,
        "larva": 1640,
        "backwater-young": 820,
        "capture": 236,
        "replicate": 218,
        "control": 42,
    },
    n_neutral=176,
    n_diagnostic=12,
    n_sex=4,
    n_linkage_groups=24,
    n_microsatellites=14,
    microsatellite_samples=610,
    n_haplotypes=23,
    captures_known=2960,
    fish_known=1310,
    captures_untagged=236,
    chapman=(118, 97, 6),
    capture_effort=1.0,
    unnetted=("SV",),
    scans=1_420_000,
    marker_contacts=11_400,
    scan_days=38_200,
    scan_tags=3_412,
    unknown_tags=171,
    ghosts=46,
    legacy_tags=640,
    tags_ever=34_870,
    sites=("UN", "GW", "BB", "DP", "QL", "NP", "SV", "LT", "HR", "VC", "PP", "GP"),
    planted=tuple(range(1, 30)),
)

TINY = Scale(
    name="tiny",
    first_year=2017,
    n_ancestors=40,
    n_wild_adults=160,
    founders={2017: (3, 3), 2018: (2, 2)},
    founders_alive=(2, 2),
    kept_alive=(),
    founders_released={2023: 1},
    larvae={2019: 100, 2023: 60, 2024: 140},
    larvae_tagged={2019: 2, 2023: 13, 2024: 60},
    larvae_alive=240,
    seasons={2019: (4, 10), 2024: (4, 10)},
    tagged_hatchery={2019: 14},
    brood_families={2019: 4},
    brood_hatchery={2019: 6},
    brood_larval={2019: 2},
    brood_females=4,
    frozen=2,
    straws=20,
    stock_cross=(8, 90),
    stock_larval=(3, 60),
    nb_planned=8.0,
    nb_true=5.0,
    events=(
        Event("2019-11-14", "QL", 14, 3),
        Event("2023-11-16", "BB", 8),
        Event("2023-12-05", "GW", 6),
    ),
    residents={"QL": 9, "NP": 0, "SV": 0},
    recruits={"QL": (2023, 2024)},
    samples={
        "founder": 10,
        "brood": 8,
        "release": 14,
        "stock": 14,
        "larva": 10,
        "backwater-young": 6,
        "capture": 4,
        "replicate": 4,
        "control": 4,
    },
    n_neutral=16,
    n_diagnostic=5,
    n_sex=3,
    n_linkage_groups=6,
    n_microsatellites=4,
    microsatellite_samples=20,
    n_haplotypes=5,
    captures_known=36,
    fish_known=14,
    captures_untagged=4,
    chapman=None,
    capture_effort=6.0,
    unnetted=(),
    scans=2_000,
    marker_contacts=114,
    scan_days=150,
    scan_tags=12,
    unknown_tags=3,
    ghosts=2,
    legacy_tags=4,
    tags_ever=202,
    sites=("GW", "BB", "QL", "NP", "SV"),
    planted=(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 19, 21, 22, 23, 24, 26, 27, 28, 29),
)

SCALES: dict[str, Scale] = {"full": FULL, "tiny": TINY}
