"""The command `card`: one fish on one page."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers
from planner.cli.records import RECORDS


@click.command(epilog="Example: kinshoal card demo/records F-03")
@click.argument("folder", type=RECORDS)
@click.argument("fish")
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="Day for which its use is judged."
)
@click.option("--dna", is_flag=True, help="Look at its genotype too; takes longer.")
@answers
def card(folder: Path | str, fish: str, on: dt.datetime | None, dna: bool) -> Answer:
    """Show one fish on one page, by name or tag.

    Who it is, parents and three generations, kin among the living brood, identifiers, places, samples, measurements with
    growth, crosses and offspring, holds, and what it may be used for now and why not.
    """
    from planner.tasks.card import card_of

    found = card_of(folder, fish, on.date() if on else None, dna=dna)
    return Answer(found.text(), found.data)
