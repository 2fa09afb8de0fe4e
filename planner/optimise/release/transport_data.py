"""What loads are made from: lines of fish for each site, trucks, days and crews, distances; and the loads themselves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise, permutations

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.status import SolveStatus

MOST_STOPS = 4
STATION = 0
"""Position of the station in the table of distances; site s stands at s + 1."""


@dataclass(frozen=True)
class TransportData:
    """Fish to carry and what carries them.

    Parameters
    ----------
    site : tuple of str
        Names of the sites, length n_sites.
    site_risk : ndarray, int64, shape (n_sites,)
        Risk rank of their water: within a trip a truck never goes from a higher to a lower rank.
    distance_km : ndarray, float64, shape (n_sites + 1, n_sites + 1)
        Distances, station first. Symmetric is not asked for.
    line : tuple of str
        Names of the lines: fish of one group for one site, length n_lines.
    line_site : ndarray, int64, shape (n_lines,)
        Site of each line.
    fish : ndarray, int64, shape (n_lines,)
        Fish of each line.
    kg_each : ndarray, float64, shape (n_lines,)
        Mean mass of one fish, kg.
    line_risk : ndarray, int64, shape (n_lines,)
        Risk rank of the water the fish come in: it may not be above that of any site of the trip.
    truck : tuple of str
        Names of the trucks, length n_trucks.
    volume_l, kg_per_l : ndarray, float64, shape (n_trucks,)
        Tank volume, L, and most fish mass in it, kg per L.
    trips_per_day, stops : ndarray, int64, shape (n_trucks,)
        Most trips of a day and most sites of a trip (1 to 4).
    crews : tuple of int
        Crews on each day; a truck on the road needs one for the day.

    Raises
    ------
    ShapeError
        If an array has a wrong length.
    ValueRangeError
        If a number is impossible, one fish alone is too heavy for every truck, or fish may not enter the water
        of their site; the message lists every fault.
    """

    site: tuple[str, ...]
    site_risk: BigIntArray
    distance_km: FloatArray
    line: tuple[str, ...]
    line_site: BigIntArray
    fish: BigIntArray
    kg_each: FloatArray
    line_risk: BigIntArray
    truck: tuple[str, ...]
    volume_l: FloatArray
    kg_per_l: FloatArray
    trips_per_day: BigIntArray
    stops: BigIntArray
    crews: tuple[int, ...]

    def __post_init__(self) -> None:
        sites, lines, trucks = len(self.site), len(self.line), len(self.truck)
        shapes = {
            "site_risk": (sites,),
            "distance_km": (sites + 1, sites + 1),
            **dict.fromkeys(("line_site", "fish", "kg_each", "line_risk"), (lines,)),
            **dict.fromkeys(("volume_l", "kg_per_l", "trips_per_day", "stops"), (trucks,)),
        }
        for name, shape in shapes.items():
            found = np.shape(getattr(self, name))
            if found != shape:
                raise ShapeError(
                    f"transport, {name}: found shape {found}. Expected {shape}. Give one value each."
                )
        faults = list(self._faults())
        if faults:
            raise ValueRangeError(
                f"transport: {len(faults)} fault(s).\n" + "\n".join(f"- {f}" for f in faults)
            )

    def _faults(self) -> Iterator[str]:
        limits = (
            ("distance_km", self.distance_km, 0.0, 1e5),
            ("fish", self.fish, 0, 1e7),
            ("kg_each", self.kg_each, 1e-6, 100.0),
            ("line_site", self.line_site, 0, len(self.site) - 1),
            ("volume_l", self.volume_l, 1e-3, 1e6),
            ("kg_per_l", self.kg_per_l, 1e-6, 1.0),
            ("trips_per_day", self.trips_per_day, 0, 100),
            ("stops", self.stops, 1, MOST_STOPS),
            ("crews", np.array(self.crews, dtype=np.float64), 0, 1000),
        )
        for name, values, low, high in limits:
            wrong = ~((np.asarray(values) >= low) & (np.asarray(values) <= high))
            if wrong.any():
                found = np.asarray(values)[wrong].ravel()[0]
                yield f"{name}: found {found}. Expected {low:g} to {high:g}. Correct the record or the setting."
                return
        strongest = float(self.capacity_kg.max(initial=0.0))
        for i in np.flatnonzero(self.fish > 0):
            site = int(self.line_site[i])
            if self.truck and self.kg_each[i] > strongest:
                yield (
                    f"line {self.line[i]!r}: found fish of {self.kg_each[i]:g} kg. Expected no more than the "
                    f"{strongest:g} kg the largest truck may carry."
                )
            if self.line_risk[i] > self.site_risk[site]:
                yield (
                    f"line {self.line[i]!r}: found water of rank {self.line_risk[i]} for {self.site[site]!r} of rank "
                    f"{self.site_risk[site]}. Expected the same or a higher rank. Plan the release again."
                )

    @property
    def capacity_kg(self) -> FloatArray:
        """Most fish mass each truck may carry, kg, shape (n_trucks,)."""
        return np.asarray(self.volume_l * self.kg_per_l)

    @property
    def total_kg(self) -> float:
        """Mass of all fish, kg."""
        return float(self.fish @ self.kg_each)

    def trip_km(self, sites: tuple[int, ...]) -> float:
        """Return the length of a trip from the station over sites in order and back, km."""
        places = [STATION, *(s + 1 for s in sites), STATION]
        return float(sum(self.distance_km[a, b] for a, b in pairwise(places)))

    def best_order(self, sites: tuple[int, ...]) -> tuple[int, ...]:
        """Return the shortest order of sites in which the risk rank of the water never falls."""
        allowed = [
            order
            for order in permutations(sorted(sites))
            if all(self.site_risk[a] <= self.site_risk[b] for a, b in pairwise(order))
        ]
        return min(allowed, key=lambda order: (self.trip_km(order), order))

    def routes(self, most_stops: int) -> list[tuple[int, ...]]:
        """Return every set of sites with fish that one trip may serve, each in its best order."""
        served = sorted(set(self.line_site[self.fish > 0].tolist()))
        return [
            self.best_order(sites)
            for size in range(1, most_stops + 1)
            for sites in combinations(served, size)
        ]


@dataclass(frozen=True)
class Stop:
    """Fish unloaded at one site: positions of lines and numbers."""

    site: int
    loads: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Trip:
    """One trip of one truck.

    Parameters
    ----------
    day : int
        Position of the day, 0 first.
    truck : int
        Position of the truck.
    number : int
        Which trip of the truck that day, 1 first.
    stops : tuple of Stop
        In the order of the journey.
    """

    day: int
    truck: int
    number: int
    stops: tuple[Stop, ...]

    @property
    def sites(self) -> tuple[int, ...]:
        """Sites in the order of the journey."""
        return tuple(s.site for s in self.stops)

    @property
    def fish(self) -> int:
        """Fish on board at the start."""
        return sum(n for s in self.stops for _, n in s.loads)

    def kg(self, data: TransportData) -> float:
        """Return the mass on board at the start, kg."""
        return float(sum(n * data.kg_each[i] for s in self.stops for i, n in s.loads))


@dataclass(frozen=True)
class LoadPlan:
    """Loads, or what is short.

    Parameters
    ----------
    status : SolveStatus
        ``proven``: no plan has fewer trips, and none with as few is shorter; ``infeasible``: not everything can be
        carried; ``time limit`` and ``stopped``: the best found by then.
    trips : tuple of Trip
        By day, truck and number; empty when there is no plan.
    km : float or None
        Length of all trips.
    fewest_trips : int or None
        Proven: no plan has fewer trips.
    shortest_km : float or None
        Proven: no plan with this number of trips is shorter.
    short : tuple of str
        What is short, in words; empty when everything is carried.
    breaches : tuple of str
        What the recheck found; empty for a plan that may be shown.
    """

    status: SolveStatus
    trips: tuple[Trip, ...]
    km: float | None
    fewest_trips: int | None
    shortest_km: float | None
    short: tuple[str, ...]
    breaches: tuple[str, ...]


def recheck_loads(data: TransportData, trips: tuple[Trip, ...]) -> list[str]:
    """Return every rule that loads break, in words, computed from the loads alone.

    Parameters
    ----------
    data : TransportData
        The data.
    trips : tuple of Trip
        Loads.

    Returns
    -------
    list of str
        Empty when every fish is carried once, to its site, within volume, density, stops, order, trips and crews.
    """
    found: list[str] = []
    carried = np.zeros(len(data.line), dtype=np.int64)
    for trip in trips:
        name = f"day {trip.day + 1}, {data.truck[trip.truck]}, trip {trip.number}"
        kg = sum(n * float(data.kg_each[i]) for s in trip.stops for i, n in s.loads)
        most = float(data.volume_l[trip.truck]) * float(data.kg_per_l[trip.truck])
        if kg > most + 1e-6:
            found.append(f"{name}: found {kg:.3f} kg. Expected at most {most:g} kg. [density]")
        if len(trip.stops) > data.stops[trip.truck]:
            found.append(
                f"{name}: found {len(trip.stops)} stops. Expected at most {data.stops[trip.truck]}. [stops]"
            )
        ranks = [int(data.site_risk[s.site]) for s in trip.stops]
        if ranks != sorted(ranks):
            found.append(f"{name}: found water of the ranks {ranks}. Expected rising ranks. [water-order]")
        for stop in trip.stops:
            for i, n in stop.loads:
                carried[i] += n
                if data.line_site[i] != stop.site or n < 1:
                    found.append(
                        f"{name}: found {n} fish of {data.line[i]} at {data.site[stop.site]}. [site]"
                    )
                if data.line_risk[i] > min(ranks):
                    found.append(
                        f"{name}: found fish from water of rank {data.line_risk[i]} on board. [water-order]"
                    )
        if not 0 <= trip.day < len(data.crews):
            found.append(f"{name}: found a day beyond the last. [days]")
    found += [
        f"{data.line[i]}: found {carried[i]} fish carried. Expected {data.fish[i]}. [fish]"
        for i in np.flatnonzero(carried != data.fish)
    ]
    for day, crews in enumerate(data.crews):
        here = [t for t in trips if t.day == day]
        if len({t.truck for t in here}) > crews:
            found.append(
                f"day {day + 1}: found {len({t.truck for t in here})} trucks. Expected {crews}. [crews]"
            )
        for k, name in enumerate(data.truck):
            number = sum(t.truck == k for t in here)
            if number > data.trips_per_day[k]:
                found.append(f"day {day + 1}, {name}: found {number} trips. [trips]")
    return found
