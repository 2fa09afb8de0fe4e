"""Commands about what is allowed: permits, may-move."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import NO_PLAN, Answer, answers
from planner.cli.records import FOLDER, RECORDS
from planner.cli.tags import DAY
from planner.tasks.text_tables import aligned


@click.command(epilog="Example: kinshoal permits demo/records --plan demo/spawning --on 2025-02-14")
@click.argument("folder", type=RECORDS)
@click.option("--on", type=DAY, metavar="DATE", help="Count until this day; default the programme's day.")
@click.option("--plan", type=FOLDER, multiple=True, help="Folder of a plan whose use is added.")
@click.option("--events", is_flag=True, help="List every event counted.")
@answers
def permits(folder: Path | str, on: dt.datetime | None, plan: tuple[Path, ...], events: bool) -> Answer:
    """Show the running tally of every permit limit: used, left, what the plan would add, and when to stop and phone."""
    from planner.tasks.permits import planned_by, tallies, tally_lines, tally_table
    from planner.tasks.programme import open_programme

    planned = {k: v for one in plan for k, v in planned_by(one).items()}
    found = tallies(open_programme(folder, with_calls=False), on.date() if on else None, planned)
    text = "\n".join(
        [aligned(*tally_table(found), right=(5, 6, 7, 8, 9, 10)), "", *tally_lines(found, with_events=events)]
    )
    return Answer(text.rstrip(), {"permits": [t.as_dict() for t in found]})


@click.command("may-move", epilog="Example: kinshoal may-move demo/records Y24-0014 BB --on 2024-11-12")
@click.argument("folder", type=RECORDS)
@click.argument("what")
@click.argument("where")
@click.option(
    "--on", type=DAY, metavar="DATE", help="Day of the move; default the day of release, or today for a unit."
)
@answers
def may_move(folder: Path | str, what: str, where: str, on: dt.datetime | None) -> Answer:
    """Say whether a fish, tag, family, lot or unit (WHAT) may go to a site or unit (WHERE), and why or why not.

    Health certificate, withdrawal, quarantine, order of water risk, permit, state of the site, species and holds; each
    with what would change it. Ends with exit code 4 when the answer is no.
    """
    from planner.tasks.may_move import may_move
    from planner.tasks.programme import open_programme

    found = may_move(open_programme(folder), what, where, on.date() if on else None)
    return Answer("\n".join(found.lines()), found.as_dict(), 0 if found.may else NO_PLAN)
