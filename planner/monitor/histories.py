"""Encounter histories: who was released when, and in which later occasions each fish was caught or scanned."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError

KINDS = ("caught", "scanned")
"""Ways to meet a fish, in the order of the columns of effort: in the hand, by a remote reader."""


@dataclass(frozen=True)
class EncounterHistories:
    """Encounter histories of released, individually known fish.

    Parameters
    ----------
    caught, scanned : ndarray, bool, shape (n_histories, n_occasions)
        Met in the hand, met by a remote reader. Nothing is True at or before the release occasion.
    release : ndarray, int64, shape (n_histories,)
        Occasion of the first release, 0 to ``n_occasions - 1``.
    number : ndarray, int64, shape (n_histories,)
        Fish that share the history.
    removed : ndarray, bool, shape (n_histories,)
        The fish was not put back after its last encounter (died in the net, taken to a station).
    interval : ndarray, float64, shape (n_occasions - 1,)
        Time from each occasion to the next, in the unit survival is to be told per (years, as a rule).
    effort : ndarray, float64, shape (n_occasions, 2)
        Effort in the hand and by readers, hours. 0 says nobody looked: a fish cannot be met there.
    before_release : ndarray, int64, shape (n,)
        Row of each encounter that lay before its fish was released, as found; left out of the histories.
    notes : tuple of str
        What was left out, in words.
    """

    caught: BoolArray
    scanned: BoolArray
    release: BigIntArray
    number: BigIntArray
    removed: BoolArray
    interval: FloatArray
    effort: FloatArray
    before_release: BigIntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n, t = self.caught.shape
        shapes = {
            "scanned": (n, t),
            "release": (n,),
            "number": (n,),
            "removed": (n,),
            "interval": (max(t - 1, 0),),
            "effort": (t, 2),
        }
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise ShapeError(f"{name}: found shape {getattr(self, name).shape}. Expected {shape}.")
        if np.any(self.interval <= 0):
            raise ValueRangeError(
                "interval: found an interval of no length. Expected every occasion after the one before it."
            )
        if n and (self.release.min() < 0 or self.release.max() >= t):
            raise ValueRangeError(f"release: found an occasion outside 0 to {t - 1}. Correct the occasions.")
        early = self.seen & (np.arange(t) <= self.release[:, None])
        if early.any():
            raise ValueRangeError(
                f"histories: found {int(early.any(axis=1).sum())} fish met at or before their release. "
                "Expected encounters after it. Build the histories with encounter_histories, which lists them."
            )

    @property
    def seen(self) -> BoolArray:
        """Met in any way, shape (n_histories, n_occasions)."""
        return np.asarray(self.caught | self.scanned)

    @property
    def looked(self) -> BoolArray:
        """Whether anybody looked in each occasion, shape (n_occasions,)."""
        return np.asarray((self.effort > 0).any(axis=1))

    @property
    def last(self) -> BigIntArray:
        """Occasion in which each fish was last known alive, release or encounter; shape (n_histories,)."""
        t = np.arange(self.n_occasions)
        return np.maximum(np.where(self.seen, t, -1).max(axis=1, initial=-1), self.release)

    @property
    def n_occasions(self) -> int:
        """Occasions, that of the first release among them."""
        return int(self.caught.shape[1])

    @property
    def n_fish(self) -> int:
        """Fish behind the histories."""
        return int(self.number.sum())

    @property
    def n_releases(self) -> int:
        """Releases and re-releases that could be followed by an encounter: the sample size of small-sample AIC."""
        alive_at = self.seen.copy()
        alive_at[np.arange(len(alive_at)), self.release] = True
        taken = np.zeros_like(alive_at)
        taken[np.arange(len(alive_at)), self.last] = self.removed
        return int(((alive_at & ~taken)[:, :-1].sum(axis=1) * self.number).sum())

    def only(self, kind: str) -> EncounterHistories:
        """Return the histories of one kind of encounter.

        Parameters
        ----------
        kind : {'caught', 'scanned'}
            Kind to keep; effort of the other becomes 0.

        Raises
        ------
        ValueRangeError
            If the kind is not one of these.
        """
        if kind not in KINDS:
            raise ValueRangeError(f"kind of encounter: found '{kind}'. Expected one of: {', '.join(KINDS)}.")
        empty = np.zeros_like(self.caught)
        effort = self.effort.copy()
        effort[:, 1 - KINDS.index(kind)] = 0.0
        return replace(
            self,
            caught=self.caught if kind == "caught" else empty,
            scanned=self.scanned if kind == "scanned" else empty,
            effort=effort,
        )

    def take(self, rows: npt.ArrayLike) -> EncounterHistories:
        """Return the histories of these rows (indices or a mask)."""
        index = np.asarray(rows)
        return replace(
            self,
            caught=self.caught[index],
            scanned=self.scanned[index],
            release=self.release[index],
            number=self.number[index],
            removed=self.removed[index],
        )


def encounter_histories(
    fish: npt.ArrayLike,
    occasion: npt.ArrayLike,
    by_scan: npt.ArrayLike,
    release: npt.ArrayLike,
    n_occasions: int,
    interval: npt.ArrayLike | None = None,
    effort: npt.ArrayLike | None = None,
    removed: npt.ArrayLike | None = None,
    refuse_early: bool = False,
) -> EncounterHistories:
    """Build the histories of released fish from their encounters.

    Parameters
    ----------
    fish : array_like of int, shape (n_encounters,)
        Fish of each encounter, 0 to ``n_fish - 1``; -1 for a tag that was never released, left out and counted.
    occasion : array_like of int, shape (n_encounters,)
        Occasion of each encounter, 0 to ``n_occasions - 1``; -1 outside all occasions, left out and counted.
    by_scan : array_like of bool, shape (n_encounters,)
        True for a remote reader, False in the hand.
    release : array_like of int, shape (n_fish,)
        Occasion of the release of each fish.
    n_occasions : int
        Number of occasions.
    interval : array_like of float, shape (n_occasions - 1,), optional
        Time between occasions; all 1 when absent.
    effort : array_like of float, shape (n_occasions, 2), optional
        Hours in the hand and by readers. When absent, a kind that met any fish at all counts as looked for in every
        occasion.
    removed : array_like of bool, shape (n_fish,), optional
        Not put back after the last encounter.
    refuse_early : bool
        Raise when a fish was met before its release instead of leaving the encounter out with a note.

    Returns
    -------
    EncounterHistories
        Encounters of the release occasion itself say nothing of survival and are left out.

    Raises
    ------
    ShapeError
        If arrays that belong together differ in length.
    ValueRangeError
        If there are fewer than two occasions, an index lies outside its range, fish were met where the effort is
        zero, or, with `refuse_early`, a fish was met before its release.
    """
    who, when, scan = np.asarray(fish, np.int64), np.asarray(occasion, np.int64), np.asarray(by_scan, bool)
    start = np.asarray(release, np.int64)
    if not len(who) == len(when) == len(scan):
        raise ShapeError(
            f"encounters: found {len(who)} fish, {len(when)} occasions, {len(scan)} kinds. Expected as many each."
        )
    if n_occasions < 2:
        raise ValueRangeError(
            f"occasions: found {n_occasions}. Expected at least 2: survival is what lies between two occasions."
        )
    if len(who) and (who.max() >= len(start) or who.min() < -1):
        raise ValueRangeError(
            f"fish: found a number outside -1 to {len(start) - 1}. Correct the fish numbers."
        )
    if len(when) and (when.max() >= n_occasions or when.min() < -1):
        raise ValueRangeError(
            f"occasion: found a number outside -1 to {n_occasions - 1}. Correct the occasions."
        )
    notes = []
    known, inside = who >= 0, when >= 0
    if not known.all():
        notes.append(f"{int((~known).sum())} encounters of tags without a release left out")
    if not inside[known].all():
        notes.append(f"{int((known & ~inside).sum())} encounters outside all occasions left out")
    use = known & inside
    early = np.zeros(len(who), dtype=bool)
    early[use] = when[use] < start[who[use]]
    if early.any():
        rows = np.nonzero(early)[0]
        shown = ", ".join(str(int(who[r])) for r in rows[:5])
        text = (
            f"{len(rows)} encounters of {len(np.unique(who[rows]))} fish before their release (fish {shown}"
        )
        text += ", ...)" if len(rows) > 5 else ")"
        if refuse_early:
            raise ValueRangeError(
                f"encounters: found {text}. Expected encounters after the release. Check the tags and the dates."
            )
        notes.append(text + " left out; check the tags and the dates")
    same = np.zeros(len(who), dtype=bool)
    same[use] = when[use] == start[who[use]]
    use &= ~early & ~same
    hours = _effort(effort, n_occasions, scan[use])
    blind = use & (hours[np.maximum(when, 0), scan.astype(np.int64)] <= 0)
    if blind.any():
        first = np.nonzero(blind)[0][0]
        raise ValueRangeError(
            f"effort, occasion {int(when[first])}: found {int(blind.sum())} fish {KINDS[int(scan[first])]} where the "
            "effort is 0. Expected effort above 0 wherever a fish was met. Enter the effort."
        )
    met = np.zeros((2, len(start), n_occasions), dtype=bool)
    met[scan[use].astype(np.int64), who[use], when[use]] = True
    gaps = np.ones(n_occasions - 1) if interval is None else np.asarray(interval, np.float64)
    gone = np.zeros(len(start), dtype=bool) if removed is None else np.asarray(removed, bool)
    return EncounterHistories(
        met[0],
        met[1],
        start,
        np.ones(len(start), dtype=np.int64),
        gone,
        gaps,
        hours,
        np.nonzero(early)[0].astype(np.int64),
        tuple(notes),
    )


def _effort(effort: npt.ArrayLike | None, n_occasions: int, scan: BoolArray) -> FloatArray:
    if effort is None:
        hours = np.zeros((n_occasions, 2))
        hours[:, 0] = float(not scan.all() or not len(scan))
        hours[:, 1] = float(scan.any())
        return hours
    hours = np.asarray(effort, np.float64)
    if hours.shape != (n_occasions, 2):
        raise ShapeError(f"effort: found shape {hours.shape}. Expected ({n_occasions}, 2): hand and readers.")
    if not (np.isfinite(hours).all() and (hours >= 0).all()):
        raise ValueRangeError("effort: found a missing or negative number. Expected hours, 0 or more.")
    return hours


def compress(
    histories: EncounterHistories, *covariates: npt.ArrayLike
) -> tuple[EncounterHistories, BigIntArray]:
    """Join fish with the same history and the same covariates: sufficient statistics of the likelihood.

    Parameters
    ----------
    histories : EncounterHistories
        Histories, one or more fish each.
    *covariates : array_like of numbers, shape (n_histories,) or (n_histories, k)
        Values that must agree for two fish to be joined.

    Returns
    -------
    tuple of EncounterHistories and ndarray of int64
        The different histories with their numbers of fish, and for each the row of one fish that has it.

    Raises
    ------
    ShapeError
        If a covariate has another length.
    """
    n = len(histories.release)
    parts = [
        np.packbits(histories.caught, axis=1),
        np.packbits(histories.scanned, axis=1),
        np.ascontiguousarray(histories.release[:, None]).view(np.uint8),
        histories.removed[:, None].view(np.uint8),
    ]
    for values in covariates:
        block = np.asarray(values, np.float64).reshape(len(np.asarray(values)), -1) + 0.0
        if len(block) != n:
            raise ShapeError(f"covariate: found {len(block)} values. Expected {n}, one per history.")
        parts.append(np.ascontiguousarray(block).view(np.uint8))
    table = np.ascontiguousarray(np.hstack(parts))
    keys = table.view(np.dtype((np.void, table.shape[1]))).ravel()
    _, row, inverse = np.unique(keys, return_index=True, return_inverse=True)
    number = np.bincount(inverse.ravel(), weights=histories.number, minlength=len(row)).astype(np.int64)
    return replace(histories.take(row), number=number), row.astype(np.int64)


def histories_of_table(
    released: npt.ArrayLike, next_met: npt.ArrayLike, interval: npt.ArrayLike | None = None
) -> EncounterHistories:
    """Return histories that hold the same information as a table of releases and next encounters.

    Each release, first or later, becomes its own history that ends at the next encounter: the likelihood of survival
    and detection is the same, because it depends on the table only when fish of all releases are alike.

    Parameters
    ----------
    released : array_like of int, shape (n_occasions - 1,)
        Fish released or re-released in each occasion but the last.
    next_met : array_like of int, shape (n_occasions - 1, n_occasions - 1)
        Row i, column j: of those released in occasion i, fish next met in occasion j + 1. 0 below the diagonal.
    interval : array_like of float, optional
        Time between occasions; all 1 when absent.

    Raises
    ------
    ValueRangeError
        If more fish were met than released, or met before their release.

    References
    ----------
    .. [1] Burnham, Anderson, White, Brownie & Pollock (1987), American Fisheries Society Monograph 5.
    """
    r, m = np.asarray(released, np.int64), np.asarray(next_met, np.int64)
    if m.shape != (len(r), len(r)):
        raise ShapeError(f"table: found shape {m.shape}. Expected ({len(r)}, {len(r)}).")
    if np.tril(m, -1).any() or (m < 0).any() or (m.sum(axis=1) > r).any():
        raise ValueRangeError("table: found more fish met than released, or fish met before their release.")
    t = len(r) + 1
    i, j = np.nonzero(m)
    rows = [(a, b + 1, int(m[a, b])) for a, b in zip(i, j, strict=True)]
    rows += [(a, -1, int(r[a] - m[a].sum())) for a in range(len(r)) if r[a] > m[a].sum()]
    caught = np.zeros((len(rows), t), dtype=bool)
    for row, (_, met, _) in enumerate(rows):
        if met > 0:
            caught[row, met] = True
    return EncounterHistories(
        caught,
        np.zeros_like(caught),
        np.array([a for a, _, _ in rows], dtype=np.int64),
        np.array([n for _, _, n in rows], dtype=np.int64),
        np.array([met > 0 for _, met, _ in rows]),
        np.ones(t - 1) if interval is None else np.asarray(interval, np.float64),
        np.column_stack([np.ones(t), np.zeros(t)]),
    )


def release_table(histories: EncounterHistories) -> tuple[BigIntArray, BigIntArray]:
    """Return releases by occasion and the table of next encounters.

    Returns
    -------
    tuple of ndarray
        ``released``, int64, shape (n_occasions - 1,), and ``next_met``, int64, shape (n_occasions - 1,
        n_occasions - 1), as in `histories_of_table`.
    """
    t = histories.n_occasions
    released, met = np.zeros(t - 1, dtype=np.int64), np.zeros((t - 1, t - 1), dtype=np.int64)
    seen, last = histories.seen, histories.last
    previous = histories.release.copy()
    for j in range(t):
        new = histories.release == j
        if j < t - 1:
            stays = (new | seen[:, j]) & ~(histories.removed & (last == j))
            released[j] = histories.number[stays].sum()
        again = seen[:, j]
        if again.any():
            met[:, j - 1] = np.bincount(
                previous[again], weights=histories.number[again], minlength=t - 1
            ).astype(np.int64)
            previous[again] = j
    return released, met
