"""Ghost tags: tags of dead fish, or shed, that lie near a reader and look like perfect survivors.

A living fish moves between waters now and then, is scanned with some chance where it is, and dies with some chance;
a ghost lies where the fish died and is scanned there, and only there, whenever the reader works. Survival, movement
and all detection chances are estimated from the programme's own scans; the probability that a tag is a ghost follows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

TINY = 1e-300


@dataclass(frozen=True)
class GhostParameters:
    """What the scans tell of living fish and ghosts, all per occasion.

    Parameters
    ----------
    survival : float
        A fish lives on.
    movement : float
        A living fish chooses a water anew.
    destination : ndarray, float64, shape (n_sites,)
        Chance of each water when it does, summing to 1 within a set of connected waters.
    left_readable, stays_readable : float
        The tag of a dead fish is left near the reader; a ghost stays readable.
    scanned : ndarray, float64, shape (n_sites,)
        A living fish is scanned where it is, when the reader works.
    ghost_scanned : float
        A ghost is scanned when the reader at its place works.
    """

    survival: float
    movement: float
    destination: FloatArray
    left_readable: float
    stays_readable: float
    scanned: FloatArray
    ghost_scanned: float


@dataclass(frozen=True)
class GhostSuspicion:
    """How likely each tag is a ghost.

    Parameters
    ----------
    at_last_contact : ndarray, float64, shape (n_tags,)
        Probability that the last contact was with a ghost; 0 for a tag never scanned.
    at_end : ndarray, float64, shape (n_tags,)
        Probability that the tag is a readable ghost in the last occasion.
    since : ndarray, int64, shape (n_tags,)
        First occasion from which on the tag is more likely a ghost than not at every contact; -1 for none.
    parameters : GhostParameters
        As estimated.
    iterations : int
        Rounds of the estimation.
    expected : Estimate
        Expected number of tags whose last contact was a ghost.
    reason : str
        Why there is no judgement; empty when there is.
    """

    at_last_contact: FloatArray
    at_end: FloatArray
    since: BigIntArray
    parameters: GhostParameters
    iterations: int
    expected: Estimate
    reason: str = ""


@dataclass(frozen=True)
class SiteHistories:
    """Where each tag was met in each occasion.

    Parameters
    ----------
    release, release_site : ndarray, int64, shape (n_tags,)
        Occasion and water of release.
    scanned_at : ndarray, int64, shape (n_tags, n_occasions)
        Water where it was scanned, -1 where it was not; the last one when there were several.
    several : ndarray, bool, shape (n_tags, n_occasions)
        Scanned in more than one water in the occasion: a ghost cannot.
    caught_at : ndarray, int64, shape (n_tags, n_occasions)
        Water where the fish was in the hand alive, -1 where it was not.
    looked : ndarray, bool, shape (n_sites, n_occasions)
        Whether a reader worked.
    connected : ndarray, int64, shape (n_sites,)
        Set of connected waters each belongs to; fish move within a set.
    """

    release: BigIntArray
    release_site: BigIntArray
    scanned_at: BigIntArray
    several: BoolArray
    caught_at: BigIntArray
    looked: BoolArray
    connected: BigIntArray

    def __post_init__(self) -> None:
        n, t = self.scanned_at.shape
        if (
            self.caught_at.shape != (n, t)
            or self.several.shape != (n, t)
            or self.release.shape != (n,)
            or self.release_site.shape != (n,)
            or self.looked.shape[1] != t
            or self.connected.shape != (self.looked.shape[0],)
        ):
            raise ShapeError(
                "site histories: found arrays that do not fit. Expected one row per tag, one column per occasion, "
                "one set per water."
            )
        if n and max(self.scanned_at.max(), self.caught_at.max(), self.release_site.max()) >= len(
            self.looked
        ):
            raise ValueRangeError("site histories: found a water beyond those listed. Number waters from 0.")
        at, when = np.nonzero(self.scanned_at >= 0)
        if not self.looked[self.scanned_at[at, when], when].all():
            raise ValueRangeError(
                "site histories: found scans where no reader worked. Enter its deployment, or correct the dates."
            )


def site_histories(
    tag: npt.ArrayLike,
    occasion: npt.ArrayLike,
    site: npt.ArrayLike,
    caught: npt.ArrayLike,
    release: npt.ArrayLike,
    release_site: npt.ArrayLike,
    looked: npt.ArrayLike,
    connected: npt.ArrayLike | None = None,
) -> SiteHistories:
    """Build site histories from encounters in the order in which they happened.

    Parameters
    ----------
    tag, occasion, site : array_like of int, shape (n_encounters,)
        Tag, occasion and water of each; later ones of an occasion overwrite earlier ones.
    caught : array_like of bool, shape (n_encounters,)
        In the hand alive; otherwise scanned.
    release, release_site : array_like of int, shape (n_tags,)
        Occasion and water of release; encounters at or before it are left out.
    looked : array_like of bool, shape (n_sites, n_occasions)
        Whether a reader worked.
    connected : array_like of int, shape (n_sites,), optional
        Sets of connected waters; all connected when absent.

    Raises
    ------
    ShapeError, ValueRangeError
        As `SiteHistories`.
    """
    who, when, where = (np.asarray(x, np.int64) for x in (tag, occasion, site))
    hand, start = np.asarray(caught, bool), np.asarray(release, np.int64)
    work = np.asarray(looked, bool)
    n, t = len(start), work.shape[1]
    use = when > start[who]
    who, when, where, hand = who[use], when[use], where[use], hand[use]
    scanned_at, caught_at = np.full((n, t), -1, dtype=np.int64), np.full((n, t), -1, dtype=np.int64)
    scanned_at[who[~hand], when[~hand]] = where[~hand]
    caught_at[who[hand], when[hand]] = where[hand]
    several = np.zeros((n, t), dtype=bool)
    differs = (~hand) & (scanned_at[who, when] != where)
    several[who[differs], when[differs]] = True
    sets = np.zeros(len(work), dtype=np.int64) if connected is None else np.asarray(connected, np.int64)
    return SiteHistories(
        start, np.asarray(release_site, np.int64), scanned_at, several, caught_at, work, sets
    )


def suspect_ghosts(
    histories: SiteHistories,
    most_iterations: int = 200,
    tolerance: float = 1e-5,
    known: GhostParameters | None = None,
) -> GhostSuspicion:
    """Return how likely each tag is a ghost, with everything estimated from the scans.

    Expectation and maximisation over hidden states: living in each water, lying readable in each, or gone. A fish in
    the hand is alive there. Missed hand captures are not used, so few captures do no harm. Each chance has the weak
    prior of one success and one failure.

    Parameters
    ----------
    histories : SiteHistories
        Where each tag was met.
    most_iterations : int
        Most rounds.
    tolerance : float
        Largest change of a chance at which the rounds end.
    known : GhostParameters, optional
        Chances known from elsewhere (an earlier, larger set of scans), used as they are; estimated when absent.

    Returns
    -------
    GhostSuspicion
        Suspicion, never proof. In a water without neighbours nothing moves, and only the chance to be scanned tells
        a ghost from a fish: suspicion there leans on ghosts being scanned more steadily.

    References
    ----------
    .. [1] Baum, Petrie, Soules & Weiss (1970), Annals of Mathematical Statistics 41:164-171 (from memory).
    """
    h = histories
    n, t = h.scanned_at.shape
    s = len(h.looked)
    start = GhostParameters(0.9, 0.2, _even(h.connected), 0.3, 0.9, np.full(s, 0.3), 0.8)
    nothing = "no tag was scanned after its release"
    if n == 0 or not (h.scanned_at >= 0).any():
        zero = np.zeros(n)
        none = Estimate.not_estimable(nothing, unit_used="tags")
        return GhostSuspicion(zero, zero, np.full(n, -1, np.int64), start, 0, none, nothing)
    now, rounds = start if known is None else known, 0
    while known is None and rounds < most_iterations:
        rounds += 1
        new, _, _ = _round(h, now, False)
        change = max(
            abs(new.survival - now.survival),
            abs(new.movement - now.movement),
            abs(new.left_readable - now.left_readable),
            abs(new.stays_readable - now.stays_readable),
            abs(new.ghost_scanned - now.ghost_scanned),
            float(np.abs(new.scanned - now.scanned).max()),
        )
        now = new
        if change < tolerance:
            break
    _, ghost, _ = _round(h, now, True)
    met = (h.scanned_at >= 0) | (h.caught_at >= 0)
    last = np.where(met.any(axis=1), t - 1 - np.argmax(met[:, ::-1], axis=1), 0)
    at_last = np.where(met.any(axis=1), ghost[np.arange(n), last], 0.0)
    # walking back from the last contact, the run of contacts that are more likely a ghost's
    likely = np.where(met, ghost > 0.5, True)
    run = np.cumprod(likely[:, ::-1], axis=1)[:, ::-1].astype(bool) & met
    since = np.where(run.any(axis=1), np.argmax(run, axis=1), -1).astype(np.int64)
    total, spread = float(at_last.sum()), float(np.sqrt((at_last * (1 - at_last)).sum()))
    expected = Estimate(
        total,
        max(total - 1.959964 * spread, 0.0),
        total + 1.959964 * spread,
        "sum of the probabilities of single tags under the model of no movement; normal interval",
        n,
        "tags",
        note="the spread of the estimated chances themselves is not in the interval",
    )
    return GhostSuspicion(at_last, ghost[:, -1], since, now, rounds, expected)


def _even(connected: BigIntArray) -> FloatArray:
    return 1.0 / np.bincount(connected)[connected]


def _emissions(h: SiteHistories, p: GhostParameters, j: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chance of what was seen in occasion j: living and ghost in each water, and gone."""
    sites = np.arange(len(h.looked))
    at, hand = h.scanned_at[:, j], h.caught_at[:, j]
    here = at[:, None] == sites
    nowhere = (at < 0)[:, None]
    work = h.looked[:, j].astype(np.float64)
    live = np.where(here, p.scanned, np.where(nowhere, 1 - p.scanned * work, 0.0))
    ghost = np.where(here, p.ghost_scanned, np.where(nowhere, 1 - p.ghost_scanned * work, 0.0))
    in_hand = hand >= 0
    # in the hand at one water and scanned at another in one occasion: alive where it was scanned last
    live = np.where((in_hand & (at < 0))[:, None], (hand[:, None] == sites) * (1 - p.scanned * work), live)
    ghost[in_hand | h.several[:, j]] = 0.0
    gone = ((at < 0) & ~in_hand).astype(np.float64)
    return live, ghost, gone


