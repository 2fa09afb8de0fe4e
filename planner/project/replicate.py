"""One replicate: year by year deaths, crosses, releases, births, moves; then what is measured at the year's end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from planner.project.breeding import (
    NO_YEAR_CLASS,
    YearClass,
    expected_recruits,
    kept_families,
    natural_parents,
    released_families,
    station_crosses,
    stock_in_order,
)
from planner.project.measures import Born, Measures, YearCounts
from planner.project.model import STATION, Strategy, whole_numbers
from planner.project.population import Population, Prepared

STREAMS = {
    "start": 0,
    "weather": 1,
    "deaths": 2,
    "waters": 3,
    "station": 4,
    "genes": 5,
    "moves": 6,
    "brood": 7,
    "outside": 8,
}
FROM_STATION, FROM_LARVAE, NATURAL = 0, 1, 2


class _Year:
    """One replicate under way."""

    def __init__(
        self, prepared: Prepared, strategy: Strategy, years: int, seed: np.random.SeedSequence
    ) -> None:
        self.prepared, self.model, self.strategy = prepared, prepared.model, strategy
        self.seed = seed
        self.year = 0
        self.active = strategy.crossing != "none"
        m = self.model
        self.life_mature = (m.life.mature_female, m.life.mature_male)
        self.open = np.array([strategy.more_sites or not w.extra for w in m.waters])
        self.capacity = np.array([w.capacity if o else 0.0 for w, o in zip(m.waters, self.open, strict=True)])
        self.base_survival = m.survival()
        self.released = m.releases(strategy)
        to_come = m.station.founders_added * years if self.active else 0
        room = int(len(m.start.rows) * 0.5) + m.station.brood
        self.herd = Population(prepared, self.stream("start"), room, to_come)

    def stream(self, purpose: str) -> np.random.Generator:
        """Return the stream of this replicate, purpose and year: the same for every strategy."""
        key = (*self.seed.spawn_key, STREAMS[purpose], self.year)
        return np.random.default_rng(np.random.SeedSequence(self.seed.entropy, spawn_key=key))

    def weather(self) -> tuple[FloatArray, FloatArray]:
        """Return this year's survival by place and age, and of released fish by water."""
        rng = self.stream("weather")
        n = len(self.model.waters)
        z, u = rng.standard_normal(n), rng.random(n)
        survival = self.base_survival.copy()
        first = np.array([w.first_year for w in self.model.waters])
        for k, w in enumerate(self.model.waters):
            left = 1 - w.die_off_share if u[k] < w.die_off_chance else 1.0
            survival[k + 1] = left * _shifted(survival[k + 1], w.spread * z[k])
            first[k] = left * _shifted(first[k : k + 1], w.spread * z[k])[0]
        return survival, first

    def step(self) -> YearCounts:
        """Live through one year."""
        herd, model = self.herd, self.model
        survival, first = self.weather()
        slots = herd.slots
        lives = self.stream("deaths").random(len(slots)) < survival[herd.place[slots], herd.age[slots]]
        dead = slots[~lives]
        stay = np.bincount(herd.place[slots[lives]], minlength=model.n_places)
        room = np.maximum(self.capacity - stay[1:], 0.0)
        year_class = self._year_class()
        dam, sire, place, origin, counts = self._young(year_class, first, room, int(stay[0]))
        born = Born(dam, sire, place, origin, herd.age[dam], herd.age[sire])
        genes = self.stream("genes")
        sex = self._sexes(place, genes)
        herd.add_young(dam, sire, place, sex, int(genes.integers(2**63)))
        herd.alive[dead] = False
        herd.held[:] = False
        herd.age[herd.slots] += 1
        counts["moved"] = self._moves()
        self._outsiders()
        self.year += 1
        return YearCounts(born, **counts)

    def _sexes(self, place: npt.NDArray[np.int32], rng: np.random.Generator) -> npt.NDArray[np.int8]:
        if self.model.life.fixed_sexes:
            return (np.arange(len(place)) % 2).astype(np.int8)
        return rng.integers(0, 2, len(place)).astype(np.int8)

    def _year_class(self) -> YearClass:
        if not self.active:
            return NO_YEAR_CLASS
        p = self.prepared
        stock = p.model.start.stock_number.astype(np.int64)
        if self.year == 0 and stock.sum() > 0:
            return YearClass(p.stock_dam, p.stock_sire, stock.astype(np.float64), stock)
        m = self.model
        return station_crosses(self.herd, m.life, m.station, self.strategy.crossing, self.stream("station"))

    def _young(
        self, year_class: YearClass, first: FloatArray, room: FloatArray, brood: int
    ) -> tuple[BigIntArray, BigIntArray, npt.NDArray[np.int32], npt.NDArray[np.int32], dict[str, float]]:
        """Return dam, sire, place and origin of every fish that reaches age 1, and counts."""
        herd, model, station = self.herd, self.model, self.model.station
        rng, hatch = self.stream("waters"), self.stream("brood")
        even = self.strategy.crossing in ("equal", "least")
        parts: list[tuple[BigIntArray, BigIntArray, int, int]] = []
        released = natural = 0.0
        stock = self._stock(year_class, even)
        source = herd.adults(self.life_mature, station.larvae_from) if station.larvae_from > 0 else None
        larvae = self.active and source is not None and all(len(x) for x in source)
        for k, water in enumerate(model.waters):
            wanted = int(whole_numbers(self.released[k : k + 1], rng)[0])
            # Wild larvae are already among a stock in hand.
            grown = larvae and year_class.numbers is None
            from_larvae = round(wanted * station.larvae_share) if grown else 0
            reared = wanted - from_larvae if len(year_class.dams) else 0
            mine = stock[:wanted]
            if year_class.numbers is not None:
                stock, reared = stock[wanted:], len(mine)
            released += reared + from_larvae
            for number, origin in ((reared, FROM_STATION), (from_larvae, FROM_LARVAE)):
                living = int(min(rng.binomial(number, first[k]), room[k]))
                room[k] -= living
                if living == 0:
                    continue
                if origin == FROM_LARVAE:
                    assert source is not None
                    parts.append((*natural_parents(*source, living, model.life, rng), k + 1, origin))
                elif year_class.numbers is not None:
                    family = mine[:living]
                    parts.append((year_class.dams[family], year_class.sires[family], k + 1, origin))
                else:
                    family = released_families(
                        len(year_class.dams), year_class.weights, number, living, even, rng
                    )
                    parts.append((year_class.dams[family], year_class.sires[family], k + 1, origin))
            females, males = herd.adults(self.life_mature, k + 1)
            if len(females) and len(males):
                young = _recruits(len(females), water.recruits_per_female, room[k], rng)
                natural += young
                if young:
                    parts.append((*natural_parents(females, males, young, model.life, rng), k + 1, NATURAL))
        if self.active:
            coming = station.adults_to_brood + station.founders_added
            missing = max(station.brood - brood - coming, 0)
            from_wild = min(station.larvae_to_brood, missing) if larvae else 0
            if from_wild:
                assert source is not None
                parts.append((*natural_parents(*source, from_wild, model.life, hatch), STATION, FROM_LARVAE))
            family = kept_families(herd, year_class, self.strategy.crossing, missing - from_wild, hatch)
            parts.append((year_class.dams[family], year_class.sires[family], STATION, FROM_STATION))
        counts = {"released": released, "natural": natural, "crosses": float(len(year_class.dams))}
        if year_class.numbers is not None:
            counts["crosses"] = 0.0
        if not parts:
            nothing = np.zeros(0, np.int64)
            return nothing, nothing, nothing.astype(np.int32), nothing.astype(np.int32), counts
        lengths = [len(p[0]) for p in parts]
        return (
            np.concatenate([p[0] for p in parts]),
            np.concatenate([p[1] for p in parts]),
            np.repeat([p[2] for p in parts], lengths).astype(np.int32),
            np.repeat([p[3] for p in parts], lengths).astype(np.int32),
            counts,
        )

    def _stock(self, year_class: YearClass, even: bool) -> BigIntArray:
        """Return the families of the stock in hand in the order of release; empty in later years."""
        if year_class.numbers is None:
            return np.zeros(0, np.int64)
        total = round(float(self.released.sum()))
        return stock_in_order(year_class.numbers, total, even, self.stream("station"))

    def _moves(self) -> float:
        """Exchange adults between waters, and take adults to the station; return how many moved between waters."""
        herd, rng = self.herd, self.stream("moves")
        station = self.model.station
        moved = 0
        if self.strategy.exchange and self.active:
            wanted = whole_numbers(self.model.moves, rng)
            wanted[~self.open, :] = 0
            wanted[:, ~self.open] = 0
            going: list[tuple[BigIntArray, int]] = []
            free = self.capacity - np.bincount(herd.place[herd.slots], minlength=self.model.n_places)[1:]
            for i in range(len(wanted)):
                adults = rng.permutation(np.concatenate(herd.adults(self.life_mature, i + 1)))
                share = wanted[i].sum()
                at_most = min(share, len(adults) // 2)
                numbers = wanted[i] * at_most // max(share, 1)
                cuts = np.split(adults[: numbers.sum()], np.cumsum(numbers)[:-1])
                going += [(cut, j) for j, cut in enumerate(cuts) if len(cut)]
                free[i] += numbers.sum()
            for fish, j in going:
                come = fish[: int(max(min(free[j], len(fish)), 0))]
                free[j] -= len(come)
                herd.place[come] = j + 1
                moved += len(come)
        if self.active and station.adults_to_brood and station.larvae_from > 0:
            adults = rng.permutation(np.concatenate(herd.adults(self.life_mature, station.larvae_from)))
            herd.place[adults[: station.adults_to_brood]] = STATION
        return float(moved)

    def _outsiders(self) -> None:
        station, life = self.model.station, self.model.life
        if not (self.active and station.founders_added):
            return
        sex = self.stream("outside").permutation(np.arange(station.founders_added) % 2).astype(np.int8)
        self.herd.add_outsiders(
            station.founders_added, STATION, sex, max(life.mature_female, life.mature_male)
        )


def _shifted(chance: FloatArray, logit_shift: float) -> FloatArray:
    """Return chances with their logit moved; 0 and 1 stay."""
    if logit_shift == 0:
        return chance
    odds = np.exp(logit_shift)
    return chance * odds / (1 - chance + chance * odds)


def _recruits(females: int, per_female: float, room: float, rng: np.random.Generator) -> int:
    expected = expected_recruits(females, per_female, room)
    if expected <= 0:
        return 0
    if np.isinf(room):
        return int(rng.poisson(expected))
    places = int(np.floor(room))
    return int(rng.binomial(places, min(expected / room, 1.0)))


@dataclass(frozen=True)
class Replicate:
    """Measures of one replicate.

    Parameters
    ----------
    values : ndarray, float64, shape (years + 1, n_measures)
        By year and measure (see `measure_names`); NaN where a measure is not defined, such as inbreeding without
        fish.
    """

    values: FloatArray


def run_replicate(
    prepared: Prepared, strategy: Strategy, years: int, seed: np.random.SeedSequence
) -> Replicate:
    """Run one replicate.

    Parameters
    ----------
    prepared : Prepared
        From `planner.project.population.prepare`.
    strategy : Strategy
    years : int
        Years to run, at least 1.
    seed : SeedSequence
        One child per replicate. Streams are by purpose and year, so all strategies meet the same founder genes and
        the same good and bad years.

    Returns
    -------
    Replicate
    """
    run = _Year(prepared, strategy, years, seed)
    measures = Measures(prepared.model, run.herd, years, run.open)
    measures.record(0, run.herd, None)
    for year in range(1, years + 1):
        counts = run.step()
        measures.record(year, run.herd, counts)
    return Replicate(measures.values)


def seed_of(seed: int, replicate: int) -> np.random.SeedSequence:
    """Return the child of the seed that belongs to one replicate, the same wherever it runs."""
    return np.random.SeedSequence(seed, spawn_key=(replicate,))
