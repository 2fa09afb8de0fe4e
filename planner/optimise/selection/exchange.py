"""Moves of fish between waters over some years: effective migrants within a window, few journeys, low kinship."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.solver import Session, numbered, read_counts, read_values
from planner.optimise.status import SolveReport, SolveStatus


@dataclass(frozen=True)
class ExchangeData:
    """Waters that may exchange fish.

    Parameters
    ----------
    names : tuple of str
        Waters.
    kinship : ndarray, float64, shape (n_sites, n_sites)
        Mean kinship of two fish, one of each water; within a water on the diagonal.
    residents, capacity : ndarray, int64, shape (n_sites,)
        Fish now, and most fish.
    risk : ndarray, int64, shape (n_sites,)
        Risk rank of the water; fish move from lower or equal ranks only.
    sends, receives : ndarray, bool, shape (n_sites,)
        Whether the water gives, and must receive.
    years : int
        Years of the plan.
    per_fish : float
        Effective migrants per generation that one fish moved in these years makes.
    window : tuple of (float, float)
        Least and most effective migrants per generation that every receiving water gets.
    group : tuple of (int, int)
        Fewest and most fish of one journey.
    stay_share : float
        Share of its fish now that a water never falls below; it gives at most the rest in one year.
    """

    names: tuple[str, ...]
    kinship: FloatArray
    residents: BigIntArray
    capacity: BigIntArray
    risk: BigIntArray
    sends: BoolArray
    receives: BoolArray
    years: int
    per_fish: float
    window: tuple[float, float] = (1.0, 10.0)
    group: tuple[int, int] = (4, 20)
    stay_share: float = 0.8

    def __post_init__(self) -> None:
        """Check shapes and ranges.

        Raises
        ------
        ShapeError
            If an array has another shape.
        ValueRangeError
            If a number is outside its range.
        """
        n = len(self.names)
        if self.kinship.shape != (n, n):
            raise ShapeError(f"kinship of waters: found shape {self.kinship.shape}. Expected ({n}, {n}).")
        for name in ("residents", "capacity", "risk", "sends", "receives"):
            if getattr(self, name).shape != (n,):
                raise ShapeError(f"{name}: found shape {getattr(self, name).shape}. Expected ({n},).")
        if not np.isfinite(self.kinship).all() or (self.residents < 0).any() or (self.capacity < 0).any():
            raise ValueRangeError("waters: found a kinship that is no number or a negative number of fish.")
        low, high = self.window
        if not (self.years >= 1 and self.per_fish > 0 and 0 <= low <= high and math.isfinite(high)):
            raise ValueRangeError(
                f"exchange: found {self.years} years, {self.per_fish} migrants per fish, window {self.window}. Expected at "
                "least 1 year, a number above 0, and a least that is not above the most."
            )
        if not 1 <= self.group[0] <= self.group[1] or not 0 <= self.stay_share <= 1:
            raise ValueRangeError(
                f"exchange: found journeys of {self.group} fish and a share that stays of {self.stay_share}. Expected "
                "1 <= fewest <= most, and a share from 0 to 1."
            )

    @property
    def fish_window(self) -> tuple[int, int]:
        """Fewest and most fish that a receiving water gets in all years."""
        low, high = self.window
        return math.ceil(low / self.per_fish - 1e-9), math.floor(high / self.per_fish + 1e-9)

    @property
    def allowed(self) -> BoolArray:
        """Whether fish may go from the row's water to the column's, shape (n_sites, n_sites)."""
        out = self.sends[:, None] & self.receives[None, :] & (self.risk[:, None] <= self.risk[None, :])
        out &= (self.residents > 0)[:, None] & (self.residents > 0)[None, :]
        np.fill_diagonal(out, False)
        return np.asarray(out)

    @property
    def fewest_left(self) -> BigIntArray:
        """Fish below which no water falls."""
        return np.ceil(self.stay_share * self.residents - 1e-9).astype(np.int64)

    @property
    def most_given(self) -> BigIntArray:
        """Most fish that a water gives in one year."""
        return self.residents - self.fewest_left


@dataclass(frozen=True)
class ExchangePlan:
    """Moves and what is proven about them.

    Parameters
    ----------
    moves : ndarray, int64, shape (n_years, n_sites, n_sites), or None
        Fish from the row's water to the column's.
    journeys, kinship : SolveReport or None
        Proof of the fewest journeys, and of the least kinship change at that number of journeys.
    short : tuple of (str, int, int)
        Without a plan: waters that cannot get enough, the most fish they can get together with the others, and the
        fewest they need.
    """

    moves: BigIntArray | None
    journeys: SolveReport
    kinship: SolveReport | None
    short: tuple[tuple[str, int, int], ...] = ()


def kinship_slope(data: ExchangeData) -> FloatArray:
    """Return the change of a water's mean kinship per fish it gets, to first order, shape (n_sites, n_sites).

    ``2 (K_ji - K_ii) / n_i`` for a fish from water j to water i with n_i residents: the derivative at no fish of
    `kinship_after`.
    """
    n = np.maximum(data.residents, 1)
    return np.asarray(2 * (data.kinship - np.diag(data.kinship)[None, :]) / n[None, :])


def kinship_after(data: ExchangeData, moves: BigIntArray) -> FloatArray:
    """Return the mean kinship within each water after all moves, shape (n_sites,).

    Fish that leave are taken evenly, so the residents' own mean kinship stays; arrivals are an even draw of the
    sender as it is now: ``sum_ab w_a w_b K_ab`` with w the shares of residents and of each sender.
    """
    total = moves.sum(axis=0).astype(np.float64)
    out = np.diag(data.kinship).astype(np.float64).copy()
    for i in range(len(out)):
        shares = total[:, i].copy()
        shares[i] = max(float(data.residents[i] - total[i].sum()), 0.0)
        if shares.sum() > 0:
            shares /= shares.sum()
            out[i] = float(shares @ data.kinship @ shares)
    return out


def breaches(data: ExchangeData, moves: BigIntArray) -> list[str]:
    """Return every rule that moves break, in words (numpy only)."""
    out = []
    least, most = data.group
    for y, j, i in np.argwhere(moves != 0).tolist():
        n = int(moves[y, j, i])
        if not data.allowed[j, i]:
            out.append(
                f"year {y + 1}: {n} fish from {data.names[j]} to {data.names[i]}, which is not allowed"
            )
        if not least <= n <= most:
            out.append(f"year {y + 1}: journey of {n} fish, {least} to {most} allowed")
    low, high = data.fish_window
    got = moves.sum(axis=(0, 1))
    out += [
        f"{data.names[i]} gets {int(got[i])} fish, {low} to {high} needed"
        for i in np.flatnonzero(data.allowed.any(axis=0)).tolist()
        if not low <= got[i] <= high
    ]
    given = moves.sum(axis=2)
    out += [
        f"year {y + 1}: {data.names[i]} gives {int(given[y, i])} fish, at most {int(data.most_given[i])} allowed"
        for y, i in np.argwhere(given > data.most_given).tolist()
    ]
    now = data.residents + np.cumsum(moves.sum(axis=1) - given, axis=0)
    wrong = (now > np.maximum(data.capacity, data.residents)) | (now < data.fewest_left)
    out += [
        f"year {y + 1}: {data.names[i]} holds {int(now[y, i])} fish" for y, i in np.argwhere(wrong).tolist()
    ]
    return out


def plan_exchange(data: ExchangeData, *, time_limit: float = 30.0, seed: int = 0) -> ExchangePlan:
    """Choose moves: the fewest journeys first, then the least mean kinship at that number of journeys.

    Parameters
    ----------
    data : ExchangeData
        Waters and rules.
    time_limit : float
        Seconds for each of the two steps.
    seed : int
        Seed of the solver's random choices.

    Returns
    -------
    ExchangePlan
        Moves that passed `breaches`, or the waters that cannot get enough. Kinship is minimised to first order
        (`kinship_slope`, summed over waters); `kinship_after` gives the exact value.

    Raises
    ------
    AssertionError
        If the recheck refuses the moves: a fault of ours.
    """
    model = _Model(data)
    model.aim([(v, 1.0) for v in model.journey.values()])
    first = model.session.solve(time_limit=time_limit, seed=seed)
    if not first.has_solution:
        short = _shortfalls(data, time_limit, seed) if first.status is SolveStatus.INFEASIBLE else ()
        return ExchangePlan(None, first, None, short)
    moves = model.moves(first)
    used = int((moves > 0).sum())
    slope = kinship_slope(data)
    second_model = _Model(data)
    second_model.aim([(v, float(slope[j, i])) for (_, j, i), v in second_model.fish.items()])
    terms = pulp.LpAffineExpression([(v, 1.0) for v in second_model.journey.values()])
    second_model.session.add_rows([pulp.LpConstraint(terms, -1, rhs=float(used))])
    second = second_model.session.solve(time_limit=time_limit, seed=seed)
    if second.has_solution:
        moves = second_model.moves(second)
    broken = breaches(data, moves)
    if broken:
        raise AssertionError("the recheck refuses the moves: " + "; ".join(broken))
    return ExchangePlan(moves, first, second)


class _Model:
    """The linear rules over fish and journeys per year and pair of waters."""

    def __init__(self, data: ExchangeData, elastic: bool = False) -> None:
        self.data = data
        self.problem = pulp.LpProblem("exchange", pulp.LpMinimize)
        self.fish: dict[tuple[int, int, int], pulp.LpVariable] = {}
        self.journey: dict[tuple[int, int, int], pulp.LpVariable] = {}
        self.short: dict[int, pulp.LpVariable] = {}
        least, most = data.group
        self.rows: list[pulp.LpConstraint] = []
        for y in range(data.years):
            for j, i in np.argwhere(data.allowed).tolist():
                n = self.problem.add_variable(numbered("n", y, j, i), 0, most, cat=pulp.LpInteger)
                z = self.problem.add_variable(numbered("z", y, j, i), 0, 1, cat=pulp.LpInteger)
                self.fish[y, j, i], self.journey[y, j, i] = n, z
                self._row([(n, 1.0), (z, -float(most))], -1, 0.0)
                self._row([(n, 1.0), (z, -float(least))], 1, 0.0)
        low, high = data.fish_window
        for i in np.flatnonzero(data.allowed.any(axis=0)).tolist():
            got = [(v, 1.0) for (_, _, to), v in self.fish.items() if to == i]
            extra = []
            if elastic:
                self.short[i] = self.problem.add_variable(numbered("short", i), 0, low)
                extra = [(self.short[i], 1.0)]
            self._row([*got, *extra], 1, float(low))
            self._row(got, -1, float(high))
        for i in range(len(data.names)):
            for y in range(data.years):
                self._balance(i, y)

    def _row(self, terms: list[tuple[pulp.LpVariable, float]], sense: int, rhs: float) -> None:
        self.rows.append(pulp.LpConstraint(pulp.LpAffineExpression(terms), sense, rhs=rhs))

    def _balance(self, i: int, year: int) -> None:
        """Keep a water between its fewest fish and its capacity after a year's moves."""
        terms = [
            (v, 1.0 if to == i else -1.0) for (y, j, to), v in self.fish.items() if y <= year and i in (j, to)
        ]
        if not terms:
            return
        now = int(self.data.residents[i])
        given = [(v, 1.0) for (y, j, _), v in self.fish.items() if y == year and j == i]
        if given:
            self._row(given, -1, float(self.data.most_given[i]))
        self._row(terms, -1, float(max(0, int(self.data.capacity[i]) - now)))
        self._row(terms, 1, float(int(self.data.fewest_left[i]) - now))

    def aim(self, goal: list[tuple[pulp.LpVariable, float]]) -> None:
        """Set what is made small and load the model."""
        dummy = self.problem.add_variable("nothing", 0, 0)
        self.problem.setObjective(pulp.LpAffineExpression([*goal, (dummy, 0.0)]))
        self.session = Session(self.problem)
        self.session.add_rows(self.rows)

    def moves(self, report: SolveReport) -> BigIntArray:
        """Read the moves, shape (n_years, n_sites, n_sites)."""
        n = len(self.data.names)
        out = np.zeros((self.data.years, n, n), dtype=np.int64)
        keys = list(self.fish)
        for key, value in zip(keys, read_counts([self.fish[k] for k in keys], report).tolist(), strict=True):
            out[key] = value
        return out


