"""Expected kinship by recursion over groups of one place, sex and age: the check on the simulation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ValueRangeError
from planner.project.breeding import expected_recruits, level
from planner.project.groups import Groups, Parents, same_by_skew, same_in_turn
from planner.project.model import FEMALE, MALE, Model, Strategy, stable_adult_ages
from planner.project.population import Prepared

NO_CLOSED_FORM = "least"


@dataclass(frozen=True)
class ExpectedPath:
    """Expected course.

    Parameters
    ----------
    gene_diversity, gene_diversity_waters, inbreeding, fish : ndarray, float64, shape (years + 1,)
        Of all living fish, of those in the waters, and numbers, as in the simulation.
    adults : ndarray, float64, shape (years + 1, n_waters)
        Mature fish by water.
    """

    gene_diversity: FloatArray
    gene_diversity_waters: FloatArray
    inbreeding: FloatArray
    fish: FloatArray
    adults: FloatArray


@dataclass(frozen=True)
class _Batch:
    """Young of one origin for one place: parents, chances to share them within, and the pool they come from."""

    n: float
    place: int
    dams: Parents
    sires: Parents
    same: tuple[float, float]
    pool: str
    across: tuple[float, float]


class _Recursion:
    def __init__(self, prepared: Prepared, strategy: Strategy) -> None:
        self.prepared, self.model, self.strategy = prepared, prepared.model, strategy
        life = self.model.life
        self.ages = life.longevity + 1
        self.shape = (self.model.n_places, 2, self.ages)
        self.place, self.sex, self.age = (x.ravel() for x in np.indices(self.shape))
        mature = np.where(self.sex == MALE, life.mature_male, life.mature_female)
        self.adult = (self.age >= mature).astype(np.float64)
        self.open = [strategy.more_sites or not w.extra for w in self.model.waters]
        self.active = strategy.crossing != "none"
        base = self.model.survival()
        self.first = np.array([w.first_year for w in self.model.waters])
        for k, w in enumerate(self.model.waters):
            left = 1 - w.die_off_chance * w.die_off_share
            base[k + 1] *= left
            self.first[k] *= left
        self.survival = base[self.place, self.age]
        self.member = self._members()
        n_fish = self.member.shape[0]
        K = prepared.kinship[:n_fish, :n_fish]
        self.groups = self._start(K)

    def _members(self) -> FloatArray:
        """Return the chance of each fish at the start to be in each group."""
        start, life, model = self.model.start, self.model.life, self.model
        survival = model.survival()
        out = np.zeros((len(start.rows), *self.shape))
        for i, (place, sex, age) in enumerate(zip(start.place, start.sex, start.age, strict=True)):
            for code in (FEMALE, MALE) if sex < 0 else (int(sex),):
                chance = 0.5 if sex < 0 else 1.0
                if age >= 0:
                    out[i, place, code, age] += chance
                else:
                    mature = life.mature_male if code == MALE else life.mature_female
                    out[i, place, code] += chance * stable_adult_ages(survival[place], mature)
        return out.reshape(len(start.rows), -1)

    def _start(self, K: FloatArray) -> Groups:
        P = self.member
        off = K.copy()
        own = np.diag(K).copy()
        np.fill_diagonal(off, 0.0)
        sums = P.T @ off @ P
        n = P.sum(axis=0)
        counts = np.outer(n, n) - P.T @ P
        between = np.divide(sums, counts, out=np.zeros_like(sums), where=counts > 1e-12)
        return Groups(n, between, np.divide(own @ P, n, out=np.zeros_like(n), where=n > 0))

    def parents(self, place: int, sex: int, ripe: float = 1.0) -> Parents | None:
        """Return the adults of a sex at a place, None where there are none."""
        n = self.groups.n * self.adult * (self.place == place) * (self.sex == sex)
        total = float(n.sum())
        return Parents(n / total, total * ripe) if total > 1e-9 else None

    def step(self, year: int) -> None:
        """Go on by one year."""
        stay = self.groups.n * self.survival
        room = {}
        for k, w in enumerate(self.model.waters):
            held = float(stay[self.place == k + 1].sum())
            room[k + 1] = max((w.capacity if self.open[k] else 0.0) - held, 0.0)
        batches, stock = self._batches(year, room, float(stay[self.place == 0].sum()))
        self.groups = self._joined(batches, stock, stay)
        if self.active:
            self._moves()

    def _batches(
        self, year: int, room: dict[int, float], brood: float
    ) -> tuple[list[_Batch], dict[int, float]]:
        """Return the young by origin and place, and fish of the stock in hand that live, by place."""
        model, station = self.model, self.model.station
        out: list[_Batch] = []
        from_stock: dict[int, float] = {}
        stock = int(model.start.stock_number.sum()) if year == 0 and self.active else 0
        cross = self._cross() if self.active and not stock else None
        released = model.releases(self.strategy)
        source = None
        if self.active and station.larvae_from > 0:
            pair = self.parents(station.larvae_from, FEMALE), self.parents(station.larvae_from, MALE)
            source = pair if None not in pair else None
        for k, water in enumerate(model.waters):
            place = k + 1
            larvae = round(released[k] * station.larvae_share) if source and not stock else 0
            reared = released[k] - larvae
            if stock:
                reared = min(reared, stock * released[k] / max(released.sum(), 1.0))
                from_stock[place] = min(reared * self.first[k], room[place])
                room[place] -= from_stock[place]
            elif cross is not None and reared > 0:
                n = min(reared * self.first[k], room[place])
                room[place] -= n
                out.append(self._crossed(cross, n, place, reared))
            if source and larvae:
                n = min(larvae * self.first[k], room[place])
                room[place] -= n
                out.append(self._natural(source, n, place, f"larvae {place}"))
            pair = self.parents(place, FEMALE), self.parents(place, MALE)
            if None not in pair and self.open[k]:
                assert pair[0] is not None
                n = expected_recruits(pair[0].number, water.recruits_per_female, room[place])
                out.append(self._natural(pair, n, place, f"natural {place}"))
        if self.active:
            missing = max(station.brood - brood - station.adults_to_brood - station.founders_added, 0.0)
            wild = min(station.larvae_to_brood, missing) if source else 0.0
            if source and wild:
                out.append(self._natural(source, wild, 0, "larvae brood"))
            if stock:
                from_stock[0] = missing - wild
            elif cross is not None:
                out.append(self._crossed(cross, missing - wild, 0, None))
        return [b for b in out if b.n > 1e-9], {p: n for p, n in from_stock.items() if n > 1e-9}

    def _natural(
        self, pair: tuple[Parents | None, Parents | None], n: float, place: int, pool: str
    ) -> _Batch:
        dams, sires = pair
        assert dams is not None
        assert sires is not None
        life = self.model.life
        q_f = same_by_skew(dams.number, life.skew_female)
        q_m = same_by_skew(sires.number, life.skew_male)
        if life.mates_per_female:
            own = 1 / life.mates_per_female
            q_m = q_f * (own + (1 - own) * q_m) + (1 - q_f) * q_m
        return _Batch(n, place, dams, sires, (q_f, q_m), pool, (1 / dams.number, 1 / sires.number))

    def _cross(self) -> tuple[Parents, Parents, int] | None:
        """Return dams, sires and number of dishes; None where a sex is missing."""
        station = self.model.station
        dams, sires = (self.parents(0, sex, station.ripe) for sex in (FEMALE, MALE))
        if dams is None or sires is None:
            return None
        dishes = min(station.crosses, station.uses_female * dams.number, station.uses_male * sires.number)
        return (dams, sires, int(dishes)) if dishes >= 1 else None

    def _crossed(
        self, cross: tuple[Parents, Parents, int], n: float, place: int, released: float | None
    ) -> _Batch:
        """Return young of the station's dishes."""
        dams, sires, dishes = cross
        station = self.model.station
        if self.strategy.crossing == "random":
            dish = across = same_by_skew(dishes, station.dish_skew)
            other = []
            for parents, most in ((dams, station.uses_female), (sires, station.uses_male)):
                again = 1 / parents.number if most >= dishes else (most - 1) / (parents.number * most - 1)
                other.append(max(again, 0.0))
        else:
            dish = same_in_turn(round(n if released is None else released), dishes)
            across = 1 / dishes
            other = [same_in_turn(dishes, max(1, round(p.number))) for p in (dams, sires)]
        within = tuple(dish + (1 - dish) * q for q in other)
        between = tuple(across + (1 - across) * q for q in other)
        return _Batch(n, place, dams, sires, (within[0], within[1]), "station", (between[0], between[1]))

    def _joined(self, batches: list[_Batch], stock: dict[int, float], stay: FloatArray) -> Groups:
        """Return the groups a year on: survivors a year older, and the young."""
        g = self.groups
        n_old, new = len(g.n), len(batches)
        with_old = np.array(
            [0.5 * (b.dams.with_groups(g) + b.sires.with_groups(g)) for b in batches]
        ).reshape(new, n_old)
        among = np.array([[self._young_pair(b, c, b is c) for c in batches] for b in batches]).reshape(
            new, new
        )
        own = np.array([0.5 * (1 + b.dams.with_other(g, b.sires, 0.0)) for b in batches])
        places = [b.place for b in batches]
        numbers = [b.n for b in batches]
        if stock:
            with_old, among, own = self._stock(stock, with_old, among, own, batches)
            places += list(stock)
            numbers += list(stock.values())
        m = len(places)
        # Each kind of young stands twice, as females and as males.
        which = np.concatenate([np.arange(n_old), n_old + np.arange(m), n_old + np.arange(m)]).astype(
            np.int64
        )
        between = np.block([[g.between, with_old.T], [with_old, among]]) if m else g.between
        half = np.array(numbers) / 2
        n = np.concatenate([stay, half, half])
        both = Groups(n, between[np.ix_(which, which)], np.concatenate([g.own, own, own]))
        older = np.minimum(self.age + 1, self.ages - 1)
        target = [np.ravel_multi_index((self.place, self.sex, older), self.shape)]
        young = [(p, sex, 1) for sex in (FEMALE, MALE) for p in places]
        if young:
            target.append(np.ravel_multi_index(tuple(np.array(young).T), self.shape))
        return both.merged(np.concatenate(target).astype(np.int64), n_old)

    def _young_pair(self, a: _Batch, b: _Batch, same_batch: bool) -> float:
        """Return the mean kinship of two distinct young of two batches."""
        g = self.groups
        if same_batch:
            q = a.same
        elif a.pool == b.pool:
            q = a.across
        else:
            shared = np.array_equal(a.dams.share, b.dams.share)
            q = (1 / a.dams.number, 1 / a.sires.number) if shared else (0.0, 0.0)
        return 0.25 * (
            a.dams.with_other(g, b.dams, q[0])
            + a.sires.with_other(g, b.sires, q[1])
            + a.dams.with_other(g, b.sires, 0.0)
            + a.sires.with_other(g, b.dams, 0.0)
        )

    def _stock(
        self,
        stock: dict[int, float],
        with_old: FloatArray,
        among: FloatArray,
        own: FloatArray,
        batches: list[_Batch],
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Add the young of the stock in hand, whose parents are known one by one."""
        p, start = self.prepared, self.model.start
        numbers = start.stock_number.astype(np.int64)
        if self.strategy.crossing != "random":
            numbers = level(numbers, round(self.model.releases(self.strategy).sum()))
        total = float(numbers.sum())
        K, d, s = p.kinship, p.stock_dam, p.stock_sire
        between = 0.25 * (K[np.ix_(d, d)] + K[np.ix_(d, s)] + K[np.ix_(s, d)] + K[np.ix_(s, s)])
        pairs = np.outer(numbers, numbers).astype(np.float64)
        np.fill_diagonal(pairs, numbers * np.maximum(numbers - 1.0, 0.0))
        mean = float((pairs * between).sum() / pairs.sum())
        fish = self.member.shape[0]
        to_fish = numbers @ (0.5 * (K[d] + K[s]))[:, :fish] / total
        n = self.member.sum(axis=0)
        to_old = np.divide(to_fish @ self.member, n, out=np.zeros_like(n), where=n > 0)
        self_kinship = float(numbers @ (0.5 * (1 + K[d, s])) / total)
        k = len(stock)
        to_batches = np.array([0.5 * (b.dams.share + b.sires.share) @ to_old for b in batches]).reshape(-1, 1)
        cross = np.repeat(to_batches, k, axis=1)
        among = (
            np.block([[among, cross], [cross.T, np.full((k, k), mean)]])
            if len(batches)
            else np.full((k, k), mean)
        )
        return (
            np.vstack([with_old, np.repeat(to_old[None], k, axis=0)]),
            among,
            np.concatenate([own, np.full(k, self_kinship)]),
        )

    def _moves(self) -> None:
        """Move adults between waters and to the station, and add outsiders."""
        model, station = self.model, self.model.station
        source: list[BigIntArray] = []
        numbers: list[FloatArray] = []
        target: list[BigIntArray] = []
        n_left = self.groups.n.copy()
        by_place = np.array([float((self.groups.n * (self.place == p)).sum()) for p in range(model.n_places)])
        if self.strategy.exchange:
            wanted = model.moves * np.outer(self.open, self.open)
            adults = [
                float((self.groups.n * self.adult * (self.place == k + 1)).sum()) for k in range(len(wanted))
            ]
            going = np.array(
                [
                    w * min(1.0, 0.5 * a / w.sum()) if w.sum() else w
                    for w, a in zip(wanted, adults, strict=True)
                ]
            )
            capacity = np.array(
                [w.capacity if o else 0.0 for w, o in zip(model.waters, self.open, strict=True)]
            )
            free = np.maximum(capacity - by_place[1:] + going.sum(axis=1), 0.0)
            come = going.sum(axis=0)
            going = going * np.minimum(1.0, np.divide(free, come, out=np.ones_like(free), where=come > free))
            for i, j in np.argwhere(going > 0):
                taken = self._taken(int(i) + 1, going[i, j], adults[i])
                self._send(taken, int(j) + 1, source, numbers, target, n_left)
        if station.adults_to_brood and station.larvae_from > 0:
            here = float((n_left * self.adult * (self.place == station.larvae_from)).sum())
            taken = self._taken(station.larvae_from, min(station.adults_to_brood, here), here)
            self._send(taken, 0, source, numbers, target, n_left)
        if source:
            groups = len(self.groups.n)
            parts = self.groups.split(
                np.concatenate([np.arange(groups), *source]).astype(np.int64),
                np.concatenate([n_left, *numbers]),
            )
            self.groups = parts.merged(np.concatenate([np.arange(groups), *target]).astype(np.int64), groups)
        if station.founders_added:
            self._outsiders(float(station.founders_added))

    def _taken(self, place: int, number: float, adults: float) -> FloatArray:
        here = self.groups.n * self.adult * (self.place == place)
        return here * (number / adults) if adults > 0 else here * 0.0

    def _send(
        self,
        taken: FloatArray,
        place: int,
        source: list[BigIntArray],
        numbers: list[FloatArray],
        target: list[BigIntArray],
        n_left: FloatArray,
    ) -> None:
        rows = np.flatnonzero(taken > 0)
        source.append(rows)
        numbers.append(taken[rows])
        to = np.ravel_multi_index((np.full(len(rows), place), self.sex[rows], self.age[rows]), self.shape)
        target.append(to.astype(np.int64))
        n_left -= taken

    def _outsiders(self, number: float) -> None:
        g, life = self.groups, self.model.life
        age = max(life.mature_female, life.mature_male)
        groups = len(g.n)
        between = np.zeros((groups + 2, groups + 2))
        between[:groups, :groups] = g.between
        wider = Groups(np.append(g.n, [number / 2] * 2), between, np.append(g.own, [0.5, 0.5]))
        to = [int(np.ravel_multi_index((0, sex, age), self.shape)) for sex in (FEMALE, MALE)]
        self.groups = wider.merged(np.concatenate([np.arange(groups), to]).astype(np.int64), groups)


def has_closed_form(strategy: Strategy) -> bool:
    """Whether the recursion can follow a strategy: chosen crosses of least kinship have no closed form."""
    return strategy.crossing != NO_CLOSED_FORM


def expected_path(prepared: Prepared, strategy: Strategy, years: int) -> ExpectedPath:
    """Follow expected numbers and mean kinship of groups of one place, sex and age.

    Parameters
    ----------
    prepared : Prepared
        From `planner.project.population.prepare`.
    strategy : Strategy
        With crossing 'none', 'random' or 'equal'.
    years : int
        At least 1.

    Returns
    -------
    ExpectedPath
        Numbers follow their expectation, years are all alike (die-offs at their mean), so it differs from the
        simulation's mean by the effect of chance on numbers, which is small while numbers are not.

    Raises
    ------
    ValueRangeError
        If the strategy chooses crosses by kinship.

    Notes
    -----
    Two young share a dam with chance q; their kinship is a quarter of the kinship of dam and dam (themselves with
    chance q), sire and sire, and twice dam and sire; a young one and an older fish have the mean of its parents'
    kinship with that fish, the fish itself being a parent with chance 1 / N in its group. Malecot (1948); mean
    kinship between classes of age as in Hill (1979), Genetics 92:317-322 (both from memory).
    """
    if not has_closed_form(strategy):
        raise ValueRangeError(
            f"expected kinship: found the strategy {strategy.name!r}, which chooses crosses by kinship. Expected one "
            "without choice by kinship. Use the simulation."
        )
    run = _Recursion(prepared, strategy)
    path: dict[str, list[object]] = {k: [] for k in ("all", "waters", "inbreeding", "fish", "adults")}
    wild = (run.place > 0).astype(np.float64)
    for year in range(years + 1):
        if year:
            run.step(year - 1)
        g = run.groups
        total = float(g.n.sum())
        path["fish"].append(total)
        path["all"].append(1 - g.mean_kinship() if total > 1e-9 else 0.0)
        path["waters"].append(1 - g.mean_kinship(wild) if float(g.n @ wild) > 1e-9 else 0.0)
        path["inbreeding"].append(2 * float(g.n @ g.own) / total - 1 if total > 1e-9 else 0.0)
        adults = g.n * run.adult
        path["adults"].append([float(adults[run.place == k].sum()) for k in range(1, run.model.n_places)])
    return ExpectedPath(*(np.array(path[k], dtype=np.float64) for k in path))


def expected_by_model(model: Model, strategy: Strategy, years: int) -> ExpectedPath:
    """Return `expected_path` of a model that is not prepared yet."""
    from planner.project.population import prepare

    return expected_path(prepare(model), strategy, years)
