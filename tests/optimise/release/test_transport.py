"""Loads of trucks: against every possible loading, the recheck against tampered loads, and what is short."""

from __future__ import annotations

import itertools
import threading
from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.transport import plan_loads, without_trucks
from planner.optimise.release.transport_data import Stop, TransportData, recheck_loads
from planner.optimise.status import SolveStatus


def transport(**given: object) -> TransportData:
    """Two sites on a river, two lines, one truck; every part can be replaced."""
    fields: dict[str, object] = {
        "site": ("Near", "Far"),
        "site_risk": np.array([2, 2]),
        "distance_km": np.array([[0.0, 10, 30], [10, 0, 20], [30, 20, 0]]),
        "line": ("a", "b"),
        "line_site": np.array([0, 1]),
        "fish": np.array([4, 4]),
        "kg_each": np.array([1.0, 1.0]),
        "line_risk": np.array([1, 1]),
        "truck": ("T1",),
        "volume_l": np.array([100.0]),
        "kg_per_l": np.array([0.08]),
        "trips_per_day": np.array([2]),
        "stops": np.array([2]),
        "crews": (1,),
    }
    return TransportData(**{**fields, **given})  # type: ignore[arg-type]


def random_transport(rng: np.random.Generator) -> TransportData:
    """A problem small enough to try every loading."""
    sites, lines, trucks = int(rng.integers(1, 4)), int(rng.integers(1, 4)), int(rng.integers(1, 3))
    places = rng.uniform(0, 50, (sites + 1, 2))
    distance = np.sqrt(((places[:, None] - places[None, :]) ** 2).sum(axis=2))
    line_site = rng.integers(0, sites, lines)
    risk = rng.integers(1, 4, sites)
    return transport(
        site=tuple(f"S{i}" for i in range(sites)),
        site_risk=risk,
        distance_km=distance,
        line=tuple(f"L{i}" for i in range(lines)),
        line_site=line_site,
        fish=rng.integers(0, 3, lines),
        kg_each=rng.choice([0.3, 0.5, 0.7, 1.1], lines),
        line_risk=np.minimum(rng.integers(0, 4, lines), risk[line_site]),
        truck=tuple(f"T{i}" for i in range(trucks)),
        volume_l=rng.choice([12.0, 20.0, 28.0], trucks),
        kg_per_l=np.full(trucks, 0.1),
        trips_per_day=rng.integers(1, 3, trucks),
        stops=rng.integers(1, 3, trucks),
        crews=tuple(int(x) for x in rng.integers(0, 3, int(rng.integers(1, 3)))),
    )


def best_of_all(data: TransportData) -> tuple[int, float] | None:
    """Fewest trips and least distance over every way to put every fish on a trip of a truck on a day."""
    slots = [
        (d, k, n)
        for d in range(len(data.crews))
        for k in range(len(data.truck))
        for n in range(int(data.trips_per_day[k]))
    ]
    single = [i for i, number in enumerate(data.fish) for _ in range(number)]
    best: tuple[int, float] | None = None
    for choice in itertools.product(range(len(slots)), repeat=len(single)):
        trips: dict[int, list[int]] = {}
        for fish, slot in zip(single, choice, strict=True):
            trips.setdefault(slot, []).append(fish)
        if not _may(data, slots, trips):
            continue
        km = sum(_shortest(data, {int(data.line_site[i]) for i in fish}) for fish in trips.values())
        best = min(filter(None, (best, (len(trips), km))))
    return best


def _may(data: TransportData, slots: list[tuple[int, int, int]], trips: dict[int, list[int]]) -> bool:
    for slot, fish in trips.items():
        k = slots[slot][1]
        sites = {int(data.line_site[i]) for i in fish}
        if sum(data.kg_each[i] for i in fish) > data.volume_l[k] * data.kg_per_l[k] + 1e-9:
            return False
        if len(sites) > data.stops[k] or max(data.line_risk[i] for i in fish) > min(
            data.site_risk[s] for s in sites
        ):
            return False
    for day, crews in enumerate(data.crews):
        if len({slots[s][1] for s in trips if slots[s][0] == day}) > crews:
            return False
    return True


