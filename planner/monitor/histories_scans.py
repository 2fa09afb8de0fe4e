"""From raw contacts of remote readers to one row per tag, site and day; marker tags and clocks that are wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError

DAY = 86_400
HOUR = 3_600
MOST_SHIFT_H = 26
"""Largest error of a clock looked for, in hours: a time zone or a day."""


@dataclass(frozen=True)
class TagSiteDays:
    """Contacts collapsed to one row per tag, site and day, in that order.

    Parameters
    ----------
    tag, site, day : ndarray, int64, shape (n,)
        Codes of tag and site as given, and the day.
    contacts : ndarray, int64, shape (n,)
        Contacts behind each row.
    """

    tag: BigIntArray
    site: BigIntArray
    day: BigIntArray
    contacts: BigIntArray


@dataclass(frozen=True)
class ClockFault:
    """A reader whose contacts lie outside its deployment.

    Parameters
    ----------
    deployment : int
        Its code.
    n_contacts, n_outside : int
        All contacts, and those outside the deployment.
    shift_h : int or None
        Smallest whole number of hours that, taken from its clock, puts every contact inside; None when none does.
    """

    deployment: int
    n_contacts: int
    n_outside: int
    shift_h: int | None

    def text(self) -> str:
        """Return what was found and what to do, in words."""
        head = f"deployment {self.deployment}: {self.n_outside} of {self.n_contacts} contacts outside it. "
        if self.shift_h is None:
            return head + "No shift of its clock by whole hours explains them: check its start, end and date."
        return head + f"A clock {abs(self.shift_h)} h {'fast' if self.shift_h > 0 else 'slow'} explains them."


def tag_site_days(tag: npt.ArrayLike, site: npt.ArrayLike, day: npt.ArrayLike) -> TagSiteDays:
    """Collapse contacts to one row per tag, site and day.

    Parameters
    ----------
    tag, site, day : array_like of int, shape (n_contacts,)
        Codes 0 or more of tag and site, and days (any origin).

    Raises
    ------
    ShapeError
        If they differ in length.
    ValueRangeError
        If a code is negative: take unknown tags out, or give each its own code.
    """
    t, s, d = (np.asarray(x, np.int64) for x in (tag, site, day))
    if not len(t) == len(s) == len(d):
        raise ShapeError(
            f"contacts: found {len(t)} tags, {len(s)} sites, {len(d)} days. Expected as many each."
        )
    if not len(t):
        none = np.zeros(0, dtype=np.int64)
        return TagSiteDays(none, none, none, none)
    if min(t.min(), s.min()) < 0:
        raise ValueRangeError("contacts: found a negative code of tag or site. Expected 0 or more.")
    n_site, first = int(s.max()) + 1, int(d.min())
    n_day = int(d.max()) - first + 1
    if (int(t.max()) + 1) * n_site * n_day >= 2**62:
        raise ValueRangeError("contacts: codes too large to join. Number tags and sites from 0 without gaps.")
    key, contacts = np.unique((t * n_site + s) * n_day + (d - first), return_counts=True)
    rest, days = np.divmod(key, n_day)
    tags, sites = np.divmod(rest, n_site)
    return TagSiteDays(tags, sites, days + first, contacts.astype(np.int64))


def looks_like_marker(
    tag: npt.ArrayLike, second: npt.ArrayLike, fewest: int = 100, share: float = 0.8
) -> BigIntArray:
    """Return the tags whose contacts come at a fixed beat, as those of a test tag fixed to the antenna do.

    Parameters
    ----------
    tag : array_like of int, shape (n_contacts,)
        Tag of each contact.
    second : array_like of int or float, shape (n_contacts,)
        Time of each, seconds.
    fewest : int
        Contacts a tag needs before it is judged.
    share : float
        Share of the gaps between contacts that must lie within 5 % (or 2 seconds) of the tag's median gap. A median
        gap below 10 seconds does not count: any tag resting near an antenna is read that often.

    Returns
    -------
    ndarray, int64
        Suspected marker tags in increasing order. Common practice, no published source: look before leaving out.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    """
    t, x = np.asarray(tag, np.int64), np.asarray(second, np.float64)
    if len(t) != len(x):
        raise ShapeError(f"contacts: found {len(t)} tags and {len(x)} times. Expected as many each.")
    order = np.lexsort((x, t))
    t, x = t[order], x[order]
    same = t[1:] == t[:-1]
    owner, gap = t[1:][same], np.diff(x)[same]
    if not len(owner):
        return np.zeros(0, dtype=np.int64)
    order = np.lexsort((gap, owner))
    owner, gap = owner[order], gap[order]
    tags, start, count = np.unique(owner, return_index=True, return_counts=True)
    middle = gap[start + count // 2]
    near = np.abs(gap - np.repeat(middle, count)) <= np.maximum(2.0, 0.05 * np.repeat(middle, count))
    steady = np.add.reduceat(near.astype(np.float64), start) / count
    return tags[(count + 1 >= fewest) & (steady >= share) & (middle >= 10)]


def clock_faults(
    deployment: npt.ArrayLike, second: npt.ArrayLike, start: npt.ArrayLike, end: npt.ArrayLike
) -> tuple[list[ClockFault], BoolArray]:
    """Find readers whose contacts lie outside their deployment, and the shift that would explain it.

    Parameters
    ----------
    deployment : array_like of int, shape (n_contacts,)
        Deployment of each contact, 0 to ``n_deployments - 1``.
    second : array_like of int or float, shape (n_contacts,)
        Time by the reader's clock, seconds.
    start, end : array_like of int or float, shape (n_deployments,)
        Time the reader was put out and taken in by a clock known to be right, seconds.

    Returns
    -------
    tuple of list of ClockFault and ndarray of bool
        The faults, and for every contact whether it lies outside its deployment. Nothing is corrected. A shift that
        leaves every contact inside cannot be found from the deployment alone.

    Raises
    ------
    ShapeError
        If arrays that belong together differ in length.
    """
    d, x = np.asarray(deployment, np.int64), np.asarray(second, np.float64)
    a, b = np.asarray(start, np.float64), np.asarray(end, np.float64)
    if len(d) != len(x) or len(a) != len(b):
        raise ShapeError("contacts: found arrays of different lengths. Expected one time per contact.")
    outside = (x < a[d]) | (x > b[d])
    n = np.bincount(d, minlength=len(a))
    n_outside = np.bincount(d[outside], minlength=len(a))
    low, high = np.full(len(a), np.inf), np.full(len(a), -np.inf)
    np.minimum.at(low, d, x)
    np.maximum.at(high, d, x)
    faults = []
    for i in np.nonzero(n_outside)[0]:
        shifts = sorted(range(-MOST_SHIFT_H, MOST_SHIFT_H + 1), key=abs)
        fit = [s for s in shifts if a[i] <= low[i] - s * HOUR and high[i] - s * HOUR <= b[i]]
        faults.append(ClockFault(int(i), int(n[i]), int(n_outside[i]), fit[0] if fit else None))
    return faults, np.asarray(outside)


def occasion_of(day: npt.ArrayLike, edges: npt.ArrayLike) -> BigIntArray:
    """Return the occasion of each day, -1 outside all.

    Parameters
    ----------
    day : array_like of int or float
        Days.
    edges : array_like of int or float, shape (n_occasions + 1,)
        First day of each occasion, then the day after the last; increasing.

    Raises
    ------
    ValueRangeError
        If the edges do not increase.
    """
    x, e = np.asarray(day, np.float64), np.asarray(edges, np.float64)
    if len(e) < 2 or np.any(np.diff(e) <= 0):
        raise ValueRangeError(
            "occasions: found first days that do not increase. Expected at least two, in order."
        )
    out = np.searchsorted(e, x, side="right") - 1
    return np.where(out >= len(e) - 1, -1, out).astype(np.int64)


def effort_per_occasion(
    start: npt.ArrayLike, end: npt.ArrayLike, hours: npt.ArrayLike, edges: npt.ArrayLike
) -> FloatArray:
    """Return the hours worked in each occasion; work across an edge is shared by time.

    Parameters
    ----------
    start, end : array_like of float, shape (n,)
        First and last moment of each deployment or set, days; the end is not before the start.
    hours : array_like of float, shape (n,)
        Hours listened or fished in it.
    edges : array_like of float, shape (n_occasions + 1,)
        As in `occasion_of`.

    Returns
    -------
    ndarray, float64, shape (n_occasions,)

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If an end lies before its start or hours are missing or negative.
    """
    a, b, h = (np.asarray(x, np.float64) for x in (start, end, hours))
    e = np.asarray(edges, np.float64)
    if not len(a) == len(b) == len(h):
        raise ShapeError("effort: found arrays of different lengths. Expected one start, end and hours each.")
    if np.any(b < a) or not np.isfinite(h).all() or np.any(h < 0):
        raise ValueRangeError("effort: found an end before its start, or hours missing or negative.")
    length = b - a
    overlap = np.minimum(b[:, None], e[None, 1:]) - np.maximum(a[:, None], e[None, :-1])
    share = np.maximum(overlap, 0) / np.where(length > 0, length, 1.0)[:, None]
    moment = length == 0
    if moment.any():
        share[moment] = 0.0
        at = occasion_of(a[moment], e)
        rows = np.nonzero(moment)[0]
        share[rows[at >= 0], at[at >= 0]] = 1.0
    return np.asarray(h @ share)
