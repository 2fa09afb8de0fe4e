"""What is to be moved: a fish, a tag, a family, a lot or everything in a unit, as single fish or as a number."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from broodstock.errors import UsageError
from broodstock.tags.codes import Tag, parse_tag
from planner.tasks.individuals import IN_CARE, as_date
from planner.tasks.permit_events import as_int
from planner.tasks.programme import Programme
from planner.tasks.rows import rows


@dataclass(frozen=True)
class Mover:
    """One fish, or one lot, that would move.

    Parameters
    ----------
    name, kind : str
        Identifier, and ``fish``, ``stock`` or ``lot``.
    number : int
        Fish it stands for; 0 when a lot's number is not known.
    unit, site : str
        Where it is; one of the two, or neither.
    family : str
        Family, empty if unknown or mixed.
    species : str
        As recorded, empty for the programme's.
    status : str
        Of a fish; empty for others.
    length_mm : float
        Total length, NaN if unknown.
    withdrawal_until : date or None
        As in the record of the fish.
    here_since : date or None
        Day from which it is known to be where it is.
    """

    name: str
    kind: str
    number: int
    unit: str
    site: str
    family: str
    species: str
    status: str
    length_mm: float
    withdrawal_until: dt.date | None
    here_since: dt.date | None


def find_movers(programme: Programme, what: str) -> list[Mover]:
    """Return the fish or lots that a name stands for.

    Parameters
    ----------
    programme : Programme
        Open records.
    what : str
        A fish, a fish of the stock, a tag, a family, a unit or a lot.

    Raises
    ------
    UsageError
        If nothing has that name, or nothing living is in it.
    """
    fish, stock, lots = fish_movers(programme), stock_movers(programme), _lots(programme)
    every = [*fish, *stock, *lots]
    named = [m for m in every if m.name == what]
    if named:
        return named
    tag = parse_tag(what)
    if isinstance(tag, Tag):
        by_tag = dict(zip(programme.tables["fish"]["tag"], programme.tables["fish"]["fish_id"], strict=True))
        in_stock = dict(
            zip(programme.tables["stock"]["tag"], programme.tables["stock"]["stock_id"], strict=True)
        )
        name = by_tag.get(tag.code) or in_stock.get(tag.code)
        if name:
            return [m for m in every if m.name == name]
    living = [m for m in every if m.kind == "lot" or m.status in IN_CARE]
    in_unit = [m for m in living if m.unit == what]
    if in_unit:
        return in_unit
    of_family = [m for m in living if m.family == what]
    if of_family:
        return of_family
    known = what in set(programme.tables["units"]["unit_id"]) | set(programme.tables["families"]["family_id"])
    raise UsageError(
        f"what to move: found {what!r}, {'which holds no fish now' if known else 'which nothing in the records is called'}. "
        "Expected a fish, a tag, a family, a lot or a unit with fish. Correct the name."
    )


def fish_movers(programme: Programme) -> list[Mover]:
    """Return every row of the table ``fish``."""
    site_of = _last_sites(programme)
    return [
        Mover(
            r.fish_id, "fish", 1, r.unit, "" if r.unit else site_of.get(r.tag, ""), r.family, r.species, r.status,
            float("nan") if pd.isna(r.total_length_mm) else float(r.total_length_mm), None,
            as_date(r.status_on) or as_date(r.entered_on),
        )
        for r in rows(programme.tables["fish"])
    ]  # fmt: skip


def _last_sites(programme: Programme) -> dict[str, str]:
    """Return the last site of each tag by releases and captures."""
    met = pd.concat(
        [
            programme.tables[name][["tag", day, "site_id"]].set_axis(["tag", "on", "site_id"], axis=1)
            for name, day in (("releases", "released_on"), ("captures", "captured_on"))
        ]
    )
    met = met[(met["tag"] != "") & met["on"].notna()].sort_values("on", kind="stable")
    return {str(tag): str(site) for tag, site in met.groupby("tag")["site_id"].last().items()}


def stock_movers(programme: Programme) -> list[Mover]:
    """Return every row of the table ``stock``."""
    site_of = _last_sites(programme)
    here = set(programme.stock_here["stock_id"])
    return [
        Mover(
            r.stock_id, "stock", 1, r.unit if r.stock_id in here else "",
            "" if r.stock_id in here else site_of.get(r.tag, ""), r.family, "",
            "to-release" if r.stock_id in here else "released" if pd.isna(r.gone_on) else "gone", float(r.total_length_mm),
            as_date(r.withdrawal_until), None,
        )
        for r in rows(programme.tables["stock"])
    ]  # fmt: skip


def _lots(programme: Programme) -> list[Mover]:
    """Return open lots with their last known place and number."""
    place: dict[str, tuple[str, str, dt.date | None]] = {}
    number: dict[str, int] = {}
    for r in rows(programme.tables["group_moves"].sort_values("happened_on", kind="stable")):
        n, on = as_int(r.number), as_date(r.happened_on)
        target = r.to_lot or r.from_lot
        if r.from_lot and r.kind in ("split", "death", "cull", "release", "out", "merge"):
            number[r.from_lot] = max(0, number.get(r.from_lot, 0) - (n or number.get(r.from_lot, 0)))
        if target and r.kind in ("in", "split", "merge"):
            number[target] = number.get(target, 0) + n
        if target and r.kind == "count":
            number[target] = n
        if target and (r.to_unit or r.to_site):
            place[target] = (r.to_unit, r.to_site, on)
        elif target and target not in place and (r.from_unit or r.from_site):
            place[target] = (r.from_unit, r.from_site, on)
    out = []
    for r in rows(programme.tables["lots"]):
        if as_date(r.closed_on) is None:
            unit, site, since = place.get(r.lot_id, ("", "", None))
            out.append(
                Mover(
                    r.lot_id,
                    "lot",
                    number.get(r.lot_id, 0),
                    unit,
                    site,
                    "",
                    "",
                    "",
                    float("nan"),
                    None,
                    since,
                )
            )
    return out
