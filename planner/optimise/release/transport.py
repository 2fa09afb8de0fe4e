"""Which truck carries which fish on which day: fewest trips, then the shortest way, both proven.

First fish are taken as divisible and trips of like trucks as alike: a small model over routes whose least number of
trips, and least distance at that number, hold for every plan. Then the fish are shared out over those trips in whole
numbers. Only where that fails (a truck filled to the last fish) is every trip modelled by itself.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.release.model import LinearModel, LoadedModel, load, row
from planner.optimise.release.transport_data import LoadPlan, Stop, TransportData, Trip, recheck_loads
from planner.optimise.solver import Session, read_counts, read_values
from planner.optimise.status import SolveReport, SolveStatus

KG_SLACK = 1e-7
LEAST_LEFT_S = 0.1

GRACE_S = 3.0
"""Most seconds in which whole fish are put on the trips chosen by then, after a person stopped the search."""

MORE_TRIPS = 2
"""Trips beyond the fewest that are tried where whole fish do not fit and single trips would be too many to model."""

SMALL = 3000
"""Trips times routes up to which every trip is modelled by itself."""


@dataclass(frozen=True)
class _Kind:
    """Trucks that are alike."""

    trucks: tuple[int, ...]
    capacity_kg: float
    trips: int
    stops: int


@dataclass(frozen=True)
class _Chosen:
    """Trips chosen: the route and kind of each, and the trucks of each kind on each day."""

    routes: list[tuple[tuple[int, ...], int]]
    truck_days: BigIntArray


def plan_loads(
    data: TransportData,
    *,
    time_limit: float = 30.0,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> LoadPlan:
    """Plan the loads.

    Parameters
    ----------
    data : TransportData
        Fish, trucks, days, crews, distances.
    time_limit : float
        Seconds for everything.
    seed : int
        Seed of the solver's own choices.
    progress : callable, optional
        Told in words what is being done.
    cancel : threading.Event, optional
        Set from another thread to stop: the trips chosen by then are loaded, with what is proven by then.

    Returns
    -------
    LoadPlan
        Loads that pass the recheck, or what is short.
    """
    if not int(data.fish.sum()):
        return LoadPlan(SolveStatus.PROVEN, (), 0.0, 0, 0.0, (), ())
    say = progress or _say_nothing
    deadline = time.perf_counter() + time_limit
    model = _Divisible(data, seed, cancel)
    say("seeking the fewest trips")
    trips = model.fewest_trips(deadline)
    if trips.status is SolveStatus.INFEASIBLE:
        return LoadPlan(
            SolveStatus.INFEASIBLE, (), None, None, None, _what_is_short(data, seed, deadline, cancel), ()
        )
    if not trips.has_solution or trips.objective is None:
        return LoadPlan(trips.status, (), None, None, None, (), ())
    chosen = model.chosen(trips)
    fewest = max(
        _least_trips(data, model.kinds), 0 if trips.bound is None else int(np.ceil(trips.bound - 1e-6))
    )
    number = round(trips.objective)
    for more in range(MORE_TRIPS + 1):
        if _is_set(cancel):
            break
        say(f"seeking the shortest way of {number + more} trips, no fewer than {fewest}")
        way = model.shortest(number + more, deadline)
        if not way.has_solution:
            break
        until = min(deadline, time.perf_counter() + GRACE_S) if _is_set(cancel) else deadline
        found = _shared_out(data, model.kinds, model.chosen(way), until, seed)
        if found is not None:
            shortest = way.bound if number + more == fewest else None
            return _finished(data, found, fewest, shortest, cancel)
        if number * len(model.pairs) <= SMALL:
            break
    if _is_set(cancel):
        found = _shared_out(data, model.kinds, chosen, time.perf_counter() + GRACE_S, seed)
        if found is None:
            return LoadPlan(SolveStatus.STOPPED, (), None, fewest, None, (), ())
        return _finished(data, found, fewest, None, cancel)
    say("putting whole fish on each trip")
    return _each_trip(data, model.kinds, fewest, deadline, seed, cancel)


def _is_set(cancel: threading.Event | None) -> bool:
    return cancel is not None and cancel.is_set()


def _say_nothing(words: str) -> None:
    """Ignore progress."""


def _finished(
    data: TransportData,
    trips: tuple[Trip, ...],
    fewest: int,
    shortest: float | None,
    cancel: threading.Event | None,
) -> LoadPlan:
    km = sum(data.trip_km(t.sites) for t in trips)
    proven = len(trips) == fewest and shortest is not None and km <= shortest + 1e-6 * max(shortest, 1.0)
    ended = SolveStatus.STOPPED if _is_set(cancel) else SolveStatus.TIME_LIMIT
    status = SolveStatus.PROVEN if proven else ended
    return LoadPlan(status, trips, km, fewest, shortest, (), tuple(recheck_loads(data, trips)))


def _least_trips(data: TransportData, kinds: list[_Kind]) -> int:
    """Return the trips that the mass asks of the largest truck: no plan has fewer."""
    largest = max((k.capacity_kg for k in kinds), default=0.0)
    return int(np.ceil(data.total_kg / largest - 1e-9)) if largest > 0 else 0


def _kinds(data: TransportData) -> list[_Kind]:
    """Put trucks that are alike together."""
    alike: dict[tuple[float, int, int], list[int]] = {}
    for k, key in enumerate(
        zip(data.capacity_kg.tolist(), data.trips_per_day.tolist(), data.stops.tolist(), strict=True)
    ):
        alike.setdefault(key, []).append(k)
    return [_Kind(tuple(trucks), *key) for key, trucks in alike.items()]


class _Divisible:
    """The model with divisible fish: trips by route and kind of truck, kg by route, kind, site and source rank."""

    def __init__(
        self, data: TransportData, seed: int, cancel: threading.Event | None = None, extra: str = ""
    ) -> None:
        self.data, self.seed, self.cancel = data, seed, cancel
        self.kinds = _kinds(data)
        self.items = sorted({(int(s), int(r)) for s, r in zip(data.line_site, data.line_risk, strict=True)})
        self.kg = {
            (s, r): float((data.fish * data.kg_each)[(data.line_site == s) & (data.line_risk == r)].sum())
            for s, r in self.items
        }
        self.items = [i for i in self.items if self.kg[i] > 0]
        most = max((k.stops for k in self.kinds), default=1)
        self.routes = data.routes(most)
        self.km = [data.trip_km(r) for r in self.routes]
        self.model = LinearModel()
        self.pairs = [
            (r, k)
            for k, kind in enumerate(self.kinds)
            for r, sites in enumerate(self.routes)
            if len(sites) <= kind.stops
        ]
        self._build(extra)

    def _build(self, extra: str) -> None:
        data, model = self.data, self.model
        self.trips = model.add((len(self.pairs),), 0.0, 1e4, whole=True)
        self.days = model.add((len(self.kinds), len(data.crews)), 0.0, 0.0, whole=True)
        by_item: dict[tuple[int, int], list[int]] = {i: [] for i in self.items}
        for j, (r, k) in enumerate(self.pairs):
            ranks = [int(data.site_risk[s]) for s in self.routes[r]]
            capacity = self.kinds[k].capacity_kg
            riding = []
            for item in self.items:
                if item[0] in self.routes[r] and item[1] <= min(ranks):
                    column = int(model.add((1,), 0.0, self.kg[item])[0])
                    riding.append(column)
                    by_item[item].append(column)
                    if self.kg[item] < capacity:
                        factors = [1.0, -self.kg[item]]
                        model.rows.append(row("", "item", [column, self.trips[j]], factors, high=0.0))
            factors = [*np.ones(len(riding)), -capacity]
            model.rows.append(row("", "density", [*riding, self.trips[j]], factors, high=KG_SLACK))
        for item, columns in by_item.items():
            model.rows.append(row("", "fish", columns, 1.0, self.kg[item], self.kg[item]))
        more_trips = int(model.add((1,), 0.0, 1e4 if extra == "trips" else 0.0, whole=True)[0])
        more_crews = model.add((len(data.crews),), 0.0, 1e3 if extra == "crews" else 0.0, whole=True)
        more_days = model.add((len(self.kinds),), 0.0, 1e4 if extra == "truck-days" else 0.0, whole=True)
        for k, kind in enumerate(self.kinds):
            for d in range(len(data.crews)):
                model.high[int(self.days[k, d])] = float(len(kind.trucks))
            mine = [int(self.trips[j]) for j, (_, kk) in enumerate(self.pairs) if kk == k]
            columns = [*mine, *self.days[k].tolist(), int(more_days[k]), more_trips]
            factors = [*np.ones(len(mine)), *[-float(kind.trips)] * (len(data.crews) + 1), -1.0]
            model.rows.append(row("", "trips", columns, factors, high=0.0))
        for d, crews in enumerate(data.crews):
            columns = [*self.days[:, d].tolist(), int(more_crews[d])]
            model.rows.append(row("", "crews", columns, [*np.ones(len(self.kinds)), -1.0], high=crews))
        self.extra = np.array([more_trips, *more_crews.tolist(), *more_days.tolist()], dtype=np.int64)
        least = _least_trips(data, self.kinds)
        if least > 0:
            model.rows.append(row("", "least", self.trips, 1.0, low=least))

    def _solve(self, cost: dict[int, float], deadline: float) -> tuple[SolveReport, LoadedModel]:
        self.model.cost = [0.0] * self.model.n_columns
        for column, price in cost.items():
            self.model.cost[column] = price
        loaded = load(self.model, "loads")
        left = max(deadline - time.perf_counter(), LEAST_LEFT_S)
        report = Session(loaded.problem).solve(
            time_limit=left, relative_gap=1e-7, seed=self.seed, cancel=self.cancel
        )
        return report, loaded

    def fewest_trips(self, deadline: float) -> SolveReport:
        """Minimise the number of trips."""
        report, self.loaded = self._solve(dict.fromkeys(self.trips.tolist(), 1.0), deadline)
        return report

    def shortest(self, number: int, deadline: float) -> SolveReport:
        """Minimise the distance at a number of trips."""
        self.model.rows.append(row("", "number", self.trips, 1.0, number, number))
        cost = {int(self.trips[j]): self.km[r] for j, (r, _) in enumerate(self.pairs)}
        report, self.loaded = self._solve(cost, deadline)
        self.model.rows.pop()
        return report

    def least_extra(self, deadline: float) -> int | None:
        """Return the least of the extra resource with which everything can be carried."""
        report, loaded = self._solve(dict.fromkeys(self.extra.tolist(), 1.0), deadline)
        if not report.has_solution:
            return None
        return int(read_counts(loaded.pick(self.extra), report).sum())

    def chosen(self, report: SolveReport) -> _Chosen:
        """Read the trips and the trucks of each day."""
        numbers = read_counts(self.loaded.pick(self.trips), report)
        days = read_counts(self.loaded.pick(self.days), report).reshape(self.days.shape)
        routes = [
            (self.routes[r], k)
            for (r, k), n in zip(self.pairs, numbers.tolist(), strict=True)
            for _ in range(n)
        ]
        return _Chosen(routes, days)


def _shared_out(
    data: TransportData, kinds: list[_Kind], chosen: _Chosen, deadline: float, seed: int
) -> tuple[Trip, ...] | None:
    """Share the fish out over chosen trips in whole numbers; None when they do not fit."""
    model = LinearModel()
    columns = np.full((len(chosen.routes), len(data.line)), -1, dtype=np.int64)
    for t, (sites, k) in enumerate(chosen.routes):
        least = min(int(data.site_risk[s]) for s in sites)
        riding = [
            i
            for i in range(len(data.line))
            if data.fish[i] > 0 and data.line_site[i] in sites and data.line_risk[i] <= least
        ]
        for i in riding:
            columns[t, i] = model.add((1,), 0.0, float(data.fish[i]), whole=True)[0]
        kg = data.kg_each[riding]
        model.rows.append(row("", "density", columns[t, riding], kg, high=kinds[k].capacity_kg + KG_SLACK))
    for i in np.flatnonzero(data.fish > 0):
        mine = columns[:, i][columns[:, i] >= 0]
        model.rows.append(row("", "fish", mine, 1.0, data.fish[i], data.fish[i]))
    loaded = load(model, "whole_fish")
    left = max(deadline - time.perf_counter(), LEAST_LEFT_S)
    report = Session(loaded.problem).solve(time_limit=left, seed=seed)
    if not report.has_solution:
        return None
    numbers = np.zeros(columns.shape, dtype=np.int64)
    used = columns >= 0
    numbers[used] = read_counts(loaded.pick(columns[used]), report)
    return _on_trucks(data, kinds, chosen, numbers)


def _on_trucks(
    data: TransportData, kinds: list[_Kind], chosen: _Chosen, numbers: BigIntArray
) -> tuple[Trip, ...]:
    """Give the trips to trucks and days: days in order, long trips first."""
    out = []
    needed = [sum(kk == k for _, kk in chosen.routes) for k in range(len(kinds))]
    truck_days = _early_days(data, kinds, needed)
    if truck_days is None:
        truck_days = chosen.truck_days
    for k, kind in enumerate(kinds):
        slots = [
            (d, kind.trucks[i], n)
            for d in range(len(data.crews))
            for i in range(int(truck_days[k, d]))
            for n in range(1, kind.trips + 1)
        ]
        mine = [t for t, (_, kk) in enumerate(chosen.routes) if kk == k and numbers[t].sum() > 0]
        mine.sort(key=lambda t: -data.trip_km(chosen.routes[t][0]))
        for (day, truck, n), t in zip(slots, mine, strict=False):
            visited = tuple(s for s in chosen.routes[t][0] if numbers[t][data.line_site == s].sum())
            stops = tuple(
                Stop(
                    s,
                    tuple(
                        (int(i), int(numbers[t, i]))
                        for i in np.flatnonzero((data.line_site == s) & (numbers[t] > 0))
                    ),
                )
                for s in data.best_order(visited)
            )
            out.append(Trip(day, truck, n, stops))
    return tuple(sorted(out, key=lambda t: (t.day, t.truck, t.number)))


def _early_days(data: TransportData, kinds: list[_Kind], trips: list[int]) -> BigIntArray | None:
    """Return the trucks of each kind on each day, the early days first; None when the days do not suffice so."""
    left = [-(-n // kind.trips) if kind.trips else 0 for n, kind in zip(trips, kinds, strict=True)]
    out = np.zeros((len(kinds), len(data.crews)), dtype=np.int64)
    for day, crews in enumerate(data.crews):
        free = crews
        # The kind that needs most days goes first.
        for k in sorted(range(len(kinds)), key=lambda k: -left[k] / len(kinds[k].trucks)):
            out[k, day] = min(left[k], len(kinds[k].trucks), free)
            free -= int(out[k, day])
            left[k] -= int(out[k, day])
    return None if any(left) else out


def _each_trip(
    data: TransportData,
    kinds: list[_Kind],
    fewest: int,
    deadline: float,
    seed: int,
    cancel: threading.Event | None,
) -> LoadPlan:
    """Model every trip by itself, with whole fish; the number of trips is raised until the fish fit."""
    most = sum(k.trips * len(k.trucks) for k in kinds) * len(data.crews)
    for number in range(fewest, most + 1):
        exact = _EachTrip(data, kinds, number)
        report = exact.solve(deadline, seed, cancel)
        if report.status is SolveStatus.INFEASIBLE:
            fewest = number + 1
            continue
        if not report.has_solution:
            return LoadPlan(report.status, (), None, fewest, None, (), ())
        chosen, numbers = exact.read(report)
        return _finished(data, _on_trucks(data, kinds, chosen, numbers), fewest, report.bound, cancel)
    short = _what_is_short(data, seed, deadline, cancel) or (
        "room: the mass fits the trips, whole fish do not; one more trip would do",
    )
    return LoadPlan(SolveStatus.INFEASIBLE, (), None, None, None, short, ())


class _EachTrip:
    """A number of trips, each with its own route, kind of truck and whole fish."""

    def __init__(self, data: TransportData, kinds: list[_Kind], number: int) -> None:
        self.data, self.kinds = data, kinds
        model = LinearModel()
        self.routes = data.routes(max((k.stops for k in kinds), default=1))
        self.pairs = [
            (r, k) for k, kind in enumerate(kinds) for r, s in enumerate(self.routes) if len(s) <= kind.stops
        ]
        km = np.array([data.trip_km(self.routes[r]) for r, _ in self.pairs])
        shape = (number, len(self.pairs))
        self.on = model.add(shape, 0.0, 1.0, whole=True, cost=np.broadcast_to(km, shape))
        stock = np.broadcast_to(data.fish.astype(float), (number, len(data.line)))
        self.fish = model.add(stock.shape, 0.0, stock, whole=True)
        self.days = model.add((len(kinds), len(data.crews)), 0.0, 0.0, whole=True)
        capacity = np.array([kinds[k].capacity_kg for _, k in self.pairs])
        for t in range(number):
            model.rows.append(row("", "one route", self.on[t], 1.0, 1.0, 1.0))
            factors = [*data.kg_each, *-capacity]
            model.rows.append(row("", "density", [*self.fish[t], *self.on[t]], factors, high=KG_SLACK))
            for i in np.flatnonzero(data.fish > 0):
                may = [
                    int(self.on[t, j])
                    for j, (r, _) in enumerate(self.pairs)
                    if data.line_site[i] in self.routes[r]
                    and data.line_risk[i] <= min(int(data.site_risk[s]) for s in self.routes[r])
                ]
                factors = [1.0, *[-float(data.fish[i])] * len(may)]
                model.rows.append(row("", "rides", [int(self.fish[t, i]), *may], factors, high=0.0))
            if t:
                # Trips are alike: order them by their route, so that no plan is looked at twice.
                order = np.arange(len(self.pairs), dtype=float)
                columns, factors = [*self.on[t - 1], *self.on[t]], [*order, *-order]
                model.rows.append(row("", "order", columns, factors, high=0.0))
        for i in range(len(data.line)):
            model.rows.append(row("", "fish", self.fish[:, i], 1.0, data.fish[i], data.fish[i]))
        for k, kind in enumerate(kinds):
            for d in range(len(data.crews)):
                model.high[int(self.days[k, d])] = float(len(kind.trucks))
            mine = self.on[:, [j for j, (_, kk) in enumerate(self.pairs) if kk == k]].ravel()
            columns = [*mine, *self.days[k]]
            factors = [*np.ones(len(mine)), *[-float(kind.trips)] * len(data.crews)]
            model.rows.append(row("", "trips", columns, factors, high=0.0))
        for d, crews in enumerate(data.crews):
            model.rows.append(row("", "crews", self.days[:, d], 1.0, high=crews))
        self.loaded = load(model, "each_trip")

    def solve(self, deadline: float, seed: int, cancel: threading.Event | None) -> SolveReport:
        """Minimise the distance."""
        left = max(deadline - time.perf_counter(), LEAST_LEFT_S)
        return Session(self.loaded.problem).solve(
            time_limit=left, relative_gap=1e-7, seed=seed, cancel=cancel
        )

    def read(self, report: SolveReport) -> tuple[_Chosen, BigIntArray]:
        """Return the trips chosen and the fish on each."""
        on = read_values(self.loaded.pick(self.on), report).reshape(self.on.shape)
        picked = [self.pairs[int(j)] for j in on.argmax(axis=1)]
        days = read_counts(self.loaded.pick(self.days), report).reshape(self.days.shape)
        numbers = read_counts(self.loaded.pick(self.fish), report).reshape(self.fish.shape)
        return _Chosen([(self.routes[r], k) for r, k in picked], days), numbers


def _what_is_short(
    data: TransportData, seed: int, deadline: float, cancel: threading.Event | None
) -> tuple[str, ...]:
    """Say what is short: for each resource by itself, how much more of it would do."""
    kinds = _kinds(data)
    most = 0.0
    for crews in data.crews:
        # The trucks that carry most in a day take the crews first.
        by_truck = sorted((k.capacity_kg * k.trips for k in kinds for _ in k.trucks), reverse=True)
        most += sum(by_truck[:crews])
    out = [
        f"room: {data.total_kg:.1f} kg of fish to carry; trucks, trips, days and crews together carry at most "
        f"{most:.1f} kg, less where sites cannot share a trip"
    ]
    if not kinds:
        return (*out, "trucks: none is in service")
    words = {
        "trips": "{n} more trips of the trucks there are, on days they drive anyway",
        "crews": "{n} more crew-days, for trucks that stand still",
        "truck-days": "{n} more truck-days, each with a crew: another truck, or another day",
    }
    for extra, text in words.items():
        found = _Divisible(data, seed, cancel, extra).least_extra(max(deadline, time.perf_counter() + 2.0))
        if found:
            out.append("would do: " + text.format(n=found))
    return tuple(out)


def without_trucks(data: TransportData, names: tuple[str, ...]) -> TransportData:
    """Return the data without trucks that failed.

    Raises
    ------
    ValueError
        If no truck has the name.
    """
    for name in names:
        if name not in data.truck:
            raise ValueError(
                f"truck that failed: found {name!r}. Expected one of {', '.join(data.truck) or 'none'}."
            )
    left = [k for k, name in enumerate(data.truck) if name not in names]
    return replace(
        data,
        truck=tuple(data.truck[k] for k in left),
        volume_l=data.volume_l[left],
        kg_per_l=data.kg_per_l[left],
        trips_per_day=data.trips_per_day[left],
        stops=data.stops[left],
    )