def _shortest(data: TransportData, sites: set[int]) -> float:
    ways = []
    for order in itertools.permutations(sites):
        ranks = [data.site_risk[s] for s in order]
        if ranks == sorted(ranks):
            stops = [0, *(s + 1 for s in order), 0]
            ways.append(sum(data.distance_km[a, b] for a, b in itertools.pairwise(stops)))
    return float(min(ways))


@pytest.mark.parametrize("seed", range(60))
def test_plan_loads__equals_the_best_of_all_loadings(seed: int) -> None:
    data = random_transport(np.random.default_rng(seed))
    plan = plan_loads(data)
    answer = best_of_all(data) if data.fish.sum() else (0, 0.0)
    if answer is None:
        assert plan.status is SolveStatus.INFEASIBLE
        assert plan.short
        assert plan.trips == ()
        return
    assert plan.status is SolveStatus.PROVEN
    assert plan.breaches == ()
    assert len(plan.trips) == answer[0] == plan.fewest_trips
    assert plan.km == pytest.approx(answer[1], abs=1e-5)


@pytest.mark.slow
def test_plan_loads__equals_the_best_of_all_loadings_more() -> None:
    for seed in range(1000, 1600):
        test_plan_loads__equals_the_best_of_all_loadings(seed)


def test_plan_loads__a_truck_filled_to_the_last_fish() -> None:
    # 3 + 3 fish of 0.7 kg in trucks of 2 kg: divisible fish need 3 trips, whole fish (2 a trip) too; of 1.1 kg: 4, then 6.
    data = transport(
        fish=np.array([3, 3]), kg_each=np.array([1.1, 1.1]), volume_l=np.array([25.0]), crews=(1, 1, 1)
    )
    plan = plan_loads(data)
    assert plan.status is SolveStatus.PROVEN
    assert len(plan.trips) == 6
    short = plan_loads(replace(data, crews=(1, 1)))
    assert short.status is SolveStatus.INFEASIBLE
    assert short.short


def test_plan_loads__water_rank_never_falls_and_dirty_fish_ride_apart() -> None:
    data = transport(site_risk=np.array([4, 1]))
    plan = plan_loads(data)
    assert [t.sites for t in plan.trips] == [(1, 0)]
    apart = plan_loads(transport(site_risk=np.array([4, 1]), line_risk=np.array([3, 1])))
    assert sorted(t.sites for t in apart.trips) == [(0,), (1,)]


def test_recheck_loads__finds_tampered_loads() -> None:
    data = transport(crews=(1, 1))
    plan = plan_loads(data)
    assert recheck_loads(data, plan.trips) == []
    trip = plan.trips[0]
    changes = {
        "density": replace(trip, stops=(*trip.stops, Stop(0, ((0, 3),)))),
        "fish": replace(trip, stops=trip.stops[:1]),
        "site": replace(trip, stops=tuple(replace(s, site=1 - s.site) for s in trip.stops)),
        "days": replace(trip, day=5),
    }
    for word, changed in changes.items():
        assert any(f"[{word}]" in text for text in recheck_loads(data, (changed, *plan.trips[1:]))), word
    assert any("[stops]" in x for x in recheck_loads(replace(data, stops=np.array([1])), plan.trips))
    assert any("[trips]" in x for x in recheck_loads(replace(data, trips_per_day=np.array([0])), plan.trips))
    assert any("[crews]" in x for x in recheck_loads(replace(data, crews=(0, 0)), plan.trips))
    falling = replace(data, site_risk=np.array([3, 2]))
    assert any("[water-order]" in x for x in recheck_loads(falling, plan.trips))


def test_plan_loads__says_what_is_short_and_the_amount_would_do() -> None:
    data = transport(
        fish=np.array([20, 20]),
        truck=("T1", "T2"),
        volume_l=np.array([100.0, 100.0]),
        kg_per_l=np.array([0.08, 0.08]),
        trips_per_day=np.array([2, 2]),
        stops=np.array([2, 2]),
    )
    plan = plan_loads(data)
    assert plan.status is SolveStatus.INFEASIBLE
    assert plan.short[0].startswith(
        "room: 40.0 kg of fish to carry; trucks, trips, days and crews together carry at most 16.0"
    )
    assert "would do: 3 more trips of the trucks there are, on days they drive anyway" in plan.short
    assert "would do: 2 more truck-days, each with a crew: another truck, or another day" in plan.short
    assert not any("crew-days" in words for words in plan.short), (
        "two trucks cannot do it with any number of crews"
    )
    assert plan_loads(replace(data, crews=(1, 2))).status is SolveStatus.PROVEN
    assert plan_loads(replace(data, trips_per_day=np.array([5, 5]))).status is SolveStatus.PROVEN


