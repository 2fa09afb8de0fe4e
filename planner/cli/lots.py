"""Command about lots: what is in a lot, tank, pond, truck or water."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import SET, overrides_of
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned


@click.command(epilog="Example: kinshoal lots demo/records --unit P-04")
@click.argument("folder", type=RECORDS)
@click.option("--lot", metavar="LOT", default="", help="One lot, wherever its fish are.")
@click.option("--unit", metavar="UNIT", default="", help="One tank, pond, cell or truck tank.")
@click.option("--site", metavar="SITE", default="", help="One water.")
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), help="Day; later events are not used. Default: today's."
)
@click.option(
    "--most", type=click.IntRange(min=1), default=40, show_default=True, help="Most families listed."
)
@SET
@answers
def lots(
    folder: Path | str,
    lot: str,
    unit: str,
    site: str,
    on: dt.datetime | None,
    most: int,
    changes: tuple[str, ...],
) -> Answer:
    """Say which families are in a lot, tank, pond, truck or water, and whether the fish add up.

    Shares carry 95 % intervals through every split, merge, death, cull, count and DNA sample. Without a place: all lots.
    """
    from planner.tasks.lots import ASSUMED, BALANCE_HEAD, lots_report, unknown_note
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    progress("Following the lots")
    report = lots_report(programme, lot, unit, site, None if on is None else on.date())
    lines = [f"{report.what or 'All lots that hold fish'} on {report.on.isoformat()}"]
    pools = [[p.words, n.text(0), e.text(1)] for p, n, e in report.pools]
    lines += (
        ["", aligned(["lot and place", "fish", "effective families"], pools)] if pools else ["", "No fish."]
    )
    c = report.composition
    if c is not None and c.families:
        rows = report.family_rows()
        lines += ["", f"fish {c.total.text(0)}, effective families {c.effective_families.text(1)}"]
        lines += [aligned(["family", "share", "fish", "chance of none"], rows[:most])]
        if len(rows) > most:
            lines.append(f"... and {len(rows) - most} more families; --most lists them.")
    if report.balances:
        lines += [
            "",
            "Mass balance:",
            aligned(BALANCE_HEAD, [b.row() for b in report.balances], tuple(range(1, 8))),
        ]
    words = [*report.differences(), *report.surprises]
    if words:
        lines += ["", "What does not add up:", *(f"- {w}" for w in words)]
    elif report.balances:
        lines += ["", "Everything adds up within the errors of the counts."]
    if report.history:
        lines += ["", "What happened:", *(f"- {h}" for h in report.history)]
    lines += ["", *unknown_note(report), ASSUMED]
    return Answer("\n".join(lines), report.as_dict())