def _round(h: SiteHistories, p: GhostParameters, keep: bool) -> tuple[GhostParameters, FloatArray, float]:
    """One round: expected counts under `p`, the chances they give, ghost probabilities, log likelihood."""
    n, t = h.scanned_at.shape
    s = len(h.looked)
    same = (h.connected[:, None] == h.connected[None, :]).astype(np.float64)
    phi, m, g, r = p.survival, p.movement, p.left_readable, p.stays_readable
    a, q, x = np.zeros((t, n, s)), np.zeros((t, n, s)), np.zeros((t, n))
    a[0][np.arange(n), h.release_site] = 1.0
    scale = np.ones((t, n))
    emitted = [_emissions(h, p, j) for j in range(t)]
    for j in range(1, t):
        live, ghost, gone = emitted[j]
        on = h.release < j
        la, lq = a[j - 1], q[j - 1]
        na = phi * ((1 - m) * la + m * p.destination * (la @ same)) * live
        nq = ((1 - phi) * g * la + r * lq) * ghost
        nx = ((1 - phi) * (1 - g) * la.sum(axis=1) + (1 - r) * lq.sum(axis=1) + x[j - 1]) * gone
        size = np.maximum(na.sum(axis=1) + nq.sum(axis=1) + nx, TINY)
        scale[j] = np.where(on, size, 1.0)
        a[j] = np.where(on[:, None], na / size[:, None], la)
        q[j] = np.where(on[:, None], nq / size[:, None], lq)
        x[j] = np.where(on, nx / size, x[j - 1])
    ba, bq, bx = np.ones((n, s)), np.ones((n, s)), np.ones(n)
    ghost_at = np.zeros((n, t)) if keep else np.zeros((0, 0))
    stay = moves = left = vanish = still = fade = 0.0
    arrive = np.zeros(s)
    hit, tried = np.ones(s), np.full(s, 2.0)
    ghost_hit, ghost_tried = 1.0, 2.0
    for j in range(t - 1, 0, -1):
        live, ghost, gone = emitted[j]
        on = h.release < j
        if keep:
            ghost_at[:, j] = np.where(on, (q[j] * bq).sum(axis=1), 0.0)
        ga, gq = (a[j] * ba)[on], (q[j] * bq)[on]
        seen = (h.scanned_at[on, j][:, None] == np.arange(s)).astype(np.float64)
        work = h.looked[:, j]
        hit += (ga * seen).sum(axis=0)
        tried += (ga.sum(axis=0)) * work
        ghost_hit += float((gq * seen).sum())
        ghost_tried += float((gq * work).sum())
        fa, fq, fx = live * ba, ghost * bq, gone * bx
        u = np.where(on, 1 / scale[j], 0.0)[:, None]
        la, lq = a[j - 1], q[j - 1]
        stay += float((u * la * phi * (1 - m) * fa).sum())
        came = (u * (la @ same) * phi * m * p.destination * fa).sum(axis=0)
        arrive += came
        moves += float(came.sum())
        left += float((u * la * (1 - phi) * g * fq).sum())
        vanish += float((u[:, 0] * la.sum(axis=1) * (1 - phi) * (1 - g) * fx).sum())
        still += float((u * lq * r * fq).sum())
        fade += float((u[:, 0] * lq.sum(axis=1) * (1 - r) * fx).sum())
        na = phi * ((1 - m) * fa + m * ((p.destination * fa) @ same)) + (1 - phi) * (
            g * fq + (1 - g) * fx[:, None]
        )
        nq = r * fq + (1 - r) * fx[:, None]
        ba = np.where(on[:, None], na / scale[j][:, None], ba)
        bq = np.where(on[:, None], nq / scale[j][:, None], bq)
        bx = np.where(on, fx / scale[j], bx)
    arrived = arrive + 1.0
    within = np.bincount(h.connected, weights=arrived)[h.connected]
    alive, dead = stay + moves, left + vanish
    new = GhostParameters(
        (alive + 1) / (alive + dead + 2),
        (moves + 1) / (alive + 2),
        arrived / within,
        (left + 1) / (dead + 2),
        (still + 1) / (still + fade + 2),
        hit / tried,
        ghost_hit / ghost_tried,
    )
    return new, ghost_at, float(np.log(scale).sum())
