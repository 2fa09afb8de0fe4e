"""What one fish may be used for on a day, and why not: crossing, release, moving; from the records alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from planner.tasks.card_source import Row, Source

if TYPE_CHECKING:
    from planner.tasks.settings import Settings


@dataclass(frozen=True, slots=True)
class Use:
    """One use.

    Parameters
    ----------
    use : str
        What for.
    may : bool
        Whether no record speaks against it.
    why : tuple of str
        Reasons against it, or what is left, in words.
    """

    use: str
    may: bool
    why: tuple[str, ...]

    def text(self) -> str:
        """Return the use as one line."""
        why = f": {'; '.join(self.why)}" if self.why else ""
        return f"{self.use}: {'yes' if self.may else 'no'}{why}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def uses_now(
    source: Source,
    row: Row,
    day: dt.date,
    settings: Settings,
    holds: Sequence[Row],
    crosses: Sequence[Row],
    treatments: Sequence[Row],
    by_dna: Sequence[str] = (),
) -> list[Use]:
    """Judge the uses of a fish.

    Parameters
    ----------
    source : Source
        Records.
    row : dict
        The fish.
    day : date
        Day.
    settings : Settings
        In force.
    holds, crosses, treatments : sequence of dict
        Of the fish, its family and its unit.
    by_dna : sequence of str
        What the genotype speaks against it, in words.

    Returns
    -------
    list of Use
        Crossing, frozen milt when there is some, and release. DNA screens and kinship of a pair are looked at by the
        spawning plan, the water by `planner.tasks.may_move`.
    """
    held = [_in_words(h) for h in holds if _in_force(h, day)]
    against = _crossing(source, row, day, settings, crosses)
    uses = [
        _use(
            "crossing",
            [*_state(row, ("brood",)), *held, *against, *by_dna],
            _left(row, day, settings, crosses),
        )
    ]
    straws = sum(int(r["straws"]) for r in source.rows("frozen_milt", {"fish_id": row["fish_id"]}))
    if straws:
        frozen_holds = [h for h in held if "species" in h or "identity" in h]
        uses.append(_use("its frozen milt", frozen_holds, [f"{straws} straws"]))
    clock = [
        f"withdrawal until {t['withdrawal_until']} ({t['treatment_id']})"
        for t in treatments
        if t["withdrawal_until"] and t["withdrawal_until"] >= day.isoformat()
    ]
    release = [*_state(row, ("to-release", "brood", "hold")), *held, *clock, *_certificate(source, row, day)]
    uses.append(_use("release", release, ["ask 'kinshoal may-move' for the water"]))
    return uses


def _with(before: str, value: Any, after: str = "") -> str:
    """Return a value with words around it, nothing for an empty one."""
    return "" if value is None or value == "" else f"{before}{value}{after}"


def _use(name: str, against: Sequence[str], left: Sequence[str]) -> Use:
    return Use(name, not against, tuple(against) if against else tuple(left))


def _state(row: Row, wanted: tuple[str, ...]) -> list[str]:
    if row["status"] in wanted:
        return []
    return [f"{row['status']}{_with(' since ', row['status_on'])}"]


def _in_force(hold: Row, day: dt.date) -> bool:
    text = day.isoformat()
    return bool(hold["from_date"] <= text and (hold["until_date"] is None or hold["until_date"] >= text))


def _in_words(hold: Row) -> str:
    of = "" if hold["subject_kind"] == "fish" else f" of {hold['subject_kind']} {hold['subject']}"
    return f"hold{of}: {hold['reason']}{_with(' until ', hold['until_date'])}"


def _crossing(
    source: Source, row: Row, day: dt.date, settings: Settings, crosses: Sequence[Row]
) -> list[str]:
    out = []
    if row["sex"] not in ("female", "male"):
        out.append("sex unknown")
        return out
    own = str(settings["species"])
    if row["species"] and own and row["species"] != own:
        out.append(f"recorded as {row['species']}")
    least = int(settings[f"min_age_{row['sex']}"])
    if row["year_class"] and day.year - int(row["year_class"]) < least:
        out.append(f"{day.year - int(row['year_class'])} years old, {least} are asked")
    most = int(settings[f"{row['sex']}_uses_max"])
    used = _used(crosses, day)
    if used >= most:
        out.append(f"{used} dishes this season, {most} are the limit")
    looks = [
        r for r in source.rows("ripeness", {"fish_id": row["fish_id"]}) if r["checked_on"] <= day.isoformat()
    ]
    if looks:
        last = max(looks, key=lambda r: r["checked_on"])
        recent = (day - dt.date.fromisoformat(last["checked_on"])).days <= int(settings["look_valid_days"])
        if recent and last["state"] in ("spent", "no-milt"):
            out.append(f"{last['state']} on {last['checked_on']}")
    return out


def _used(crosses: Sequence[Row], day: dt.date) -> int:
    return sum(int(c["season"]) == day.year and c["made_on"] <= day.isoformat() for c in crosses)


def _left(row: Row, day: dt.date, settings: Settings, crosses: Sequence[Row]) -> list[str]:
    if row["sex"] not in ("female", "male"):
        return []
    most = int(settings[f"{row['sex']}_uses_max"])
    return [
        f"{most - _used(crosses, day)} of {most} dishes left this season; DNA and kinship are looked at by 'kinshoal spawn'"
    ]


def _certificate(source: Source, row: Row, day: dt.date) -> list[str]:
    if not row["unit"]:
        return []
    mine = source.rows("certificates", {"unit": row["unit"]})
    text = day.isoformat()
    if any(c["result"] == "clear" and c["issued_on"] <= text <= c["valid_until"] for c in mine):
        return []
    return [f"no clear health certificate of unit {row['unit']} valid on {day}"]