def _shortfalls(data: ExchangeData, time_limit: float, seed: int) -> tuple[tuple[str, int, int], ...]:
    """Return the waters that cannot get enough, with as few fish missing in all as possible."""
    model = _Model(data, elastic=True)
    model.aim([(v, 1.0) for v in model.short.values()])
    report = model.session.solve(time_limit=time_limit, seed=seed)
    if not report.has_solution:
        return ()
    sites = list(model.short)
    missing = read_values([model.short[i] for i in sites], report)
    low = data.fish_window[0]
    return tuple(
        (data.names[i], round(low - float(m)), low) for i, m in zip(sites, missing, strict=True) if m > 1e-6
    )


def fst_island(migrants: float) -> float:
    """Return the equilibrium Fst of many waters, ``1 / (4 Nm + 1)``.

    Raises
    ------
    ValueRangeError
        If the number of migrants is negative.

    References
    ----------
    .. [1] Wright, S. (1931), Genetics 16, 97-159; Mills, L. S. & Allendorf, F. W. (1996), Conservation Biology 10,
       1509-1518 (one to ten migrants per generation).
    """
    if not migrants >= 0:
        raise ValueRangeError(f"migrants: found {migrants}. Expected 0 or more.")
    return 1 / (4 * migrants + 1)


def fst_finite(migrants: float, waters: int) -> float:
    """Return the equilibrium Fst of a few waters, ``1 / (1 + 4 Nm (d / (d - 1))**2)``.

    Raises
    ------
    ValueRangeError
        If the number of migrants is negative or there are fewer than two waters.

    References
    ----------
    .. [1] Takahata, N. (1983), Genetics 104, 497-512 (from memory).
    """
    if not migrants >= 0 or waters < 2:
        raise ValueRangeError(
            f"migrants: found {migrants} among {waters} waters. Expected 0 or more, and 2 waters."
        )
    return 1 / (1 + 4 * migrants * (waters / (waters - 1)) ** 2)
