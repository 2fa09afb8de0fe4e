"""Which fish was given which tag: brood, releases, fish tagged in the water, the stock."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from planner.demo.captures import LEGACY_READERS_UNTIL, Caught
from planner.demo.days import NEVER, day
from planner.demo.history import History
from planner.demo.scale import Scale
from planner.demo.tags import TagBook


@dataclass
class Tags:
    """Codes by fish.

    Attributes
    ----------
    brood : dict of str to str
        Tag now in each broodfish.
    given : dict of str to list of (str, str, int, int)
        All identifiers of each broodfish: kind, code, first and last day.
    released : ndarray, object, shape (n_released,)
        Tag of each released fish.
    legacy : ndarray, bool, shape (n_released,)
        Released with a tag of the pilot.
    stock : ndarray, object, shape (n_stock,)
        Tag of each fish of the stock.
    water : dict of int to str
        Tag given in the water, by swimmer.
    marker : str
        Marker tag at a reader.
    """

    brood: dict[str, str] = field(default_factory=dict)
    given: dict[str, list[tuple[str, str, int, int]]] = field(default_factory=dict)
    released: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=object))
    legacy: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    stock: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=object))
    water: dict[int, str] = field(default_factory=dict)
    marker: str = ""

    def different(self) -> set[str]:
        """Return all tags that were ever put in a fish."""
        out = {code for marks in self.given.values() for _, code, _, _ in marks}
        return out | set(self.released) | set(self.stock) | set(self.water.values())


def tag_brood_and_releases(history: History, scale: Scale, book: TagBook) -> Tags:
    """Tag broodfish and released fish; the first year got tags of the pilot.

    Founders with a tag of the pilot were given a second tag when the readers changed, but for the one that
    is planted as a fish with two identities.
    """
    b, r = history.brood, history.released
    tags = Tags()
    first_year = [i for i in range(len(b)) if b.kind[i] == "wild" and b.entered[i] < b.entered[0] + 60]
    special = b.names.index(history.faults["legacy"])
    old = [special, *(i for i in first_year if i != special)][: scale.legacy_tags]
    codes = book.legacy(scale.legacy_tags, min(b.entered[i] for i in old))
    change = max(LEGACY_READERS_UNTIL - 150, max(b.entered[i] for i in old) + 400)
    for i, code in zip(old, codes, strict=False):
        marks = [("pit-legacy", str(code), b.entered[i], NEVER if i == special else change)]
        tags.brood[b.names[i]] = str(code)
        if i != special:
            tags.brood[b.names[i]] = str(book.iso(1, change)[0])
            marks.append(("pit-iso", tags.brood[b.names[i]], change, _end(b.left[i], b.left_as[i])))
        tags.given[b.names[i]] = marks
    for i in sorted(set(range(len(b))) - set(old), key=lambda i: (b.entered[i], i)):
        tags.brood[b.names[i]] = str(book.iso(1, b.entered[i])[0])
        tags.given[b.names[i]] = [
            ("pit-iso", tags.brood[b.names[i]], b.entered[i], _end(b.left[i], b.left_as[i]))
        ]
    name_of = {b.rows[i]: b.names[i] for i in range(len(b))}
    tags.released = np.full(len(r), "", dtype=object)
    tags.legacy = np.zeros(len(r), dtype=bool)
    rest = codes[len(old) :]
    at = np.arange(len(r))
    pilot = at[r.line != "wild"][: len(rest)]
    tags.released[pilot], tags.legacy[pilot] = rest, True
    for k in at[r.line == "wild"]:
        tags.released[k] = tags.brood[name_of[int(r.row[k])]]
        tags.legacy[k] = int(r.row[k]) == b.rows[special]
    for event in np.unique(r.event):
        need = at[(r.event == event) & (tags.released == "")]
        tags.released[need] = book.iso(len(need), int(r.on[need[0]]) - 20) if len(need) else []
    return tags


def _end(left: int, left_as: str) -> int:
    return left if left_as == "dead" else NEVER


def tag_in_water_and_stock(
    tags: Tags, history: History, scale: Scale, caught: Caught, book: TagBook, rng: np.random.Generator
) -> None:
    """Tag fish caught without a readable tag and the stock; then give broodfish that lost theirs a new tag."""
    untagged = np.flatnonzero(caught.mark == 1)
    for k in untagged:
        tags.water[int(caught.swimmer[k])] = str(book.iso(1, int(caught.on[k]))[0])
    tags.stock = book.iso(len(history.stock), day(f"{scale.last_year}-08-20"))
    tags.marker = str(book.markers(day("2018-11-20"))[4])
    b = history.brood
    missing = scale.tags_ever - len(tags.different())
    can = [i for i in b.living if len(tags.given[b.names[i]]) == 1]
    for i in np.sort(rng.choice(can, size=max(missing, 0), replace=False)) if missing > 0 else []:
        name = b.names[int(i)]
        again = int(rng.integers(max(b.entered[i] + 300, day("2020-10-01")), day("2024-10-10")))
        kind, code, first, _ = tags.given[name][0]
        tags.brood[name] = str(book.iso(1, again)[0])
        tags.given[name] = [(kind, code, first, again), ("pit-iso", tags.brood[name], again, NEVER)]
