"""Which tags the readers met over the years: living fish, ghosts, strangers, and the marker tag."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.demo.captures import Caught, Swimmers
from planner.demo.days import day, stamps, year_of
from planner.demo.history import History
from planner.demo.life import FIRST_YEAR
from planner.demo.sampling import choose_weighted
from planner.demo.scale import Scale
from planner.demo.scans import (
    FIRST_SCAN_YEAR,
    Contacts,
    Deployments,
    Reading,
    ghost_days,
    make_contacts,
    meet_numbers,
    meet_numbers_by_years,
    read_days,
    spell_of,
)
from planner.demo.tag_history import Tags
from planner.demo.tags import TagBook
from planner.demo.waters import SITE_CODES

_MOST_TRIES = 15


def read_tags(
    fish: Swimmers,
    history: History,
    tags: Tags,
    caught: Caught,
    spells: Deployments,
    scale: Scale,
    book: TagBook,
    with_scans: bool,
    rng: np.random.Generator,
) -> tuple[Contacts | None, pd.DataFrame, np.ndarray]:
    """Read tags in the water.

    Parameters
    ----------
    fish, history, tags, caught
        Who swims where with which tag.
    spells : Deployments
        Readers.
    scale : Scale
        Numbers to meet.
    book : TagBook
        For tags nobody knows.
    with_scans : bool
        Make the contacts; the ghosts and unknown tags are drawn either way.
    rng : Generator
        Random numbers.

    Returns
    -------
    contacts : Contacts or None
        Contacts; None when not asked for.
    ghosts : DataFrame
        Tag, day its fish died or shed it, site, and why.
    unknown : ndarray, object
        Tags without a record.
    """
    readings = _readings(fish, history, tags, caught)
    ghosts, ghost_site, ghost_since = _ghosts(fish, history, tags, spells, scale, rng)
    unknown = np.concatenate(
        [
            book.strangers(scale.unknown_tags - scale.unknown_tags // 4),
            book.unused(scale.unknown_tags // 4, tags.different()),
        ]
    )
    if not with_scans:
        return None, ghosts, unknown
    ghost_tag, ghost_where, ghost_when = ghost_days(ghost_site, ghost_since, spells, rng)
    strange_tag, strange_where, strange_when = _stranger_days(len(unknown), spells, rng)
    ghost_codes = ghosts["tag"].to_numpy(dtype=object)
    n_tags = scale.scan_tags - len(unknown) - len(np.unique(ghost_tag))
    n_days = scale.scan_days - len(strange_tag) - len(ghost_tag)
    tag, where, when = _living_days(fish, readings, ghost_codes, spells, scale, n_tags, n_days, rng)
    used, short = np.unique(tag, return_inverse=True)
    codes = np.concatenate([readings.code[used], ghost_codes, unknown])
    all_tags = np.concatenate([short, len(used) + ghost_tag, len(used) + len(ghost_codes) + strange_tag])
    contacts = make_contacts(
        codes,
        all_tags,
        np.concatenate([where, ghost_where, strange_where]),
        np.concatenate([when, ghost_when, strange_when]),
        tags.marker,
        spells,
        scale,
        rng,
    )
    return contacts, ghosts, unknown


def _living_days(
    fish: Swimmers,
    readings: Reading,
    ghost_codes: np.ndarray,
    spells: Deployments,
    scale: Scale,
    n_tags: int,
    n_days: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return tag, site and day of living fish read, the stated numbers of tags and days.

    Raises
    ------
    ValueError
        If even much better readers would read too few.
    """
    boost = 1.0
    for _ in range(_MOST_TRIES):
        tag, where, when = read_days(fish, readings, spells, scale, rng, boost)
        free = ~np.isin(readings.code[tag], ghost_codes)
        tag, where, when = tag[free], where[free], when[free]
        if scale.name == "full":
            kept = meet_numbers_by_years(tag, when, n_tags, n_days, rng)
        else:
            kept = meet_numbers(tag, n_tags, n_days, rng)
        if kept is not None:
            return tag[kept], where[kept], when[kept]
        boost *= 1.2
    raise ValueError(f"demo: found too few tags read. Expected {n_tags} tags on {n_days} days.")


def _readings(fish: Swimmers, history: History, tags: Tags, caught: Caught) -> Reading:
    """Return the tags that remote readers can see, while their fish live."""
    n = len(history.released)
    own = np.flatnonzero(~tags.legacy)
    end = np.minimum(fish.died[:n], fish.lost_tag[:n])[own]
    marked = np.flatnonzero(caught.mark == 1)
    swimmer = caught.swimmer[marked]
    return Reading(
        np.concatenate([tags.released[own], np.array([tags.water[int(s)] for s in swimmer], dtype=object)]),
        np.concatenate([own, swimmer]),
        np.concatenate([fish.since[own], caught.on[marked]]),
        np.concatenate([end, fish.died[swimmer]]),
    )


def _ghosts(
    fish: Swimmers,
    history: History,
    tags: Tags,
    spells: Deployments,
    scale: Scale,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Choose tags that lie near a reader after their fish died or shed them; most before the dam."""
    n = len(history.released)
    end = np.minimum(fish.died[:n], fish.lost_tag[:n]).astype(np.int64)
    full = scale.name == "full"
    first, last = day(f"{FIRST_SCAN_YEAR}-01-10"), day("2022-03-01")
    if not full:
        first, last = day("2019-01-01"), day("2024-08-01")
    year = np.clip(year_of(np.minimum(end, day("2024-12-31"))) - FIRST_YEAR, 0, None)
    site = fish.where[np.arange(n), year]
    weight = np.where((end > first) & (end < last) & ~tags.legacy, 1.0, 0.0)
    pull = {"DP": 12.0, "BB": 1.0, "GW": 1.0, "UN": 0.3}
    weight *= np.array([pull.get(c, 0.0 if full else 1.0) for c in SITE_CODES])[site]
    weight *= np.isin(site, spells.site)
    chosen = choose_weighted(rng, weight, scale.ghosts)
    shed = fish.lost_tag[:n][chosen] < fish.died[:n][chosen]
    since = np.maximum(end[chosen], spells.first.min()).astype(np.int32)
    frame = pd.DataFrame(
        {
            "tag": tags.released[chosen],
            "since": stamps(end[chosen]),
            "site_id": np.array(SITE_CODES, dtype=object)[site[chosen]],
            "why": np.where(shed, "shed", "fish died").astype(object),
        }
    )
    return frame, site[chosen], since


def _stranger_days(
    number: int, spells: Deployments, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a few days at one site for every tag nobody knows."""
    n_days = 1 + rng.poisson(1.2, number)
    tag = np.repeat(np.arange(number), n_days)
    spell = np.repeat(rng.integers(0, len(spells.name), number), n_days)
    when = spells.first[spell] + np.floor(rng.random(len(tag)) * (spells.last[spell] - spells.first[spell]))
    site = spells.site[spell]
    when = when.astype(np.int64)
    assert (spell_of(site, when, spells) >= 0).all()
    key = np.unique(np.stack([tag, site, when], axis=1), axis=0)
    return key[:, 0], key[:, 1].astype(np.int8), key[:, 2].astype(np.int32)
