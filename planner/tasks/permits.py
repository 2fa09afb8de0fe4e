"""Permits: a running tally for each limit, what is left, what the plan at hand would use, and when to stop and phone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.individuals import as_date
from planner.tasks.permit_events import ADULT_STAGES, LARVAL_STAGES, Event, events_of
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

STOP, OVER, NEAR, OPEN, NOT_YET, ENDED, NO_LIMIT = (
    "stop",
    "exceeded",
    "nearly used",
    "open",
    "not yet valid",
    "no longer valid",
    "no limit",
)


@dataclass(frozen=True)
class Tally:
    """One limit of one permit and how it stands.

    Parameters
    ----------
    permit, activity, stage : str
        As in the records.
    valid_from, valid_until : date
        First and last day.
    limit : int or None
        Most allowed; None when the permit sets no number.
    counted : int
        Counted from the events of the records until the day asked for.
    entered : int or None
        Number entered by hand in the permit's own row.
    planned : int
        What the plan at hand would add.
    state : str
        ``open``, ``nearly used``, ``stop`` (nothing left), ``exceeded``, ``no limit``, ``not yet valid``, ``no longer
        valid``.
    phone : str
        Whom to call; a role.
    events : tuple of Event
        Everything counted, by day.
    """

    permit: str
    activity: str
    stage: str
    valid_from: dt.date
    valid_until: dt.date
    limit: int | None
    counted: int
    entered: int | None
    planned: int
    state: str
    phone: str
    events: tuple[Event, ...]

    @property
    def used(self) -> int:
        """The larger of the number counted and the number entered: both are upper bounds a permit must bear."""
        return max(self.counted, self.entered or 0)

    @property
    def left(self) -> int | None:
        """What may still be used, None without a limit; never below 0."""
        return None if self.limit is None else max(0, self.limit - self.used)

    @property
    def left_after_plan(self) -> int | None:
        """What would be left after the plan; below 0 when the plan needs more than is left."""
        return None if self.limit is None else self.limit - self.used - self.planned

    def stop_text(self) -> str:
        """Return the stop-and-phone text, empty when there is no need to stop."""
        if self.limit is None or self.state not in (STOP, OVER):
            return ""
        over = self.used - self.limit
        words = f"{self.used} of {self.limit} used" + (f", {over} too many" if over > 0 else ", nothing left")
        return (
            f"STOP {self.activity} ({self.stage or 'any stage'}). Permit {self.permit}: {words}. Take, move or handle no "
            f"more under it. Phone: {self.phone or 'the office that issued the permit'}. Say the number of the permit, what "
            "was done, when, where and how many; write down the time and the answer."
        )

    def as_dict(self, *, with_events: bool = True) -> dict[str, Any]:
        """Return plain values for JSON."""
        out = asdict(self) | {
            "used": self.used,
            "left": self.left,
            "left_after_plan": self.left_after_plan,
            "stop_and_phone": self.stop_text(),
        }
        if not with_events:
            out.pop("events")
        return out


def tallies(
    programme: Programme,
    on: dt.date | None = None,
    planned: Mapping[str, int | Sequence[str]] | None = None,
    activity: str | None = None,
) -> list[Tally]:
    """Count every limit of every permit.

    Parameters
    ----------
    programme : Programme
        Open records.
    on : date, optional
        Events after this day are left out; default the programme's day.
    planned : mapping, optional
        By activity: fish the plan at hand would add; for ``spawn`` the females, of whom those counted already add none.
    activity : str, optional
        Only limits of this activity; default all.

    Returns
    -------
    list of Tally
        In the order of the records. An event that names a permit counts with it alone, any other with every limit of
        its activity and stage that is valid on its day.
    """
    day = on or programme.today
    warn = float(programme.settings["permit_warn_share"])
    permits = programme.tables["permits"]
    if activity is not None:
        permits = permits[permits["activity"] == activity]
    events = {a: events_of(programme, a) for a in set(permits["activity"])}
    out = []
    for r in rows(permits):
        start, end = as_date(r.valid_from), as_date(r.valid_until)
        if start is None or end is None:
            continue
        mine = tuple(
            e
            for e in events.get(r.activity, ())
            if start <= e.on <= min(end, day) and _belongs(e, r.permit_id, r.stage)
        )
        counted, seen = count_events(mine)
        limit = None if pd.isna(r.limit_number) else int(r.limit_number)
        entered = None if pd.isna(r.used) else int(r.used)
        extra = (
            (planned or {}).get(r.activity, 0) if start <= _plan_day(programme, r.activity, day) <= end else 0
        )
        more = extra if isinstance(extra, int) else len({f"female {x}" for x in extra} - seen)
        used = max(counted, entered or 0)
        state = state_of(used, limit, start, end, day, warn)
        out.append(
            Tally(
                r.permit_id,
                r.activity,
                r.stage,
                start,
                end,
                limit,
                counted,
                entered,
                more,
                state,
                r.phone_note,
                mine,
            )
        )
    return out


def _plan_day(programme: Programme, activity: str, day: dt.date) -> dt.date:
    """Return the day for which a plan of an activity is made."""
    names = {"spawn": "spawning_day", "release": "release_day"}
    return programme.settings.day(names[activity]) if activity in names else day


def count_events(events: Sequence[Event]) -> tuple[int, set[str]]:
    """Return the number counted, events with the same mark once, and the marks seen."""
    total, seen = 0, set()
    for e in events:
        if e.once:
            if e.once in seen:
                continue
            seen.add(e.once)
        total += e.number
    return total, seen


def state_of(used: int, limit: int | None, start: dt.date, end: dt.date, day: dt.date, warn: float) -> str:
    """Return how a limit stands on a day; a limit beyond its number says so even after its last day."""
    if limit is not None and used > limit:
        return OVER
    if day < start:
        return NOT_YET
    if day > end:
        return ENDED
    if limit is None:
        return NO_LIMIT
    if used >= limit:
        return STOP
    return NEAR if used >= warn * limit else OPEN


def _belongs(event: Event, permit: str, stage: str) -> bool:
    if event.permit:
        return event.permit == permit
    words = set(stage.lower().replace(",", " ").split())
    if not event.stage or not words:
        return True
    if words & set(ADULT_STAGES):
        return event.stage in ("adults", "females")
    if words & set(LARVAL_STAGES):
        return event.stage in ("larvae", "eggs")
    return event.stage not in ("adults", "larvae", "eggs") or event.stage in words


@dataclass(frozen=True)
class Room:
    """Whether a number may be done under the permits of an activity on a day.

    Parameters
    ----------
    may : bool
        Whether it may.
    left : int or None
        Least left of all limits valid on the day, None when nothing limits it.
    why : str
        Facts in words.
    change : str
        What would change it, empty when it may.
    tallies : tuple of Tally
        Limits that were looked at.
    """

    may: bool
    left: int | None
    why: str
    change: str
    tallies: tuple[Tally, ...]


def permit_room(programme: Programme, activity: str, number: int, on: dt.date) -> Room:
    """Say whether the permits leave room for a number; the hard stop before any entry.

    Parameters
    ----------
    programme : Programme
        Open records.
    activity : str
        Activity of the permits.
    number : int
        Fish, larvae or females to add.
    on : date
        Day.

    Returns
    -------
    Room
        Every limit valid on the day holds. Without any permit of the activity in the records there is nothing to hold
        against it, and `why` says so.
    """
    of_kind = tallies(programme, on, activity=activity)
    valid = [t for t in of_kind if t.valid_from <= on <= t.valid_until]
    if not of_kind:
        return Room(
            True, None, f"no permit for {activity} in the records: no number was held against it", "", ()
        )
    if not valid:
        last = max(of_kind, key=lambda t: t.valid_until)
        return Room(
            False,
            0,
            f"no permit for {activity} is valid on {on}; {last.permit} holds from {last.valid_from} to {last.valid_until}",
            "another day, or a permit that covers this day",
            tuple(of_kind),
        )
    limited = [t for t in valid if t.left is not None]
    if not limited:
        return Room(True, None, f"permit {valid[0].permit} sets no number", "", tuple(valid))
    least = min(limited, key=lambda t: t.left or 0)
    left = least.left or 0
    why = f"permit {least.permit}: {least.used} of {least.limit} used, {left} left"
    if number <= left:
        return Room(True, left, why, "", tuple(valid))
    phone = f"; phone {least.phone}" if least.phone else ""
    change = f"at most {left} instead of {number}, or a larger permit{phone}"
    return Room(False, left, why, change, tuple(valid))


def planned_by(folder: Path) -> dict[str, int | list[str]]:
    """Return what the plans in a folder would add to each activity.

    Parameters
    ----------
    folder : Path
        Folder with ``spawning_plan.json`` or ``release_plan.json``, or both.

    Raises
    ------
    UsageError
        If it holds neither, or a file that is no plan.
    """
    from planner.tasks.plan_file import read_plan_file

    out: dict[str, int | list[str]] = {}
    spawning, release = folder / "spawning_plan.json", folder / "release_plan.json"
    if spawning.exists():
        out["spawn"] = sorted({c["dam"] for c in read_plan_file(spawning).get("crosses", [])})
    if release.exists():
        out["release"] = sum(len(fish) for fish in read_plan_file(release).get("fish", {}).values())
    if not out:
        raise UsageError(
            f"--plan {folder}: found no plan. Expected a folder with spawning_plan.json or release_plan.json. Name the "
            "folder of a plan."
        )
    return out


def tally_table(found: Sequence[Tally]) -> tuple[list[str], list[list[str]]]:
    """Return headings and rows of tallies."""
    head = [
        "permit",
        "activity",
        "stage",
        "from",
        "until",
        "limit",
        "counted",
        "entered",
        "left",
        "planned",
        "after",
        "state",
    ]

    def shown(value: int | None) -> str:
        return "-" if value is None else str(value)

    return head, [
        [
            t.permit, t.activity, t.stage, str(t.valid_from), str(t.valid_until), shown(t.limit), str(t.counted),
            shown(t.entered), shown(t.left), str(t.planned), shown(t.left_after_plan), t.state,
        ]
        for t in found
    ]  # fmt: skip


def tally_lines(found: Sequence[Tally], *, with_events: bool = False) -> list[str]:
    """Return what stands under the table: where to stop and phone, what the plan lacks, numbers that differ, events."""
    out = [text for t in found if (text := t.stop_text())]
    for t in found:
        if t.planned and t.left_after_plan is not None and t.left_after_plan < 0:
            out.append(
                f"HARD STOP: the plan needs {t.planned} under permit {t.permit} ({t.activity}) and {t.left} are left. Make "
                f"the plan smaller by {-t.left_after_plan}, or phone {t.phone or 'the office that issued it'} first."
            )
        if t.entered is not None and t.entered != t.counted and t.events:
            out.append(
                f"Permit {t.permit} ({t.activity}): {t.entered} entered by hand, {t.counted} counted from the records; the "
                "larger holds. Find the events that are missing or counted twice."
            )
    if with_events:
        for t in found:
            out += ["", f"{t.permit} {t.activity} {t.stage}: {len(t.events)} event(s)"]
            out += [f"  {e.on}  {e.number:>6}  {e.what}  [{e.record}]" for e in t.events]
    return out
