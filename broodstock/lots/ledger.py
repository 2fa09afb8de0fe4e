"""How many fish are in every pool: the totals, their errors, and what does not balance.

Totals are a linear Gaussian system: a number that is moved is taken from one pool and added to another with the
same error, and a count looks at the sum of pools. So the filter of Kalman [1]_ is exact, and the difference between
count and expectation, divided by its standard error, is the test of the mass balance.

References
----------
.. [1] Kalman RE (1960) A new approach to linear filtering and prediction problems. Journal of Basic Engineering
   82:35-45.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.lots.moves import Move, Pool

UNEXPLAINED = 3.0
"""Standard errors from which a difference is not put down to counting: 1 in 370 by chance."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A difference between what the records let expect and what was found.

    Parameters
    ----------
    kind : {'loss', 'surplus', 'more-out', 'empty', 'closed'}
        Fewer or more counted than expected; more taken out than there were; taken from a lot that holds none;
        fish left in a lot that is closed.
    lot : str
        Lot; empty when a place with several lots was counted.
    on : datetime.date
        Day.
    expected, found : float
        Fish.
    standard_error : float
        Of the difference, fish.
    row : int
        Row in the file.
    move_id : str
        Event.
    """

    kind: Literal["loss", "surplus", "more-out", "empty", "closed"]
    lot: str
    on: dt.date
    expected: float
    found: float
    standard_error: float
    row: int
    move_id: str

    @property
    def z(self) -> float:
        """Difference in standard errors; endless when a number without error does not fit."""
        gap = self.found - self.expected
        return gap / self.standard_error if self.standard_error > 0 else math.copysign(math.inf, gap)

    @property
    def chance(self) -> float:
        """Chance of a difference as large by errors of counting alone (two-sided normal)."""
        return math.erfc(abs(self.z) / math.sqrt(2.0))


@dataclass(slots=True)
class Flow:
    """Fish that came to and left one lot, by kind of event.

    ``by_counts`` is what counts added within their errors, ``unexplained`` what they added or took beyond them.
    """

    came_in: float = 0.0
    from_lots: float = 0.0
    to_lots: float = 0.0
    died: float = 0.0
    culled: float = 0.0
    released: float = 0.0
    out: float = 0.0
    by_counts: float = 0.0
    unexplained: float = 0.0

    @property
    def balance(self) -> float:
        """Fish that should be there: all that came less all that left, unexplained differences included."""
        return (
            self.came_in + self.from_lots + self.by_counts + self.unexplained
            - self.to_lots - self.died - self.culled - self.released - self.out
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """What one event did to the totals, for the mixture that follows them.

    Parameters
    ----------
    sources : tuple of int
        Pools the event concerns.
    before : ndarray, float64, shape (n_sources,)
        Fish expected in each before.
    taken : ndarray, float64, shape (n_sources,)
        Fish taken of each.
    all_of_them : bool
        Every fish of the sources goes.
    target : int
        Pool the fish go to; -1 for none.
    lost : float
        Share of the fish of the sources found missing by a count beyond its error; 0 for none.
    left, error : ndarray, float64, shape (n_sources,)
        Fish expected in each afterwards, and the standard error; empty when nothing was taken or counted.
    """

    sources: tuple[int, ...]
    before: FloatArray
    taken: FloatArray
    all_of_them: bool
    target: int
    lost: float = 0.0
    left: FloatArray = field(default_factory=lambda: np.zeros(0))
    error: FloatArray = field(default_factory=lambda: np.zeros(0))


class Ledger:
    """Expected numbers of all pools with their covariance; events are applied in order of time.

    Attributes
    ----------
    pools : list of Pool
        In order of first use.
    mean : ndarray, float64, shape (n_pools,)
        Fish expected.
    covariance : ndarray, float64, shape (n_pools, n_pools)
        Of the numbers.
    flows : dict of str to Flow
        By lot.
    differences : list of Difference
        What does not balance.
    checked : list of Difference
        Every count against its expectation, unexplained or not.
    """

    def __init__(self, unexplained: float = UNEXPLAINED) -> None:
        self.unexplained = unexplained
        self.pools: list[Pool] = []
        self.mean: FloatArray = np.zeros(0)
        self.covariance: FloatArray = np.zeros((0, 0))
        self.flows: dict[str, Flow] = {}
        self.differences: list[Difference] = []
        self.checked: list[Difference] = []
        self._place: dict[Pool, int] = {}
        self._by_lot: dict[str, list[int]] = {}
        self._by_place: dict[str, list[int]] = {}

    def flow(self, lot: str) -> Flow:
        """Return the flow of a lot, an empty one at first."""
        return self.flows.setdefault(lot, Flow())

    def index(self, pool: Pool) -> int:
        """Return the position of a pool, made when it is new."""
        if pool not in self._place:
            k = len(self.pools)
            self._place[pool] = k
            self.pools.append(pool)
            self._by_lot.setdefault(pool.lot, []).append(k)
            self._by_place.setdefault(pool.place, []).append(k)
            if k >= len(self.mean):
                room = max(16, 2 * k)
                mean, covariance = np.zeros(room), np.zeros((room, room))
                mean[:k], covariance[:k, :k] = self.mean[:k], self.covariance[:k, :k]
                self.mean, self.covariance = mean, covariance
        return self._place[pool]

    def total(self, chosen: Iterable[int]) -> tuple[float, float]:
        """Return the expected number of fish in pools together, and its standard error."""
        at = np.array(list(chosen), dtype=np.int64)
        variance = float(self.covariance[np.ix_(at, at)].sum())
        return float(self.mean[at].sum()), math.sqrt(max(variance, 0.0))

    def of_lot(self, lot: str) -> list[int]:
        """Return the pools of a lot that are in care: not those released."""
        return [k for k in self._by_lot.get(lot, []) if self.pools[k].kind != "released"]

    def apply(self, move: Move) -> Step:
        """Apply one event.

        Parameters
        ----------
        move : Move
            Events must come in order of time.

        Returns
        -------
        Step
            What it did; differences that counting errors do not explain are added to `differences`.
        """
        if move.kind == "in":
            return self._come_in(move)
        candidates = self._by_lot.get(move.lot, []) if move.lot else self._by_place.get(move.place, [])
        sources = [k for k in candidates if move.takes_from(self.pools[k])]
        if move.kind == "count":
            return self._count(move, sources)
        if move.kind == "dna-sample":
            at = np.array(sources, dtype=np.int64)
            return Step(tuple(sources), self.mean[at].copy(), np.zeros(len(sources)), False, -1)
        return self._take(move, sources)

    def by_lot(self, move: Move) -> list[Move]:
        """Return an event that takes fish of several lots of a place as one event per lot; others unchanged.

        The number is split in proportion to the fish expected of each lot, rounded so that it adds up.
        """
        if move.lot or move.target is None or move.target.lot:
            return [move]
        sources = [k for k in self._by_place.get(move.place, []) if move.takes_from(self.pools[k])]
        held = {k: float(self.mean[k]) for k in sources if self.mean[k] > 0.0}
        if not held:
            return []
        ends = np.cumsum(list(held.values())) / sum(held.values()) * (move.number or 0)
        whole = np.diff(np.round(ends), prepend=0.0).astype(int).tolist()
        return [
            replace(
                move,
                lot=self.pools[k].lot,
                target=move.target._replace(lot=self.pools[k].lot),
                number=None if move.number is None else n,
            )
            for k, n in zip(held, whole, strict=True)
        ]

    def close(self, lot: str, on: dt.date, row: int) -> None:
        """Say that a lot holds no fish any more; what is left beyond the errors is a difference."""
        left, error = self.total(self.of_lot(lot))
        if left > max(self.unexplained * error, 0.5):
            self.differences.append(Difference("closed", lot, on, left, 0.0, error, row, ""))

    def _come_in(self, move: Move) -> Step:
        assert move.target is not None
        k = self.index(move.target)
        number = float(move.number or 0)
        self.mean[k] += number
        self.covariance[k, k] += move.standard_error**2
        self.flow(move.target.lot).came_in += number
        return Step((), np.zeros(0), np.zeros(0), False, k)

    def _take(self, move: Move, sources: list[int]) -> Step:
        target = -1 if move.target is None else self.index(self._arrival(move, sources))
        sources = [k for k in sources if k != target]
        at = np.array(sources, dtype=np.int64)
        before = np.maximum(self.mean[at], 0.0)
        held = float(before.sum())
        everything = move.number is None
        if held <= 0.0:
            if everything or not move.number:
                return Step(tuple(sources), before, np.zeros(len(at)), False, target)
            return self._take_from_nothing(move, sources, target)
        if everything:
            taken = self.mean[at].copy()
            self._move_all(at, target)
        else:
            taken = float(move.number or 0) * before / held
            self._move_some(at, taken, move.error, target)
        self._book(move, [self.pools[k] for k in sources], taken)
        if not everything:
            self._test_left(move, at)
        return Step(tuple(sources), before, np.maximum(taken, 0.0), everything, target, 0.0, *self._now(at))

    def _take_from_nothing(self, move: Move, sources: list[int], target: int) -> Step:
        """Report fish taken where there are none; where they arrive they are there."""
        number = float(move.number or 0)
        self._report("empty", move, move.lot, 0.0, number, move.standard_error)
        lot = move.lot or (self.pools[target].lot if target >= 0 else "")
        self.flow(lot).unexplained += number
        self._book(move, [Pool(lot)], np.array([number]))
        if target >= 0:
            self.mean[target] += number
            self.covariance[target, target] += move.standard_error**2
        return Step((), np.zeros(0), np.zeros(0), False, target)

    def _arrival(self, move: Move, sources: list[int]) -> Pool:
        """Return the target; without a place the fish stay where they were."""
        target = move.target
        assert target is not None
        if target.place or not sources:
            return target
        first = self.pools[sources[0]]
        return Pool(target.lot, first.kind, first.place)

    def _move_all(self, at: np.ndarray, target: int) -> None:
        """Add rows and columns of the pools to those of the target, and leave the pools empty without error."""
        if target >= 0:
            self.mean[target] += float(self.mean[at].sum())
            self.covariance[target, :] += self.covariance[at, :].sum(axis=0)
            self.covariance[:, target] += self.covariance[:, at].sum(axis=1)
        self.mean[at] = 0.0
        self._forget(at)

    def _move_some(self, at: np.ndarray, taken: FloatArray, error: float, target: int) -> None:
        """Take fish of pools and add them to the target, with the same error."""
        shift = -taken
        if target >= 0:
            at, shift = np.append(at, target), np.append(shift, taken.sum())
        self.mean[at] += shift
        if error:
            self.covariance[np.ix_(at, at)] += error**2 * np.outer(shift, shift)

    def _test_left(self, move: Move, at: np.ndarray) -> None:
        """Report when more went out than there were, and let the pools be empty then."""
        for lot in dict.fromkeys(self.pools[k].lot for k in at):
            inside = np.array([k for k in at if self.pools[k].lot == lot])
            left, error = self.total(inside)
            if left >= -0.5:
                continue
            if left < -self.unexplained * error:
                out = self._gone_of(lot)
                self._report("more-out", move, lot, out + left, out, error)
                self.flow(lot).unexplained -= left
                self.mean[inside] = 0.0
                self._forget(inside)

    def _gone_of(self, lot: str) -> float:
        """Return all fish that left a lot."""
        f = self.flow(lot)
        return f.to_lots + f.died + f.culled + f.released + f.out

    def _count(self, move: Move, sources: list[int]) -> Step:
        at = np.array(sources, dtype=np.int64)
        before = np.maximum(self.mean[at], 0.0)
        none = Step(tuple(sources), before, np.zeros(len(at)), False, -1)
        if move.number is None:
            return none
        expected, error = self.total(at) if len(at) else (0.0, 0.0)
        found = float(move.number)
        noise = move.standard_error
        spread = math.hypot(error, noise)
        seen = Difference("loss" if found < expected else "surplus", move.lot, move.on, expected, found, spread, move.row, move.move_id)  # fmt: skip
        self.checked.append(seen)
        if not len(at):
            if found > 0:
                self._report("empty", move, move.lot, 0.0, found, noise)
            return none
        if abs(found - expected) <= max(self.unexplained * spread, 0.5):
            if spread > 0:
                self._learn(at, found - expected, spread)
            return replace(none, left=self.mean[at].copy(), error=self._now(at)[1])
        self.differences.append(seen)
        self._set(at, found, noise, before)
        lost = max(1.0 - found / expected, 0.0) if expected > 0 else 0.0
        return Step(tuple(sources), before, np.zeros(len(at)), False, -1, lost)

    def _now(self, at: np.ndarray) -> tuple[FloatArray, FloatArray]:
        """Return the expected number of single pools and its standard error."""
        return self.mean[at].copy(), np.sqrt(np.maximum(self.covariance[at, at], 0.0))

    def _learn(self, at: np.ndarray, gap: float, spread: float) -> None:
        """Blend a count with what was expected: the update of Kalman for a sum of pools."""
        towards = self.covariance[:, at].sum(axis=1)
        linked = np.flatnonzero(towards)
        gain = towards / spread**2
        self.mean[linked] += gain[linked] * gap
        self.covariance[np.ix_(linked, linked)] -= np.outer(gain[linked], towards[linked])
        for k in linked:
            if self.pools[k].kind != "released":
                self.flow(self.pools[k].lot).by_counts += float(gain[k] * gap)

    def _set(self, at: np.ndarray, found: float, noise: float, before: FloatArray) -> None:
        """Believe a count that expectation cannot explain; the difference stays unexplained."""
        held = float(before.sum())
        share = before / held if held > 0 else np.full(len(at), 1.0 / len(at))
        for k, now in zip(at, share * found, strict=True):
            if self.pools[k].kind != "released":
                self.flow(self.pools[k].lot).unexplained += float(now - self.mean[k])
            self.mean[k] = now
        self._forget(at)
        self.covariance[np.ix_(at, at)] = noise**2 * np.outer(share, share)

    def _forget(self, at: np.ndarray) -> None:
        self.covariance[at, :] = 0.0
        self.covariance[:, at] = 0.0

    def _book(self, move: Move, pools: list[Pool], taken: FloatArray) -> None:
        """Add what was taken to the flows of the lots."""
        for pool, n in zip(pools, taken.tolist(), strict=True):
            to = None if move.target is None else self.flow(move.target.lot)
            cared_for = move.target is not None and move.target.kind != "released"
            if pool.kind == "released":  # its lot has counted them as released
                if to is not None and cared_for:
                    to.came_in += n
                continue
            f = self.flow(pool.lot)
            if move.kind == "death":
                f.died += n
            elif move.kind == "cull":
                f.culled += n
            elif not cared_for:
                f.released += n if move.kind == "release" else 0.0
                f.out += 0.0 if move.kind == "release" else n
            elif to is not None and to is not f:
                f.to_lots += n
                to.from_lots += n

    def _report(
        self,
        kind: Literal["more-out", "empty"],
        move: Move,
        lot: str,
        expected: float,
        found: float,
        error: float,
    ) -> None:
        self.differences.append(
            Difference(kind, lot, move.on, expected, found, error, move.row, move.move_id)
        )
