"""Every living fish the records know, with its place, in one pedigree: broodfish, stock and residents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import IntArray
from broodstock.errors import UsageError
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

NO_UNIT = "no unit recorded"
MOST_POOL = 400


@dataclass(frozen=True)
class KnownLiving:
    """Living fish in one pedigree.

    Parameters
    ----------
    parents : ndarray, int32, shape (n_rows, 2)
        Unknown parents of families first, then the recorded pedigree, then young fish and residents one by one.
    names : tuple of str
        Name of each row; rows of unknown parents of one group share a name.
    place : ndarray, int32, shape (n_rows,)
        Position in `places`, -1 for rows that are not alive.
    places : tuple of str
        ``unit NAME`` or ``site NAME``.
    family : tuple of str
        Family of each row, empty where none.
    uncounted : dict of str to int
        Residents of unknown family by place: their genes are not known, so they count nowhere.
    """

    parents: IntArray
    names: tuple[str, ...]
    place: IntArray
    places: tuple[str, ...]
    family: tuple[str, ...]
    uncounted: dict[str, int]

    @property
    def alive(self) -> np.ndarray:
        """Rows of living fish."""
        return np.flatnonzero(self.place >= 0)


class _Builder:
    """Rows under construction; parents are row numbers, or -1."""

    def __init__(self, programme: Programme) -> None:
        self.programme = programme
        self.unknown: list[str] = []  # names of the rows before the recorded pedigree
        self.young: list[tuple[tuple[str, int], tuple[str, int], str, str, str]] = []
        self._pools: dict[str, int] = {}
        self._next: dict[str, int] = {}
        self._start: dict[str, int] = {}
        self._single: dict[str, int] = {}
        families = programme.tables["families"]
        crossed = families[families["kind"] == "cross"]
        self._parents = {
            f: (d, s) for f, d, s in zip(crossed["family_id"], crossed["dam"], crossed["sire"], strict=True)
        }

    def add(self, name: str, family: str, where: str) -> None:
        """Add one young fish or resident of a family."""
        known = self._parents.get(family)
        if known is None:
            dam, sire = self._of_group(family)
        else:
            dam, sire = (self._parent(p, family) for p in known)
        self.young.append((dam, sire, name, family, where))

    def _parent(self, name: str, family: str) -> tuple[str, int]:
        """Return a recorded parent, or the unknown founder that all fish of the family share."""
        index = self.programme.pedigree.index
        if name in index:
            return "recorded", index[name]
        key = f"unknown parent of {family}"
        return "unknown", self._founder(key)

    def _founder(self, key: str) -> int:
        if key not in self._single:
            self._single[key] = len(self.unknown)
            self.unknown.append(key)
        return self._single[key]

    def _of_group(self, group: str) -> tuple[tuple[str, int], tuple[str, int]]:
        """Return unknown parents of the next fish of a larval or backwater group.

        The group has 1 / (2k) unknown parents, k the kinship of two of its fish, half of them dams; all pairs of
        dam and sire are used in turn.
        """
        if group not in self._pools:
            k = float(self.programme.settings["larval_group_kinship"])
            self._pools[group] = min(max(2, round(1 / (2 * k))), MOST_POOL) if k > 0 else MOST_POOL
            self._start[group] = len(self.unknown)
            self.unknown += [f"unknown parents of {group}"] * self._pools[group]
        turn = self._next[group] = self._next.get(group, -1) + 1
        dams = self._pools[group] // 2
        sires = self._pools[group] - dams
        start = self._start[group]
        return ("unknown", start + turn % dams), (
            "unknown",
            start + dams + (turn + turn // (dams * sires)) % sires,
        )


def known_living(programme: Programme) -> KnownLiving:
    """Put every living fish that the records know into one pedigree.

    Parameters
    ----------
    programme : Programme
        Open records.

    Returns
    -------
    KnownLiving
        Broodfish (status brood or hold) by unit, fish of the stock by unit, residents of known family by site.

    Raises
    ------
    UsageError
        If no living fish is recorded.
    """
    build = _Builder(programme)
    for row in rows(programme.stock_here):
        build.add(row.stock_id, row.family, f"unit {row.unit or NO_UNIT}")
    uncounted: dict[str, int] = {}
    for row in rows(programme.residents_now):
        where = f"site {row.site_id}"
        if not row.family:
            uncounted[where] = uncounted.get(where, 0) + int(row.number)
            continue
        for k in range(int(row.number)):
            build.add(f"{row.site_id} {row.family} {k + 1}", row.family, where)
    fish = programme.tables["fish"]
    brood = {
        row.fish_id: f"unit {row.unit or NO_UNIT}"
        for row in rows(fish[fish["status"].isin(["brood", "hold"])])
    }
    family_of = dict(zip(fish["fish_id"], fish["family"], strict=True))
    pedigree = programme.pedigree
    first, then = len(build.unknown), len(build.unknown) + len(pedigree)
    offset = {"unknown": 0, "recorded": first}
    recorded = np.where(pedigree.parents < 0, -1, pedigree.parents + first)
    young = np.array(
        [[offset[a] + i, offset[b] + j] for (a, i), (b, j), _, _, _ in build.young], dtype=np.int32
    ).reshape(-1, 2)
    parents = np.concatenate([np.full((first, 2), -1), recorded, young]).astype(np.int32)
    located = [""] * first + [brood.get(f, "") for f in pedigree.ids] + [w for *_, w in build.young]
    if not any(located):
        raise UsageError(
            "loss: found no living fish. Expected broodfish in fish.csv, young in stock.csv or residents. Check the "
            "records."
        )
    places = tuple(sorted({w for w in located if w}))
    code = {p: k for k, p in enumerate(places)}
    assert len(parents) == then + len(build.young)
    return KnownLiving(
        parents,
        (*build.unknown, *pedigree.ids, *(n for _, _, n, _, _ in build.young)),
        np.array([code.get(w, -1) for w in located], dtype=np.int32),
        places,
        (*[""] * first, *(family_of.get(f, "") for f in pedigree.ids), *(f for *_, f, _ in build.young)),
        uncounted,
    )
