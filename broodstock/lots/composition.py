"""Composition of lots, units, sites and trucks on a day: families with intervals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.estimates import Estimate
from broodstock.lots.ledger import Ledger
from broodstock.lots.mixture import Mixture, MixtureOptions, Surprise
from broodstock.lots.moves import UNKNOWN_FAMILY, Move, Pool

LEVEL = 0.95
METHOD = (
    "family numbers followed through every event by particles; the same chance of death or capture for every fish "
    "but for a spread between families; DNA samples by Bayes' rule; 95 % interval"
)


@dataclass(frozen=True)
class Composition:
    """Families in one or more pools together.

    Parameters
    ----------
    pools : tuple of Pool
        What was asked for.
    families : tuple of str
        Families that may be there, largest mean share first; an empty name is fish of unknown family.
    numbers : ndarray, int64, shape (n_families, n_particles)
        Draws of the fish of each family from what is believed.
    total : Estimate
        Fish.
    none : ndarray, float64, shape (n_families,)
        Probability that no fish of the family is there.
    """

    pools: tuple[Pool, ...]
    families: tuple[str, ...]
    numbers: BigIntArray
    total: Estimate
    none: FloatArray

    @property
    def shares(self) -> FloatArray:
        """Draws of the shares, shape (n_families, n_particles); particles without fish are left out."""
        sums = self.numbers.sum(axis=0)
        out: FloatArray = self.numbers[:, sums > 0] / sums[sums > 0]
        return out

    def share(self, family: str) -> Estimate:
        """Return the share of one family; 0 for a family that cannot be there."""
        return self._estimate(self.shares, family, "shares")

    def number(self, family: str) -> Estimate:
        """Return the fish of one family; 0 for a family that cannot be there."""
        return self._estimate(self.numbers.astype(np.float64), family, "numbers")

    def absent(self, family: str) -> float:
        """Return the probability that no fish of a family is there."""
        if family not in self.families:
            return 1.0
        return float(self.none[self.families.index(family)])

    def probabilities(self) -> dict[str, float]:
        """Return the mean share of each family: the composition as a probability vector."""
        shares = self.shares
        if not shares.shape[1]:
            return {}
        return dict(zip(self.families, shares.mean(axis=1).tolist(), strict=True))

    @property
    def effective_families(self) -> Estimate:
        """Effective number of families: 1 over the sum of squared shares (among fish of known family)."""
        method = f"1 / sum of squared shares; {METHOD}"
        known = [k for k, f in enumerate(self.families) if f != UNKNOWN_FAMILY]
        numbers = self.numbers[known].astype(np.float64)
        sums = numbers.sum(axis=0)
        if not known or not (sums > 0).any():
            reason = "no fish of known family is here"
            return Estimate.not_estimable(reason, method=method, unit_used="families")
        shares = numbers[:, sums > 0] / sums[sums > 0]
        draws = 1.0 / (shares**2).sum(axis=0)
        unknown = 1.0 - len(known) / len(self.families) if len(known) < len(self.families) else 0.0
        note = ""
        if unknown:
            part = self.probabilities().get(UNKNOWN_FAMILY, 0.0)
            note = f"{part:.0%} of the fish are of unknown family and left out"
        return _summary(draws, method, len(known), "families", note)

    def _estimate(self, draws: FloatArray, family: str, what: str) -> Estimate:
        if not draws.shape[1]:
            return Estimate.not_estimable("no fish is here", method=METHOD)
        if family not in self.families:
            return Estimate(0.0, 0.0, 0.0, f"{what}: the records bring no fish of this family here", 0)
        return _summary(draws[self.families.index(family)], METHOD, round(self.total.value or 0), "fish")


def _summary(draws: FloatArray, method: str, n: int, unit: str, note: str = "") -> Estimate:
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], method="inverted_cdf")
    return Estimate(float(draws.mean()), float(low), float(high), method, n, unit, LEVEL, note)


@dataclass(frozen=True)
class LotState:
    """What is known about all lots on a day.

    Parameters
    ----------
    ledger : Ledger
        Totals, flows and differences.
    mixture : Mixture
        Families.
    moves : tuple of Move
        Events applied, in order.
    until : datetime.date or None
        Last day.
    """

    ledger: Ledger
    mixture: Mixture
    moves: tuple[Move, ...]
    until: dt.date | None

    @property
    def surprises(self) -> list[Surprise]:
        """Families that DNA found where the records put none."""
        return self.mixture.surprises

    def pools(self, wanted: Callable[[Pool], bool] = lambda p: True) -> list[Pool]:
        """Return pools that hold fish, in order of first use."""
        m = self.ledger.mean
        return [p for k, p in enumerate(self.ledger.pools) if m[k] >= 0.5 and wanted(p)]

    def composition(self, pools: Iterable[Pool]) -> Composition:
        """Return the families in pools together.

        Parameters
        ----------
        pools : iterable of Pool
            For example those of one lot, unit or site.

        Returns
        -------
        Composition
            Numbers add up to a draw of the total, which carries the errors of all counts.
        """
        chosen = tuple(pools)
        at = [self.ledger.pools.index(p) for p in chosen]
        total, error = self.ledger.total(at) if at else (0.0, 0.0)
        rng = np.random.default_rng([len(self.moves), len(chosen), round(max(total, 0.0))])
        n_particles = self.mixture.options.particles
        sums = np.maximum(
            np.floor(total + error * rng.standard_normal(n_particles) + rng.random(n_particles)), 0.0
        )
        shares = self._shares(at, n_particles)
        order = sorted(shares, key=lambda f: (-float(shares[f].mean()), self.mixture.families[f]))
        stacked = np.array([shares[f] for f in order]).reshape(len(order), n_particles)
        numbers = _to_whole_fish(stacked, sums, rng)
        estimate = Estimate(
            max(total, 0.0),
            max(total - 1.96 * error, 0.0),
            max(total + 1.96 * error, 0.0),
            "numbers of all events with their errors (Kalman filter); 95 % interval",
            len(self.moves),
            "events",
        )
        none = np.array([float((stacked[j] == 0.0).mean()) for j in range(len(order))])
        return Composition(chosen, tuple(self.mixture.families[f] for f in order), numbers, estimate, none)

    def _shares(self, at: list[int], n_particles: int) -> dict[int, FloatArray]:
        """Return the share of each family by particle, pools weighted by their fish."""
        out: dict[int, FloatArray] = {}
        # A pool that may hold fish by the errors of its counts keeps its families, however few are expected.
        spread = np.sqrt(np.maximum(self.ledger.covariance[at, at], 0.0))
        weight = np.maximum(self.ledger.mean[at], 0.1 * spread)
        whole = float(weight.sum())
        if whole <= 0.0:
            return out
        for k, w in zip(at, weight / whole, strict=True):
            here = self.mixture.numbers.get(k, {})
            if not here or w <= 0.0:
                continue
            fish_of = np.array(list(here.values()), dtype=np.float64)
            sums = fish_of.sum(axis=0)
            whole_sum = float(sums.sum())
            if whole_sum <= 0.0:
                continue
            # Particles in which all fish died by chance, though some are there: the mean of the others.
            shares = np.where(
                sums > 0, fish_of / np.maximum(sums, 1), fish_of.sum(axis=1)[:, None] / whole_sum
            )
            for f, share in zip(here, shares, strict=True):
                part = w * share
                out[f] = out[f] + part if f in out else part
        return out


def _to_whole_fish(shares: FloatArray, sums: FloatArray, rng: np.random.Generator) -> BigIntArray:
    """Return whole fish per family that add up to the total, on average in proportion to the shares.

    Systematic rounding: every number is its share of the total rounded up or down.
    """
    if not len(shares):
        return np.zeros((0, shares.shape[1]), dtype=np.int64)
    whole = shares.sum(axis=0)
    total = np.where(whole > 0, sums, 0.0)
    ends = np.cumsum(shares / np.where(whole > 0, whole, 1.0), axis=0) * total
    ends[-1] = total
    marks = np.floor(ends + rng.random(shares.shape[1]))
    return np.diff(marks, axis=0, prepend=np.zeros((1, shares.shape[1]))).astype(np.int64)


def follow(
    moves: Iterable[Move],
    until: dt.date | None = None,
    options: MixtureOptions | None = None,
    seed: int = 0,
    closed: Mapping[str, tuple[dt.date, int]] | None = None,
) -> LotState:
    """Follow all lots through their events.

    Parameters
    ----------
    moves : iterable of Move
        Any order; events of one day keep theirs.
    until : datetime.date, optional
        Last day; default all events.
    options : MixtureOptions, optional
        Assumptions.
    seed : int
        The same seed gives the same numbers.
    closed : mapping of str to (date, int), optional
        Day on which a lot was closed and its row in the table of lots, by lot.

    Returns
    -------
    LotState
        Totals and families; what happened later is not used.
    """
    ledger = Ledger()
    mixture = Mixture(options or MixtureOptions(), np.random.default_rng(seed))
    done = in_time(moves, until)
    for move in done:
        for part in ledger.by_lot(move):
            mixture.apply(part, ledger.apply(part), ledger.mean)
    close_lots(ledger, closed or {}, until)
    return LotState(ledger, mixture, tuple(done), until)


def balance_totals(
    moves: Iterable[Move],
    until: dt.date | None = None,
    closed: Mapping[str, tuple[dt.date, int]] | None = None,
) -> Ledger:
    """Return the totals alone, without families; arguments as in `follow`."""
    ledger = Ledger()
    for move in in_time(moves, until):
        for part in ledger.by_lot(move):
            ledger.apply(part)
    close_lots(ledger, closed or {}, until)
    return ledger


def in_time(moves: Iterable[Move], until: dt.date | None) -> list[Move]:
    """Return the events until a day in order of time; events of one day keep their order."""
    return sorted((m for m in moves if until is None or m.on <= until), key=lambda m: m.on)


def close_lots(ledger: Ledger, closed: Mapping[str, tuple[dt.date, int]], until: dt.date | None) -> None:
    """Compare what is left of closed lots with nothing."""
    for lot, (on, row) in closed.items():
        if until is None or on <= until:
            ledger.close(lot, on, row)
