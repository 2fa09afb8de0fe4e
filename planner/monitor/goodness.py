"""Goodness of fit of open-population models: contingency components, expected tables, parametric bootstrap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.fit_maximum import maximise
from planner.monitor.histories import EncounterHistories, release_table
from planner.monitor.open_design import Design
from planner.monitor.open_fit import FittedModel
from planner.monitor.open_likelihood import SurvivalModel, expected_next_met, log_likelihood

FEWEST = 2.0
"""Smallest expected number of a cell; columns below it are joined with a neighbour."""


@dataclass(frozen=True)
class Component:
    """One component of the goodness-of-fit test, summed over occasions and groups.

    Parameters
    ----------
    name : str
        Code used in the literature.
    question : str
        What it asks, in words.
    chi_square : float
        Sum of the statistics.
    degrees : int
        Degrees of freedom.
    p_value : float or None
        None without degrees of freedom.
    signed : float or None
        For the two-by-two components, the sum of signed roots over the root of their number: its direction.
    """

    name: str
    question: str
    chi_square: float
    degrees: int
    p_value: float | None
    signed: float | None


@dataclass(frozen=True)
class Goodness:
    """Goodness of fit of the model in which survival and detection differ between occasions but not between fish.

    Parameters
    ----------
    components : tuple of Component
        3.SR, 3.SM, 2.CT, 2.CL.
    c_hat : Estimate
        Overdispersion: chi-square over degrees of freedom.
    notes : tuple of str
        What the components point to, in words.
    """

    components: tuple[Component, ...]
    c_hat: Estimate
    notes: tuple[str, ...]


_QUESTIONS = {
    "3.SR": "are newly released fish met again as often as fish met before",
    "3.SM": "of those met again, are newly released fish met as soon as fish met before",
    "2.CT": "are fish met now met in the next occasion as often as fish missed now",
    "2.CL": "of those met later, are fish met now met as soon as fish missed now",
}


def goodness_components(histories: EncounterHistories, group: npt.ArrayLike | None = None) -> Goodness:
    """Test whether fish alike in occasion and group are met again alike.

    Parameters
    ----------
    histories : EncounterHistories
        Histories; those made from a table of releases lack what 3.SR and 3.SM need.
    group : array_like of int, shape (n_histories,), optional
        Release group; the components are summed over groups.

    Returns
    -------
    Goodness
        Columns with an expected number below 2 are joined with a neighbour; two-by-two tables that still have one
        use Fisher's exact test.

    Raises
    ------
    ShapeError
        If `group` has another length.

    References
    ----------
    .. [1] Burnham, Anderson, White, Brownie & Pollock (1987), American Fisheries Society Monograph 5; Pradel, Gimenez
       & Lebreton (2005), Animal Biodiversity and Conservation 28:189-204 (both from memory).
    """
    from scipy.stats import chi2, norm

    n = len(histories.release)
    codes = np.zeros(n, dtype=np.int64) if group is None else np.asarray(group, np.int64)
    if len(codes) != n:
        raise ShapeError(f"group: found {len(codes)} values. Expected {n}, one per history.")
    found: dict[str, list[tuple[float, int, float | None]]] = {name: [] for name in _QUESTIONS}
    for g in np.unique(codes):
        for name, table in _tables(histories.take(codes == g)):
            statistic, degrees, sign = _table_test(table)
            if degrees:
                found[name].append((statistic, degrees, sign))
    components = []
    for name, question in _QUESTIONS.items():
        total, degrees = sum(x[0] for x in found[name]), sum(x[1] for x in found[name])
        signs = [x[2] for x in found[name] if x[2] is not None]
        signed = float(sum(signs) / np.sqrt(len(signs))) if signs and name in ("3.SR", "2.CT") else None
        p = float(chi2.sf(total, degrees)) if degrees else None
        components.append(Component(name, question, float(total), degrees, p, signed))
    notes = []
    by_name = {c.name: c for c in components}
    sr, ct = by_name["3.SR"].signed, by_name["2.CT"].signed
    if sr is not None and norm.sf(sr) < 0.05:
        notes.append(
            "newly released fish are met again less often than fish met before: they die or leave first, or some "
            "only pass through; give the first interval after release its own survival"
        )
    if ct is not None and 2 * norm.sf(abs(ct)) < 0.05:
        word = "more" if ct > 0 else "less"
        notes.append(
            f"fish met in one occasion are met {word} often in the next than fish missed: detection depends on the "
            "last one (trap-dependence) or fish differ; give detection after a meeting its own parameter"
        )
    total, degrees = sum(c.chi_square for c in components), sum(c.degrees for c in components)
    return Goodness(tuple(components), _c_hat(total, degrees, histories.n_fish), tuple(notes))


def _c_hat(total: float, degrees: int, n_fish: int) -> Estimate:
    from scipy.stats import chi2

    how = "sum of the contingency chi-squares over their degrees of freedom, interval by the chi-square"
    if not degrees:
        return Estimate.not_estimable("there are too few repeated encounters for a test", how, n_fish)
    low, high = total / chi2.ppf(0.975, degrees), total / chi2.ppf(0.025, degrees)
    note = "below 1 it counts as 1" if total < degrees else ""
    if total > 3 * degrees:
        note = "above 3 the structure of the model is wrong, not only the spread"
    return Estimate(total / degrees, float(low), float(high), how, n_fish, note=note)


def _tables(h: EncounterHistories) -> list[tuple[str, FloatArray]]:
    t, out = h.n_occasions, []
    seen, weight = h.seen, h.number.astype(np.float64)
    # next encounter after each occasion, t when never
    later = np.full((len(h.release), t + 1), t, dtype=np.int64)
    for j in range(t - 1, -1, -1):
        later[:, j] = np.where(seen[:, j], j, later[:, j + 1])
    for i in range(1, t - 1):
        put_back = ~(h.removed & (h.last == i))
        new = (h.release == i) & put_back
        old = seen[:, i] & (h.release < i) & put_back
        nxt = later[:, i + 1]
        again = nxt < t
        out.append(("3.SR", _two_rows(weight, old, new, again.astype(np.int64) ^ 1, 2)))
        if i < t - 2:
            out.append(("3.SM", _two_rows(weight, old & again, new & again, nxt - i - 1, t - i - 1)))
        missed = (h.release < i) & ~seen[:, i] & again
        met = (seen[:, i] | (h.release == i)) & put_back & again
        if i < t - 2:
            out.append(("2.CT", _two_rows(weight, met, missed, (nxt > i + 1).astype(np.int64), 2)))
        if i < t - 3:
            far = nxt > i + 1
            out.append(("2.CL", _two_rows(weight, met & far, missed & far, nxt - i - 2, t - i - 2)))
    return out


def _two_rows(
    weight: FloatArray, first: BoolArray, second: BoolArray, column: BigIntArray, n: int
) -> FloatArray:
    rows = [np.bincount(column[x], weights=weight[x], minlength=n)[:n] for x in (first, second)]
    return np.array(rows)


def _table_test(table: FloatArray) -> tuple[float, int, float | None]:
    """Chi-square, degrees and signed root of one two-row table; no degrees when it tells nothing."""
    from scipy.stats import chi2, fisher_exact

    kept = table[:, table.sum(axis=0) > 0]
    rows = kept.sum(axis=1)
    if kept.shape[1] < 2 or (rows == 0).any():
        return 0.0, 0, None
    while kept.shape[1] > 2:
        expected = np.outer(kept.sum(axis=1), kept.sum(axis=0)) / kept.sum()
        low = expected.min(axis=0)
        k = int(np.argmin(low))
        if low[k] >= FEWEST:
            break
        other = k - 1 if k > 0 else 1
        kept[:, other] += kept[:, k]
        kept = np.delete(kept, k, axis=1)
    expected = np.outer(kept.sum(axis=1), kept.sum(axis=0)) / kept.sum()
    two = kept.shape[1] == 2
    if two and expected.min() < FEWEST:
        p = float(fisher_exact(np.rint(kept).astype(np.int64))[1])
        statistic = float(chi2.isf(min(p, 1.0), 1))
    else:
        statistic = float(((kept - expected) ** 2 / expected).sum())
    sign = float(np.sign(kept[0, 0] - expected[0, 0]) * np.sqrt(statistic)) if two else None
    return statistic, kept.shape[1] - 1, sign


@dataclass(frozen=True)
class Bootstrap:
    """Parametric bootstrap of a fitted model.

    Parameters
    ----------
    observed : float
        Distance of the observed table of next encounters from the fitted one.
    simulated : ndarray, float64, shape (n_replicates,)
        The same in data simulated from the model and fitted again.
    c_hat : Estimate
        Observed over the mean of the simulated.
    p_value : float
        Share of simulated distances at least as large, the observed one counted in.
    """

    observed: float
    simulated: FloatArray
    c_hat: Estimate
    p_value: float


def table_distance(observed: npt.ArrayLike, expected: npt.ArrayLike, released: BigIntArray) -> float:
    """Return the Freeman and Tukey distance between observed and expected tables, never-met cells included.

    Parameters
    ----------
    observed, expected : ndarray, shape (n_occasions - 1, n_occasions - 1)
        Next encounters by release occasion.
    released : ndarray, int64, shape (n_occasions - 1,)
        Releases.

    References
    ----------
    .. [1] Freeman & Tukey (1950), Annals of Mathematical Statistics 21:607-611. Brooks, Catchpole & Morgan (2000),
       Statistical Science 15:357-376 use it for such tables (from memory).
    """
    o, e = np.asarray(observed, np.float64), np.maximum(np.asarray(expected, np.float64), 0.0)
    never = np.maximum(released - o.sum(axis=1), 0.0), np.maximum(released - e.sum(axis=1), 0.0)
    cells = ((np.sqrt(o) - np.sqrt(e)) ** 2).sum()
    return float(cells + ((np.sqrt(never[0]) - np.sqrt(never[1])) ** 2).sum())


def split_at_encounters(histories: EncounterHistories) -> tuple[EncounterHistories, BigIntArray]:
    """Cut each history into pieces from one release to the next encounter; the likelihood stays the same.

    Returns
    -------
    tuple of EncounterHistories and ndarray of int64
        The pieces, and the history each comes from.
    """
    h, t = histories, histories.n_occasions
    alive_at = h.seen.copy()
    alive_at[np.arange(len(alive_at)), h.release] = True
    row, start = np.nonzero(alive_at)
    same = np.append(row[1:] == row[:-1], False) if len(row) else np.zeros(0, dtype=bool)
    end = np.where(same, np.append(start[1:], t), t) if len(row) else start
    keep = ~((end == t) & h.removed[row])
    row, start, end = row[keep], start[keep], end[keep]
    caught, scanned = np.zeros((len(row), t), dtype=bool), np.zeros((len(row), t), dtype=bool)
    met = end < t
    at = np.nonzero(met)[0]
    caught[at, end[met]] = h.caught[row[met], end[met]]
    scanned[at, end[met]] = h.scanned[row[met], end[met]]
    pieces = replace(
        h,
        caught=caught,
        scanned=scanned,
        release=start.astype(np.int64),
        number=h.number[row],
        removed=np.asarray(met),
    )
    return pieces, row.astype(np.int64)


def bootstrap_goodness(fit: FittedModel, n_replicates: int, generator: np.random.Generator) -> Bootstrap:
    """Simulate from the fitted model, fit again, and compare the distances of the tables.

    Releases, first and later, stay as observed; each is followed to its next encounter.

    Parameters
    ----------
    fit : FittedModel
        A fit; designs that depend on earlier encounters keep the values of the observed ones.
    n_replicates : int
        Simulations, 1 or more.
    generator : numpy.random.Generator
        Source of randomness.

    Raises
    ------
    ValueRangeError
        If nothing was fitted or `n_replicates` is below 1.

    References
    ----------
    .. [1] White, Burnham & Anderson (2001) on the bootstrap of overdispersion (from memory).
    """
    if n_replicates < 1:
        raise ValueRangeError(f"bootstrap: found {n_replicates} replicates. Expected 1 or more.")
    beta = fit.found.beta
    pieces, row = split_at_encounters(fit.model.histories)
    model = _rows(fit.model, pieces, row)
    released, observed = release_table(pieces)
    distance = table_distance(observed, expected_next_met(model, beta), released)
    one = np.repeat(np.arange(len(row)), pieces.number)
    single = replace(pieces.take(one), number=np.ones(len(one), dtype=np.int64))
    base = _rows(model, single, one)
    simulated = np.empty(n_replicates)
    for k in range(n_replicates):
        drawn = simulate_next_met(base, beta, generator)
        again = SurvivalModel(drawn, base.survival, base.detection).compressed()
        new = maximise(log_likelihood(again), np.clip(beta, -8, 8)).beta
        simulated[k] = table_distance(release_table(drawn)[1], expected_next_met(again, new), released)
    mean = float(simulated.mean())
    p = float((1 + (simulated >= distance).sum()) / (n_replicates + 1))
    how = f"distance of the table of next encounters over its mean in {n_replicates} simulations of the model"
    if mean <= 0:
        c_hat = Estimate.not_estimable("the model fits every simulation without error", how, fit.n_fish)
    else:
        low, high = np.quantile(simulated, [0.025, 0.975])
        c_hat = Estimate(
            distance / mean,
            float(distance / high) if high > 0 else 0.0,
            float(distance / low) if low > 0 else float("inf"),
            how,
            fit.n_fish,
        )
    return Bootstrap(distance, simulated, c_hat, p)


def _rows(model: SurvivalModel, histories: EncounterHistories, row: BigIntArray) -> SurvivalModel:
    s, p = (
        d if d.common else Design(d.names, np.ascontiguousarray(d.values[row]))
        for d in (model.survival, model.detection)
    )
    return SurvivalModel(histories, s, p, model.name)


def simulate_next_met(
    model: SurvivalModel, beta: FloatArray, generator: np.random.Generator
) -> EncounterHistories:
    """Draw the next encounter of every release of one fish each; fish end with it, as in `split_at_encounters`.

    Parameters
    ----------
    model : SurvivalModel
        Histories of one fish each, with designs.
    beta : ndarray, float64, shape (n_parameters,)
        Parameters.
    generator : numpy.random.Generator
        Source of randomness.
    """
    h = model.histories
    n, t = len(h.release), h.n_occasions - 1
    phi = np.broadcast_to(model.survival_values(beta) ** h.interval, (n, t))
    p = np.broadcast_to(model.detection_values(beta), (n, t))
    alive, met = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    caught = np.zeros((n, t + 1), dtype=bool)
    for j in range(t):
        started = h.release <= j
        alive &= ~started | (generator.random(n) < phi[:, j])
        now = started & alive & ~met & (generator.random(n) < p[:, j])
        caught[now, j + 1] = True
        met |= now
    return replace(h, caught=caught, scanned=np.zeros_like(caught), removed=met)


def worst_components(goodness: Goodness, level: float = 0.05) -> Sequence[str]:
    """Return the codes of the components that fail at this level."""
    return [c.name for c in goodness.components if c.p_value is not None and c.p_value < level]
