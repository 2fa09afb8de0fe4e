"""What happened to lots, as plain values: places, moves, and the order in which they count."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

MoveKind = Literal["in", "split", "merge", "move", "count", "death", "cull", "dna-sample", "release", "out"]
PlaceKind = Literal["unit", "site", "released", ""]

USUAL_ERROR_PCT: dict[str, float] = {"counted": 1.0, "weighed": 5.0, "estimated": 20.0, "": 5.0}
"""Standard error of a number by the way it was found, %. Common practice, no source."""
UNKNOWN_FAMILY = ""
"""Family of fish that came in without any."""


class Pool(NamedTuple):
    """Fish of one lot at one place; within it every fish has the same chance to be taken.

    ``kind`` says what the place is: a unit, a site where the lot is reared, or a water it was released to.
    """

    lot: str
    kind: PlaceKind = ""
    place: str = ""

    @property
    def words(self) -> str:
        """The pool in words."""
        where = {"unit": "in", "site": "at", "released": "released to", "": ""}[self.kind]
        return f"{self.lot} {where} {self.place}".strip()


@dataclass(frozen=True, slots=True)
class Move:
    """One event of ``group_moves``.

    Parameters
    ----------
    move_id : str
        Number of the event.
    on : datetime.date
        Day.
    kind : str
        As in the table.
    lot, place_kind, place : str
        Lot and place the fish were in. An empty lot stands for all lots of the place, an empty place for all
        places of the lot.
    target : Pool, optional
        Where the fish are now; None for events that send no fish anywhere.
    number : int, optional
        Fish; None: all that were there.
    error : float
        Relative standard error of the number, 0.01 for 1 %.
    families : mapping of str to float
        Fish by family, where known.
    family_error : float
        Share of typed fish that are given a wrong family.
    row : int
        Row in the file.
    """

    move_id: str
    on: dt.date
    kind: MoveKind
    lot: str = ""
    place_kind: PlaceKind = ""
    place: str = ""
    target: Pool | None = None
    number: int | None = None
    error: float = 0.01
    families: Mapping[str, float] = field(default_factory=dict)
    family_error: float = 0.01
    row: int = 0

    def takes_from(self, pool: Pool) -> bool:
        """Return True when the event concerns a pool: its lot and its place, as far as they are named."""
        if pool.kind == "released" and not (self.place_kind == "site" and self.place == pool.place):
            return False
        if self.lot and pool.lot != self.lot:
            return False
        if not self.place:
            return bool(self.lot)
        return pool.place == self.place and (pool.kind == "unit") == (self.place_kind == "unit")

    @property
    def standard_error(self) -> float:
        """Standard error of the number, fish."""
        return 0.0 if self.number is None else self.error * self.number
