"""The columns of a release model and the rows that define them.

Rules are written against a `Frame`: it knows which column holds the fish of a group at a site, the total
at a site, and the yes-or-no columns some rules need.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.model import DEFINITION, LinearModel, row
from planner.optimise.release.settings import NO_LIMIT

NONE = -1
"""Column position where there is no column."""

TOLERANCE = 1e-9


@dataclass(frozen=True)
class Frame:
    """Columns of a release model.

    Parameters
    ----------
    data : ReleaseData
        The data.
    model : LinearModel
        The model the columns stand in.
    fish : ndarray, int64, shape (n_groups, n_sites)
        Column of the fish sent; -1 where none may be sent.
    bodies : ndarray, int64, shape (n_sites,)
        Column of all fish sent to a site.
    sent : ndarray, int64, shape (n_sites,)
        Yes-or-no column: does the site receive fish; -1 where no rule asks.
    present : ndarray, int64, shape (n_families, n_sites)
        Yes-or-no column: is at least one fish of the family sent; -1 where no rule asks.
    year_classes : ndarray, int64, shape (n_year_classes,)
        Year classes among the groups.
    year_class_sent : ndarray, int64, shape (n_year_classes, n_sites)
        Yes-or-no column: does the year class count at the site; -1 where no rule asks.
    adding : ndarray, int64, shape (n_families, n_sites)
        Yes-or-no column for families whose residents already exceed the cap: may fish be added (only
        when enough others come too); -1 where not needed.
    sexes_count : ndarray, int64, shape (n_sites,)
        Yes-or-no column: are enough fish of known sex sent for the share of females to count; -1 where no
        rule asks.
    survivors_floor : float
        Expected survivors among the released fish that the plan must reach; 0: none.
    """

    data: ReleaseData
    model: LinearModel
    fish: BigIntArray
    bodies: BigIntArray
    sent: BigIntArray
    present: BigIntArray
    year_classes: BigIntArray
    year_class_sent: BigIntArray
    adding: BigIntArray
    sexes_count: BigIntArray
    survivors_floor: float

    def family_fish(self, family: int, site: int) -> BigIntArray:
        """Return the columns of the fish of a family sent to a site."""
        cells = self.fish[self.data.groups.family == family, site]
        return cells[cells != NONE]

    def site_fish(self, site: int) -> BigIntArray:
        """Return the columns of all fish sent to a site."""
        cells = self.fish[:, site]
        return cells[cells != NONE]

    def sex_fish(self, site: int) -> tuple[FloatArray, BigIntArray]:
        """Return 1.0 for each column of females, and the columns, of the fish of known sex sent to a site."""
        cells = self.fish[:, site]
        sex = np.array(self.data.groups.sex, dtype=object)
        known = (cells != NONE) & (sex != "unknown")
        return (sex[known] == "female").astype(np.float64), cells[known]

    def group_fish(self, group: int) -> BigIntArray:
        """Return the columns of the fish of a group, over all sites."""
        cells = self.fish[group]
        return cells[cells != NONE]

    def most(self, columns: BigIntArray) -> float:
        """Return the largest sum that columns can have by their own limits."""
        return float(sum(self.model.high[j] for j in columns.tolist()))


def site_place(data: ReleaseData, site: int) -> str:
    """Return a site in words."""
    return f"site '{data.sites.name[site]}'"


def family_place(data: ReleaseData, family: int, site: int | None = None) -> str:
    """Return a family, or a family at a site, in words."""
    words = f"family '{data.families.name[family]}'"
    return words if site is None else f"{words} at {site_place(data, site)}"


def group_place(data: ReleaseData, group: int, site: int | None = None) -> str:
    """Return a group, or a group at a site, in words."""
    words = f"group '{data.groups.name[group]}'"
    return words if site is None else f"{words} at {site_place(data, site)}"


def sites_needed(data: ReleaseData) -> BigIntArray:
    """Return in how many sites each family must live after the release, shape (n_families,).

    A family's own number goes before the setting; the setting holds for families with enough fish free
    to go; fish of unknown family are left out.
    """
    s = data.settings
    free = np.bincount(
        data.groups.family, weights=data.groups.available * ~data.groups.on_hold, minlength=data.n_families
    )
    by_setting = np.where(free >= max(s.min_sites_from, 1), s.min_sites, 0)
    own = data.families.min_sites
    needed = np.where(own == NO_LIMIT, by_setting, own)
    return np.asarray(np.where(data.families.single, needed, 0), dtype=np.int64)


def is_new_group(data: ReleaseData) -> BoolArray:
    """Return which sites have no residents, shape (n_sites,)."""
    return np.asarray(data.sites.resident_number == 0)


def make_frame(
    data: ReleaseData, pairs: BoolArray, survivors_floor: float = 0.0, *, tight: bool = True
) -> Frame:
    """Add the columns of a release to a new model.

    Parameters
    ----------
    data : ReleaseData
        The data.
    pairs : ndarray, bool, shape (n_groups, n_sites)
        Where a group gets a column.
    survivors_floor : float
        Expected survivors the plan must reach.
    tight : bool
        Let the capacity of a site tighten the yes-or-no columns; False when capacities may be given up.

    Returns
    -------
    Frame
        The columns; `Frame.model` holds them and the rows that define them.
    """
    model = LinearModel()
    fish = np.full((data.n_groups, data.n_sites), NONE, dtype=np.int64)
    stock = np.broadcast_to(data.groups.available[:, None], fish.shape)
    fish[pairs] = model.add((int(pairs.sum()),), 0.0, stock[pairs].astype(float), whole=True)
    most_bodies = np.where(pairs, stock, 0).sum(axis=0).astype(float)
    bodies = model.add((data.n_sites,), 0.0, most_bodies)
    sent = _sent(data, model)
    present = _present(data, model)
    year_classes, year_class_sent = _year_class_sent(data, model)
    adding = _adding(data, model, most_bodies)
    sexes_count = _sexes_count(data, model, pairs)
    frame = Frame(
        data,
        model,
        fish,
        bodies,
        sent,
        present,
        year_classes,
        year_class_sent,
        adding,
        sexes_count,
        survivors_floor,
    )
    _define(frame, tight)
    return frame


def _yes_no(model: LinearModel, wanted: BoolArray) -> BigIntArray:
    """Add a yes-or-no column where wanted; -1 elsewhere."""
    columns = np.full(wanted.shape, NONE, dtype=np.int64)
    columns[wanted] = model.add((int(wanted.sum()),), 0.0, 1.0, whole=True)
    return columns


def _sent(data: ReleaseData, model: LinearModel) -> BigIntArray:
    sites = data.sites
    mixing = is_new_group(data) & (sites.min_year_classes >= 2)
    return _yes_no(model, (sites.min_group >= 2) | (sites.min_families >= 1) | mixing)


def _present(data: ReleaseData, model: LinearModel) -> BigIntArray:
    absent = data.sites.residents == 0
    asked_by_family = np.broadcast_to((sites_needed(data) > 0)[:, None], absent.shape)
    asked_by_site = (data.sites.min_families >= 1)[None, :] & data.families.single[:, None]
    return _yes_no(model, absent & (asked_by_family | asked_by_site))


def _year_class_sent(data: ReleaseData, model: LinearModel) -> tuple[BigIntArray, BigIntArray]:
    classes = np.unique(data.groups.year_class).astype(np.int64)
    asked = is_new_group(data) & (data.sites.min_year_classes >= 2)
    return classes, _yes_no(model, np.broadcast_to(asked[None, :], (len(classes), data.n_sites)))


def _adding(data: ReleaseData, model: LinearModel, most_bodies: np.ndarray) -> BigIntArray:
    """Families above the cap among the residents may be added to only if enough other fish come."""
    sites, single = data.sites, data.families.single[:, None]
    residents = sites.resident_number
    capped = (sites.family_cap < 1.0)[None, :] & single
    above_now = sites.residents > sites.family_cap * residents + TOLERANCE
    can_be_diluted = sites.residents < sites.family_cap * (residents + most_bodies) - TOLERANCE
    return _yes_no(model, capped & above_now & can_be_diluted)


def _sexes_count(data: ReleaseData, model: LinearModel, pairs: BoolArray) -> BigIntArray:
    """Ask whether enough sexes are known where a window is set and enough such fish could come."""
    sites = data.sites
    known = np.array([word != "unknown" for word in data.groups.sex], dtype=np.bool_)
    most = np.where(pairs & known[:, None], data.groups.available[:, None], 0).sum(axis=0)
    asked = (sites.female_low > 0) | (sites.female_high < 1)
    return _yes_no(model, asked & (most >= sites.sex_known_from))


def _define(frame: Frame, tight: bool) -> None:
    """Tie the totals and the yes-or-no columns to the fish."""
    rows = frame.model.rows
    data = frame.data
    for s in range(data.n_sites):
        fish = frame.site_fish(s)
        place = site_place(data, s)
        rows.append(row(DEFINITION, place, [*fish, frame.bodies[s]], [*np.ones(len(fish)), -1.0], 0, 0))
        if frame.sent[s] != NONE:
            most = max(frame.most(fish), 1.0)
            if tight and data.sites.room[s] != NO_LIMIT:
                most = max(min(most, float(data.sites.room[s])), 1.0)
            rows.append(row(DEFINITION, place, [frame.bodies[s], frame.sent[s]], [1.0, -most], high=0))
    for f, s in np.argwhere(frame.present != NONE):
        fish = frame.family_fish(f, s)
        place = family_place(data, f, s)
        rows.append(row(DEFINITION, place, [*fish, frame.present[f, s]], [*np.ones(len(fish)), -1.0], low=0))
    for y, s in np.argwhere(frame.year_class_sent != NONE):
        cells = frame.fish[data.groups.year_class == frame.year_classes[y], s]
        fish = cells[cells != NONE]
        need = -float(data.settings.year_class_fish)
        rows.append(
            row(
                DEFINITION,
                f"year class {frame.year_classes[y]} at {site_place(data, s)}",
                [*fish, frame.year_class_sent[y, s]],
                [*np.ones(len(fish)), need],
                low=0,
            )
        )
    for f, s in np.argwhere(frame.adding != NONE):
        fish = frame.family_fish(f, s)
        most = max(frame.most(fish), 1.0)
        place = family_place(data, f, s)
        rows.append(row(DEFINITION, place, [*fish, frame.adding[f, s]], [*np.ones(len(fish)), -most], high=0))
    for s in np.flatnonzero(frame.sexes_count != NONE):
        _, fish = frame.sex_fish(s)
        below = float(data.sites.sex_known_from[s] - 1)
        columns = [*fish, frame.sexes_count[s]]
        factors = [*np.ones(len(fish)), below - frame.most(fish)]
        rows.append(row(DEFINITION, site_place(data, s), columns, factors, high=below))
