"""What the records say of fish before a move: withdrawal times and quarantine, for the release plan and the single move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from planner.tasks.individuals import as_date
from planner.tasks.move_subjects import Mover
from planner.tasks.programme import Programme
from planner.tasks.rows import rows


def withdrawals(programme: Programme, movers: Sequence[Mover], on: dt.date) -> dict[str, tuple[dt.date, str]]:
    """Return the last day of withdrawal and its source for each fish or lot that is still under one on a day.

    Counted are the day in the record of the fish, and every treatment of the fish, the lot or its unit that began by
    the day: until its withdrawal day, or through the day asked for while it goes on without one.
    """
    treated: dict[tuple[str, str], list[tuple[dt.date, str]]] = {}
    for r in rows(programme.tables["treatments"]):
        start, end, over = as_date(r.started_on), as_date(r.withdrawal_until), as_date(r.ended_on)
        if start is None or start > on:
            continue
        if end is not None:
            treated.setdefault((r.subject_kind, r.subject), []).append((end, f"treatment {r.treatment_id}"))
        elif over is None or over >= on:
            words = f"treatment {r.treatment_id}, which goes on"
            treated.setdefault((r.subject_kind, r.subject), []).append((on, words))
    out = {}
    for m in movers:
        ends = [(m.withdrawal_until, "its own record")] if m.withdrawal_until else []
        ends += treated.get((m.kind, m.name), []) + treated.get(("unit", m.unit), [])
        if ends and max(ends)[0] >= on:
            out[m.name] = max(ends)
    return out


def quarantined(programme: Programme, movers: Sequence[Mover], on: dt.date) -> dict[str, dt.date | None]:
    """Return the first day after quarantine for each fish or lot still in it on a day; None: since when is not recorded.

    A fish is in quarantine while it is in a unit of kind ``quarantine`` for fewer days than the setting
    ``quarantine_days``.
    """
    rooms = {r.unit_id for r in rows(programme.tables["units"]) if r.kind == "quarantine"}
    days = int(programme.settings["quarantine_days"])
    out: dict[str, dt.date | None] = {}
    for m in movers:
        if m.unit not in rooms:
            continue
        if m.here_since is None:
            out[m.name] = None
        elif (on - m.here_since).days < days:
            out[m.name] = m.here_since + dt.timedelta(days=days)
    return out