def test_plan_loads__early_days_first() -> None:
    plan = plan_loads(transport(crews=(1, 1, 1, 1), fish=np.array([16, 8])))
    assert [(t.day, t.number) for t in plan.trips] == [(0, 1), (0, 2), (1, 1)]


def whole_release() -> TransportData:
    rng = np.random.default_rng(5)
    sites, lines = 11, 240
    km = rng.uniform(0, 90, sites + 1)
    risk = rng.integers(1, 5, sites)
    line_site = rng.integers(0, sites, lines)
    return transport(
        site=tuple(f"S{i}" for i in range(sites)),
        site_risk=risk,
        distance_km=np.abs(km[:, None] - km[None, :]),
        line=tuple(f"L{i}" for i in range(lines)),
        line_site=line_site,
        fish=rng.integers(1, 31, lines),
        kg_each=rng.uniform(0.2, 0.8, lines),
        line_risk=np.minimum(rng.integers(0, 3, lines), risk[line_site]),
        truck=("T1", "T2", "T3"),
        volume_l=np.array([1200.0, 1200.0, 2000.0]),
        kg_per_l=np.full(3, 0.08),
        trips_per_day=np.full(3, 2),
        stops=np.full(3, 2),
        crews=(3,) * 5,
    )


@pytest.mark.slow
def test_plan_loads__of_a_whole_release() -> None:
    data = whole_release()
    plan = plan_loads(data, time_limit=10.0)
    assert plan.trips
    assert plan.breaches == ()
    assert plan.fewest_trips is not None
    assert len(plan.trips) <= plan.fewest_trips + 1


def test_plan_loads__stopped_by_hand_loads_the_trips_chosen_by_then() -> None:
    cancel = threading.Event()
    said = []

    def press(words: str) -> None:
        said.append(words)
        if words.startswith("seeking the shortest way"):
            cancel.set()

    data = whole_release()
    plan = plan_loads(data, progress=press, cancel=cancel)
    assert said[0] == "seeking the fewest trips"
    assert plan.status is SolveStatus.STOPPED
    assert plan.breaches == ()
    assert plan.fewest_trips is not None
    assert len(plan.trips) >= plan.fewest_trips >= np.ceil(data.total_kg / data.capacity_kg.max())
    assert plan.shortest_km is None or (plan.km is not None and plan.shortest_km <= plan.km + 1e-6)


def test_plan_loads__stopped_before_any_loads_gives_none() -> None:
    cancel = threading.Event()
    cancel.set()
    plan = plan_loads(whole_release(), cancel=cancel)
    assert plan.status is SolveStatus.STOPPED
    assert plan.trips == ()
    assert plan.km is None
    assert plan.short == ()


def test_transport_data__refuses_the_impossible() -> None:
    with pytest.raises(ShapeError, match=r"transport, fish: found shape \(3,\)"):
        transport(fish=np.array([1, 2, 3]))
    with pytest.raises(ValueRangeError, match="found fish of 9 kg"):
        transport(kg_each=np.array([9.0, 1.0]))
    with pytest.raises(ValueRangeError, match="found water of rank 3 for 'Near' of rank 2"):
        transport(line_risk=np.array([3, 1]))
    with pytest.raises(ValueRangeError, match=r"stops: found 9"):
        transport(stops=np.array([9]))


def test_without_trucks__and_nothing_to_carry() -> None:
    data = transport()
    none = plan_loads(without_trucks(data, ("T1",)))
    assert none.status is SolveStatus.INFEASIBLE
    assert "trucks: none is in service" in none.short
    with pytest.raises(ValueError, match="found 'T9'"):
        without_trucks(data, ("T9",))
    assert plan_loads(transport(fish=np.array([0, 0]))).status is SolveStatus.PROVEN
