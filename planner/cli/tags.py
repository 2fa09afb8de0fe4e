"""Commands about tags: whose-tag, tags."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned

DAY = click.DateTime(["%Y-%m-%d"])


@click.command(
    "whose-tag", epilog="Example: kinshoal whose-tag demo/records 999090000010022 --at QL --length 436"
)
@click.argument("folder", type=RECORDS)
@click.argument("code")
@click.option("--on", type=DAY, metavar="DATE", help="Day of the reading; default the programme's day.")
@click.option("--at", default="", metavar="PLACE", help="Site or unit where the fish is.")
@click.option("--length", type=float, metavar="MM", help="Its total length.")
@click.option("--sex", type=click.Choice(["female", "male"]), default=None, help="Its sex as seen.")
@click.option("--sample", default="", metavar="SAMPLE", help="Its sample in the genotype files.")
@click.option("--scanned", is_flag=True, help="The reader stored the code; nobody typed it.")
@click.option("--most", type=click.IntRange(1, 1000), default=10, help="Most fish listed.")
@answers
def whose_tag(
    folder: Path | str,
    code: str,
    on: dt.datetime | None,
    at: str,
    length: float | None,
    sex: str | None,
    sample: str,
    scanned: bool,
    most: int,
) -> Answer:
    """Rank the fish that may carry a code that the records do not know, with probabilities.

    Weighs slips of writing, tags bought, fish alive at the time, place, length, sex and genotype. The chance that it is
    none of the fish of the records is always stated. Nothing is changed.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.whose_tag import InHand, whose_tag

    programme = open_programme(folder, with_calls=bool(sample))
    hand = InHand(on.date() if on else None, at, length, sex or "", sample, scanned)
    found = whose_tag(programme, code, hand, most)
    return Answer("\n".join([aligned(*found.table(), right=(1,)), "", *found.lines()]), found.as_dict())


@click.command(epilog="Example: kinshoal tags demo/records")
@click.argument("folder", type=RECORDS)
@answers
def tags(folder: Path | str) -> Answer:
    """Show the stock of tags by box: bought, used, scrapped, left; and tags lost, doubled or in two fish."""
    from planner.tasks.programme import open_programme
    from planner.tasks.tag_stock import tag_report

    report = tag_report(open_programme(folder, with_calls=False))
    text = "\n".join([aligned(*report.table(), right=(4, 5, 6, 7)), "", *report.lines()])
    return Answer(text, report.as_dict())
