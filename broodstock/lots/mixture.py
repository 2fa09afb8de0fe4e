"""Families of every pool as particles: how splits, deaths, culls and DNA samples change what is believed.

Given the chance that a fish is taken, the fish of each family are taken independently of the other families; what
ties families together is only that they share the known total of the pool. So each family is followed by its own
particles over all pools at once, and shares are numbers divided by their sum. Independent binomials given their sum
are multivariate hypergeometric, and independent negative binomials given their sum are Dirichlet-multinomial, so
the two textbook cases come out right. A DNA sample weights the particles of each family by itself, which keeps many
different particles however many families there are, and the resampled particles carry the news to every pool the
fish of that family went to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ValueRangeError
from broodstock.lots.evidence import log_likelihood, systematic_ancestors, tail_chance
from broodstock.lots.ledger import Step
from broodstock.lots.moves import UNKNOWN_FAMILY, Move


@dataclass(frozen=True, slots=True)
class MixtureOptions:
    """Assumptions about fates, and the size of the simulation.

    Parameters
    ----------
    particles : int
        Particles of each family.
    risk_spread : float
        Standard deviation between families of the logarithm of their risk to die, kept through life; 0: equal
        risk. Common practice, no source.
    sort_correlation : float
        Correlation between fish of one family in being taken at a split, cull or release; 0: taken at random.
        Common practice, no source.
    """

    particles: int = 4000
    risk_spread: float = 0.5
    sort_correlation: float = 0.005

    def __post_init__(self) -> None:
        if self.particles < 100:
            raise ValueRangeError(
                f"lots, particles: found {self.particles}. Expected 100 or more. Give more particles."
            )
        if not 0.0 <= self.risk_spread <= 3.0:
            raise ValueRangeError(
                f"lots, risk_spread: found {self.risk_spread}. Expected 0 to 3. Correct the setting."
            )
        if not 0.0 <= self.sort_correlation < 1.0:
            raise ValueRangeError(
                f"lots, sort_correlation: found {self.sort_correlation}. Expected 0 to below 1. Correct the setting."
            )


@dataclass(frozen=True, slots=True)
class Surprise:
    """A family that DNA found in a lot where the records put none.

    Parameters
    ----------
    move : Move
        The DNA sample.
    family : str
        Family.
    number : float
        Fish typed as this family.
    chance : float
        Chance of as many by typing errors.
    stranger : bool
        The records bring no fish of the family there; False when they bring too few.
    """

    move: Move
    family: str
    number: float
    chance: float
    stranger: bool = True


class Mixture:
    """Numbers of fish per family, pool and particle.

    Parameters
    ----------
    options : MixtureOptions
        Assumptions.
    rng : Generator
        Random numbers.

    Attributes
    ----------
    families : list of str
        In order of first use.
    numbers : dict of int to dict of int to ndarray, int64, shape (n_particles,)
        Fish by pool and family.
    surprises : list of Surprise
        Families found where none should be.
    """

    def __init__(self, options: MixtureOptions, rng: np.random.Generator) -> None:
        self.options = options
        self.rng = rng
        self.families: list[str] = []
        self.numbers: dict[int, dict[int, BigIntArray]] = {}
        self.surprises: list[Surprise] = []
        self._at: dict[str, int] = {}
        self._risk: list[FloatArray] = []

    def family(self, name: str) -> int:
        """Return the position of a family, made when it is new."""
        if name not in self._at:
            self._at[name] = len(self.families)
            self.families.append(name)
            spread = self.options.risk_spread
            self._risk.append(np.exp(spread * self.rng.standard_normal(self.options.particles)))
        return self._at[name]

    def apply(self, move: Move, step: Step, expected: FloatArray) -> None:
        """Follow one event that the ledger has booked.

        Parameters
        ----------
        move, step : Move, Step
            The event and what it did to the totals.
        expected : ndarray, float64, shape (n_pools,)
            Fish expected in every pool after it.
        """
        if move.kind == "in":
            self._come_in(move, step.target)
        elif move.kind == "count":
            if step.lost > 0.0:
                for k in step.sources:
                    self._thin(k, step.lost, -1, deaths=True)
            else:
                self._counted(step)
        elif move.kind == "dna-sample":
            known_surprises = len(self.surprises)
            self._sample(move, step)
            if len(self.surprises) == known_surprises:  # with fish nobody knew of the sum is no guide
                self._agree(expected, step)
        else:
            self._take(move, step)
            if move.families:
                self._agree(expected, step)

    def _come_in(self, move: Move, target: int) -> None:
        known = dict(move.families) or {UNKNOWN_FAMILY: float(move.number or 0)}
        total = sum(known.values())
        number = total if move.number is None else float(move.number)
        each_counted = abs(total - number) < 0.5
        for name, n in known.items():
            mean = n if each_counted else n * number / total
            error = move.error if each_counted and len(known) > 1 else 0.0
            drawn = mean * (1.0 + error * self.rng.standard_normal(self.options.particles))
            self.add(target, self.family(name), _whole(np.maximum(drawn, 0.0), self.rng))

    def add(self, pool: int, family: int, fish: BigIntArray) -> None:
        """Add fish of a family to a pool."""
        here = self.numbers.setdefault(pool, {})
        here[family] = here[family] + fish if family in here else fish

    def _take(self, move: Move, step: Step) -> None:
        if step.all_of_them:
            for k in step.sources:
                gone = self.numbers.pop(k, {})
                if step.target >= 0:
                    for f, fish in gone.items():
                        self.add(step.target, f, fish)
            return
        if not step.sources and step.target >= 0 and move.number:
            self._come_in(move, step.target)
            return
        left = self._take_known(move, step)
        now = step.left if len(step.left) else np.maximum(step.before - step.taken, 0.0)
        errors = step.error if len(step.error) else np.zeros(len(now))
        for k, before, taken, here, error in zip(
            step.sources, step.before, step.taken, now, errors, strict=True
        ):
            if before <= 0.0:
                continue
            share: FloatArray | float = min(float(taken) / float(before), 1.0)
            if error > max(0.05 * here, 1e-9):  # what is left is known badly beside its size
                share = np.clip(1.0 - self._positive(float(here), float(error)) / float(before), 0.0, 1.0)
            self._thin(k, share * left, step.target, deaths=move.kind == "death")

    def _positive(self, mean: float, error: float) -> FloatArray:
        """Draw totals from a normal distribution cut off at 0."""
        from scipy.special import ndtr, ndtri

        low = float(ndtr(-mean / error))
        u = low + (1.0 - low) * self.rng.uniform(1e-9, 1.0 - 1e-9, self.options.particles)
        drawn: FloatArray = np.maximum(mean + error * ndtri(u), 0.0)
        return drawn

    def _counted(self, step: Step) -> None:
        """Keep the particles whose sum fits a count, all families of the pools together."""
        if not len(step.left):
            return
        families = {f for k in step.sources for f in self.numbers.get(k, {})}
        if not families:
            return
        sums = np.sum([self._sum(step.sources, f) for f in families], axis=0).astype(np.float64)
        spread = float(sums.std())
        width = max(float(np.sqrt((step.error**2).sum())), 0.1 * spread, 0.5)
        if spread < 2.0 * width:
            return
        weight = np.exp(-0.5 * ((sums - float(step.left.sum())) / width) ** 2)
        if weight.sum() ** 2 < 20.0 * (weight**2).sum():
            return
        kept = systematic_ancestors(weight, self.rng)
        for f in families:
            self._copy(f, kept)

    def _take_known(self, move: Move, step: Step) -> float:
        """Take fish whose family is known; return the share of the event that is left to chance."""
        number = float(step.taken.sum())
        known = {self._at[n]: x for n, x in move.families.items() if n in self._at}
        if not known or number <= 0:
            return 1.0
        for f, wanted in known.items():
            pools = [k for k in step.sources if f in self.numbers.get(k, {})]
            if not pools:
                continue
            there = self._sum(tuple(pools), f)
            can = there >= wanted
            if can.any() and not can.all():
                self._resample(f, np.where(can, 1.0, 0.0))
            to_take = np.full(self.options.particles, round(wanted), dtype=np.int64)
            for k in pools:
                taken = np.minimum(self.numbers[k][f], to_take)
                to_take = to_take - taken
                self.numbers[k][f] = self.numbers[k][f] - taken
                if step.target >= 0:
                    self.add(step.target, f, taken)
        return max(1.0 - sum(known.values()) / number, 0.0)

    def _thin(self, pool: int, share: FloatArray | float, target: int, deaths: bool) -> None:
        """Take a share of the fish of a pool, each family by its own chance."""
        mean = float(np.mean(share))
        if mean <= 0.0:
            return
        here = self.numbers.get(pool, {})
        if deaths and mean < 1.0:
            # Hazards of the particles in proportion, with the hazard that kills the mean share of all.
            common = -np.log(self._common_survival(here, mean)) / -np.log1p(-mean)
            share = 1.0 - (1.0 - np.asarray(share)) ** common
        for f in list(here):
            chance = self._chance(f, share, deaths)
            taken = self.rng.binomial(here[f], chance)
            here[f] = here[f] - taken
            if target >= 0:
                self.add(target, f, taken)

    def _common_survival(self, here: Mapping[int, BigIntArray], share: float) -> float:
        """Return the survival at mean risk with which the stated share of all fish dies (Newton's steps)."""
        fish = np.array([x[:500] for x in here.values()], dtype=np.float64)
        risk = np.array([self._risk[f][:500] for f in here])
        alive = (1.0 - share) * fish.sum()
        hazard = -float(np.log1p(-share))
        if alive <= 0.0:
            return 1.0 - share
        for _ in range(6):
            left = fish * np.exp(-hazard * risk)
            slope = float((left * risk).sum())
            if slope <= 0.0:
                break
            hazard = max(hazard + float(left.sum() - alive) / slope, 1e-12)
        return float(np.exp(-hazard))

    def _chance(self, family: int, share: FloatArray | float, deaths: bool) -> FloatArray | float:
        """Return the chance of a fish of one family to be taken, by particle.

        Deaths: survival is the common survival to the power of the family's risk (proportional hazards).
        Other events: a beta distribution around the share with the correlation asked for.
        """
        if deaths:
            out: FloatArray = 1.0 - (1.0 - share) ** self._risk[family]
            return out
        r = self.options.sort_correlation
        if r == 0.0 or np.all(np.asarray(share) >= 1.0):
            return share
        size = (1.0 - r) / r
        inside = np.clip(share, 1e-9, 1.0 - 1e-9)
        return self.rng.beta(inside * size, (1.0 - inside) * size, self.options.particles)

    def _sample(self, move: Move, step: Step) -> None:
        """Update every family of the sampled pools by the fish typed."""
        typed = {self.family(n): float(x) for n, x in move.families.items()}
        n = sum(typed.values())
        if n <= 0 or not step.sources:
            return
        known = {f for k in step.sources for f in self.numbers.get(k, {})}
        size = (
            float(np.mean([self._sum(step.sources, f).mean() for f in known]) * len(known)) if known else 0.0
        )
        if size <= 0.0:
            return
        candidates = known | set(typed)
        by_error = n * move.family_error / max(len(candidates) - 1, 1)
        share = 1.0 if n >= float(step.before.sum()) - 0.5 else min(n / size, 1.0)
        unknown = self._at.get(UNKNOWN_FAMILY, -1)
        strangers = {f: x for f, x in typed.items() if f not in known}
        counts = {f: typed.get(f, 0.0) for f in known}
        if unknown in known:
            counts[unknown] = sum(strangers.values())
        for f, x in counts.items():
            there = self._sum(step.sources, f)
            weight = log_likelihood(x, there, share * (1.0 - move.family_error), by_error)
            if np.isfinite(weight).any():
                self._resample(f, np.exp(weight - weight.max()))
            else:
                self._surprise(move, step, f, x, n, size, 0.0)
        if unknown in known and strangers:
            self._name_unknown(step, unknown, strangers)
            return
        for f, x in strangers.items():
            chance = tail_chance(x, by_error)
            if chance < 0.001:
                self._surprise(move, step, f, x, n, size, chance)

    def _sum(self, pools: tuple[int, ...], family: int) -> BigIntArray:
        """Return the fish of a family in pools together, by particle."""
        parts = [self.numbers[k][family] for k in pools if family in self.numbers.get(k, {})]
        return np.sum(parts, axis=0, dtype=np.int64) if parts else np.zeros(self.options.particles, np.int64)

    def _resample(self, family: int, weight: FloatArray) -> None:
        """Resample the particles of one family in all pools."""
        self._copy(family, systematic_ancestors(weight, self.rng))

    def _copy(self, family: int, kept: BigIntArray) -> None:
        """Let the particles of a family be copies of others, in all pools."""
        for here in self.numbers.values():
            if family in here:
                here[family] = here[family][kept]
        self._risk[family] = self._risk[family][kept]

    def _agree(self, expected: FloatArray, step: Step) -> None:
        """Make pools add up to their totals again after evidence on single families of the sources.

        Where they miss it by more than chance, every family is weighted by exp(t fish) with the one t that
        restores the sum: for many families that is what conditioning on the sum does to each [1]_.

        References
        ----------
        .. [1] van Campenhout JM, Cover TM (1981) Maximum entropy and conditional probability. IEEE Transactions on
           Information Theory 27:483-489.
        """
        touched = {f for k in step.sources for f in self.numbers.get(k, {})}
        for k, here in self.numbers.items():
            wanted = float(expected[k])
            if wanted < 1.0 or len(here) < 2 or touched.isdisjoint(here):
                continue
            fish = np.array(list(here.values()), dtype=np.float64)
            spread = float(np.sqrt(fish.var(axis=1).sum()))
            if spread <= 0.0 or abs(float(fish.mean(axis=1).sum()) - wanted) < 0.25 * spread:
                continue
            tilt = _tilt_for(fish, wanted, spread)
            for f, row in zip(list(here), fish, strict=True):
                if row.min() < row.max():
                    weight = tilt * row
                    self._resample(f, np.exp(weight - weight.max()))

    def _name_unknown(self, step: Step, unknown: int, strangers: Mapping[int, float]) -> None:
        """Give fish of unknown family to the families found among them: Dirichlet with one fish unnamed."""
        names = list(strangers)
        weights = self.rng.gamma([*strangers.values(), 1.0], size=(self.options.particles, len(names) + 1))
        for k in step.sources:
            left = self.numbers.get(k, {}).get(unknown)
            if left is None:
                continue
            rest = weights.sum(axis=1)
            for j, f in enumerate(names):
                taken = self.rng.binomial(left, np.clip(weights[:, j] / rest, 0.0, 1.0))
                self.add(k, f, taken)
                left = left - taken
                rest = rest - weights[:, j]
            self.numbers[k][unknown] = left

    def _surprise(
        self, move: Move, step: Step, family: int, typed: float, n: float, size: float, chance: float
    ) -> None:
        """Believe that an unexpected family is there: its share is that of the sample (Jeffreys prior)."""
        known = any(family in self.numbers.get(k, {}) for k in step.sources)
        self.surprises.append(Surprise(move, self.families[family], typed, chance, not known))
        share = self.rng.beta(typed + 0.5, n - typed + 0.5, self.options.particles)
        for k, before in zip(step.sources, step.before, strict=True):
            part = float(before) / max(float(step.before.sum()), 1e-12)
            fish = self.rng.poisson(size * part * share).astype(np.int64)
            self.numbers.setdefault(k, {})[family] = fish


def _tilt_for(fish: FloatArray, wanted: float, spread: float) -> float:
    """Return t such that families weighted by exp(t fish) add up to a total, by bisection.

    Parameters
    ----------
    fish : ndarray, float64, shape (n_families, n_particles)
        Fish.
    wanted : float
        Total; one that no particles reach gives the largest tilt tried, four standard deviations.
    spread : float
        Standard deviation of the total.
    """
    low, high = -4.0 / spread, 4.0 / spread
    for _ in range(30):
        middle = 0.5 * (low + high)
        logs = middle * fish
        weight = np.exp(logs - logs.max(axis=1, keepdims=True))
        total = float(((weight * fish).sum(axis=1) / weight.sum(axis=1)).sum())
        low, high = (middle, high) if total < wanted else (low, middle)
    return 0.5 * (low + high)


def _whole(x: FloatArray, rng: np.random.Generator) -> BigIntArray:
    """Round up or down at random so that the mean stays."""
    return np.floor(x + rng.random(len(x))).astype(np.int64)
