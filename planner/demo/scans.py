"""Remote readers: deployments, days on which tags were read, ghost tags, a marker tag, and every contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, IntArray
from planner.demo.captures import Swimmers
from planner.demo.days import day
from planner.demo.life import FIRST_YEAR
from planner.demo.parameters import SITE_DETECTION, TRUTH
from planner.demo.scale import Scale
from planner.demo.waters import SITE_CODES

FIRST_SCAN_YEAR = 2019
_SPELLS = (("01-08", "03-15"), ("03-20", "05-25"), ("06-01", "08-10"), ("08-15", "10-18"), ("10-26", "12-18"))
"""Five spells a year; readers are serviced between them and stand still over the turn of the year."""
_END = "2024-10-18"
_HOUR = 3600


@dataclass
class Reading:
    """A tag that can be read, and from when to when its fish carries it alive."""

    code: np.ndarray
    swimmer: BigIntArray
    start: IntArray
    end: IntArray


@dataclass
class Deployments:
    """Spells of one reader at one site; `first` and `last` are the full days inside.

    Attributes
    ----------
    name : list of str
        Names.
    site : ndarray, int8
        Position in `SITE_CODES`.
    start, stop : ndarray, int64
        Seconds since 1970 on the local clock.
    first, last : ndarray, int32
        First and last full day.
    fast : int
        Deployment whose clock runs one hour fast.
    """

    name: list[str]
    site: np.ndarray
    start: BigIntArray
    stop: BigIntArray
    first: IntArray
    last: IntArray
    fast: int


@dataclass
class Contacts:
    """All contacts, by deployment and time.

    Attributes
    ----------
    deployment : ndarray, int32
        Position in `Deployments`.
    second : ndarray, int64
        Seconds since 1970 on the reader's clock.
    tag : ndarray, int32
        Position in `codes`.
    codes : ndarray, object
        Different tags.
    n_days : int
        Different tags x sites x days, marker tag left out.
    """

    deployment: IntArray
    second: BigIntArray
    tag: IntArray
    codes: np.ndarray
    n_days: int

    def __len__(self) -> int:
        return len(self.second)


def deploy(scale: Scale, rng: np.random.Generator) -> Deployments:
    """Put readers out in five spells a year at every site that has one."""
    names: list[str] = []
    site, start, stop, first, last = [], [], [], [], []
    first_year = FIRST_SCAN_YEAR if scale.name == "full" else 2023
    for code in SITE_DETECTION:
        if code not in scale.sites:
            continue
        for year in range(first_year, scale.last_year + 1):
            for k, (a, b) in enumerate(_SPELLS):
                begin = day(f"{year}-{a}") + int(rng.integers(0, 3))
                finish = min(day(f"{year}-{b}") - int(rng.integers(0, 2)), day(_END))
                if finish - begin < 20:
                    continue
                names.append(f"D-{code}-{year % 100:02d}{'abcde'[k]}")
                site.append(SITE_CODES.index(code))
                start.append(begin * 86400 + 9 * _HOUR + int(rng.integers(0, 6)) * 600)
                stop.append(finish * 86400 + 13 * _HOUR + int(rng.integers(0, 6)) * 600)
                first.append(begin + 1)
                last.append(finish - 1)
    # The reader before the dam was put out in the last spring with its clock on summer time.
    fast = names.index("D-DP-24b" if "D-DP-24b" in names else "D-BB-24b")
    return Deployments(
        names,
        np.array(site, dtype=np.int8),
        np.array(start),
        np.array(stop),
        np.array(first, dtype=np.int32),
        np.array(last, dtype=np.int32),
        fast,
    )


def deployment_table(spells: Deployments) -> pd.DataFrame:
    """Return the table of deployments, all clocks noted as seven hours behind UTC."""
    return pd.DataFrame(
        {
            "deployment_id": spells.name,
            "site_id": [SITE_CODES[s] for s in spells.site],
            "reader": [f"reader {SITE_CODES[s]}1" for s in spells.site],
            "from_time": spells.start.astype("datetime64[s]"),
            "to_time": spells.stop.astype("datetime64[s]"),
            "utc_offset_h": np.full(len(spells.name), -7.0),
            "scan_hours": np.round((spells.stop - spells.start) / _HOUR * 0.985, 1),
        }
    )


def read_days(
    fish: Swimmers,
    tags: Reading,
    spells: Deployments,
    scale: Scale,
    rng: np.random.Generator,
    boost: float = 1.0,
) -> tuple[BigIntArray, np.ndarray, IntArray]:
    """Return tag, site and day of every day on which a living fish was read, before the numbers are met.

    `boost` multiplies the share of fish near a reader and the days they are read.
    """
    out_tag, out_site, out_day = [], [], []
    habit = rng.lognormal(0.0, TRUTH.scan_spread, len(fish))
    for year in range(FIRST_SCAN_YEAR if scale.name == "full" else 2023, scale.last_year + 1):
        new_year, year_end = day(f"{year}-01-01"), day(f"{year}-12-31")
        where = fish.where[tags.swimmer, year - FIRST_YEAR]
        begin = np.maximum(tags.start + 1, new_year)
        span = np.minimum(tags.end, year_end) - begin
        detection = np.array([SITE_DETECTION.get(c, 0.0) for c in SITE_CODES])[np.maximum(where, 0)]
        detection[where < 0] = 0.0
        near = rng.random(len(span)) < TRUTH.scan_near_share * boost
        mean = np.where((span > 0) & near, TRUTH.scan_days_per_year * boost * detection * span / 365.0, 0.0)
        number = rng.poisson(mean * habit[tags.swimmer])
        which = np.repeat(np.arange(len(number)), number)
        out_tag.append(which)
        out_site.append(where[which])
        out_day.append((begin[which] + (rng.random(len(which)) * span[which])).astype(np.int64))
    tag, site, when = np.concatenate(out_tag), np.concatenate(out_site), np.concatenate(out_day)
    return _unique_inside(tag, site, when, spells)


def _unique_inside(
    tag: BigIntArray, site: np.ndarray, when: np.ndarray, spells: Deployments
) -> tuple[BigIntArray, np.ndarray, IntArray]:
    """Keep days inside a spell of the site, each tag x site x day once."""
    inside = spell_of(site, when, spells) >= 0
    key = np.unique((tag[inside] * 32 + site[inside]) * 100_000 + when[inside])
    return key // 3_200_000, (key // 100_000 % 32).astype(np.int8), (key % 100_000).astype(np.int32)


def spell_of(site: np.ndarray, when: np.ndarray, spells: Deployments) -> IntArray:
    """Return the deployment that listened at a site on a full day; -1 for none."""
    out = np.full(len(site), -1, dtype=np.int32)
    for s in np.unique(spells.site):
        here = np.flatnonzero(spells.site == s)
        at = np.flatnonzero(site == s)
        k = np.searchsorted(spells.first[here], when[at], side="right") - 1
        good = (k >= 0) & (when[at] <= spells.last[here[np.maximum(k, 0)]])
        out[at[good]] = here[k[good]]
    return out


def ghost_days(
    site: np.ndarray, since: IntArray, spells: Deployments, rng: np.random.Generator
) -> tuple[BigIntArray, np.ndarray, IntArray]:
    """Return the days on which tags that lie near a reader are read: often, for years, at one site."""
    tags, sites, when = [], [], []
    for k in range(len(site)):
        span = day(_END) - int(since[k])
        n = int(rng.poisson(rng.uniform(22.0, 60.0) * span / 365.0)) + 30
        tags.append(np.full(n, k))
        sites.append(np.full(n, site[k]))
        when.append(since[k] + rng.integers(0, span, n))
    return _unique_inside(np.concatenate(tags), np.concatenate(sites), np.concatenate(when), spells)


def meet_numbers(tag: BigIntArray, n_tags: int, n_days: int, rng: np.random.Generator) -> BigIntArray | None:
    """Choose rows so that exactly so many tags are read on exactly so many tag-site-days.

    Returns
    -------
    ndarray, int64, or None
        Positions of the rows; None when there are too few.
    """
    different = np.unique(tag)
    if len(different) < n_tags:
        return None
    rows = np.flatnonzero(np.isin(tag, rng.permutation(different)[:n_tags]))
    if len(rows) < n_days:
        return None
    order = rng.permutation(rows)
    first = order[np.unique(tag[order], return_index=True)[1]]
    rest = np.setdiff1d(order, first, assume_unique=True)
    chosen = np.concatenate([first, rng.permutation(rest)[: n_days - n_tags]])
    return np.sort(chosen)


def meet_numbers_by_years(
    tag: BigIntArray, when: IntArray, n_tags: int, n_days: int, rng: np.random.Generator
) -> BigIntArray | None:
    """Choose rows as in `meet_numbers`, by forgetting whole years of fish and then single days.

    Each year a fish swims near a reader or not, so forgetting years of fish at random only lowers the share of fish
    near a reader; forgetting whole fish would look like death.
    """
    year = (when.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64)).astype(np.int64)
    spells, at = np.unique(tag.astype(np.int64) * 10_000 + year, return_inverse=True)
    order = rng.permutation(len(spells))
    owner = spells[order] // 10_000
    first = np.zeros(len(order), dtype=bool)
    first[np.unique(owner, return_index=True)[1]] = True
    enough = np.flatnonzero(np.cumsum(first) == n_tags)
    if not len(enough):
        return None
    # All further years of the fish already met may stay: the last position that brings no new fish.
    kept = np.zeros(len(spells), dtype=bool)
    kept[order[: enough[-1] + 1]] = True
    rows = np.flatnonzero(kept[at.ravel()])
    if len(rows) < n_days:
        return None
    shuffled = rng.permutation(rows)
    one = shuffled[np.unique(tag[shuffled], return_index=True)[1]]
    rest = np.setdiff1d(shuffled, one, assume_unique=True)
    return np.sort(np.concatenate([one, rng.permutation(rest)[: n_days - n_tags]]))


def make_contacts(
    codes: np.ndarray,
    tag: BigIntArray,
    site: np.ndarray,
    when: IntArray,
    marker: str,
    spells: Deployments,
    scale: Scale,
    rng: np.random.Generator,
) -> Contacts:
    """Spread contacts over the days of the tags, at night mostly, and add the marker tag.

    Parameters
    ----------
    codes : ndarray, object, shape (n_tags,)
        Tags that were read.
    tag, site, when : ndarray, shape (n_days,)
        Tag (position in `codes`), site and day of each tag-site-day.
    marker : str
        Marker tag that lies at the reader of the Broad Basin.
    spells : Deployments
        Deployments.
    scale : Scale
        Number of contacts.
    rng : Generator
        Random numbers.

    Returns
    -------
    Contacts
        The deployment with the fast clock bears times one hour late.
    """
    n = len(tag)
    total = scale.scans - scale.marker_contacts
    weight = rng.gamma(0.6, size=n) + 1e-4
    per_day = 1 + rng.multinomial(total - n, weight / weight.sum())
    which = np.repeat(np.arange(n), per_day)
    # Fish pass at night: a visit around a random hour between dusk and dawn, minutes to an hour long.
    hour = np.where(rng.random(n) < 0.8, (19.5 + 9.0 * rng.random(n)) % 24.0, 24.0 * rng.random(n))
    spread = rng.exponential(900.0, size=n) + 30.0
    second = hour[which] * _HOUR + rng.normal(0.0, 1.0, total) * spread[which]
    second = np.clip(second, 0, 86399).astype(np.int64) + when[which].astype(np.int64) * 86400
    deployment = spell_of(site, when, spells)[which]
    marker_deployment, marker_second = _marker(spells, scale)
    deployment = np.concatenate([deployment, marker_deployment])
    second = np.concatenate([second, marker_second])
    tags = np.concatenate([tag[which], np.full(scale.marker_contacts, len(codes))])
    fast = deployment == spells.fast
    # A tag that lies before the antenna is read up to the last hour, so that the fast clock shows.
    last = np.flatnonzero(fast)[np.argsort(second[fast])[-3:]]
    second[last] = spells.stop[spells.fast] - np.array([1500, 900, 240])[: len(last)]
    second[fast] += _HOUR
    order = np.lexsort((tags, second, deployment))
    return Contacts(
        deployment[order].astype(np.int32),
        second[order],
        tags[order].astype(np.int32),
        np.concatenate([codes, np.array([marker], dtype=object)]),
        n,
    )


def _marker(spells: Deployments, scale: Scale) -> tuple[IntArray, BigIntArray]:
    """Return deployments and seconds of the marker tag: at even steps while its reader listens."""
    bb = SITE_CODES.index("BB")
    here = np.flatnonzero(spells.site == bb)
    here = here[here != spells.fast]
    length = spells.stop[here] - spells.start[here]
    ends = np.cumsum(length)
    at = np.floor((np.arange(scale.marker_contacts) + 0.5) * ends[-1] / scale.marker_contacts).astype(
        np.int64
    )
    k = np.searchsorted(ends, at, side="right")
    return here[k].astype(np.int32), spells.start[here[k]] + at - (ends[k] - length[k])


def contacts_csv(contacts: Contacts, spells: Deployments) -> bytes:
    """Return the table of scans as CSV, built as one block of bytes of fixed width.

    Raises
    ------
    ValueError
        If names or tags differ in length.
    """
    names = np.array(spells.name, dtype="S")[contacts.deployment]
    codes = np.array([str(c) for c in contacts.codes], dtype="S15")[contacts.tag]
    widths = {len(n) for n in spells.name} | {len(c) for c in contacts.codes if len(c) != 15}
    if len(widths) != 1:
        raise ValueError(f"demo: found names of lengths {sorted(widths)}. Expected one length for all.")
    days, seconds = np.divmod(contacts.second, 86400)
    first, inverse = np.unique(days, return_inverse=True)
    day_text = np.datetime_as_string(first.astype("datetime64[D]")).astype("S10")[inverse]
    clock = np.array([f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in range(86400)], dtype="S8")
    n, w = len(names), names.dtype.itemsize
    block = np.empty((n, w + 1 + 10 + 1 + 8 + 1 + 15 + 1), dtype="S1")
    at = 0
    for part in (names, b",", day_text, b"T", clock[seconds], b",", codes, b"\n"):
        if isinstance(part, bytes):
            block[:, at] = part
            at += 1
        else:
            width = part.dtype.itemsize
            block[:, at : at + width] = part.view("S1").reshape(n, width)
            at += width
    return b"deployment_id,scanned_at,tag\n" + block.tobytes()
