"""Commands that enter and look up records: add, change, withdraw, list, show, find, history, confirm, merge-fish."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers
from planner.cli.register import PLACE, WHO
from planner.cli.tags import DAY
from planner.tasks.text_tables import aligned

TABLE = click.argument("table")
KEY = click.argument("key")
VALUES = click.argument("values", nargs=-1, metavar="COLUMN=VALUE...")
WHY = click.option("--reason", default="", help="Why; stays in the history.")
TRUE_ON = click.option("--true-on", type=DAY, metavar="DATE", help="Day on which it became true.")


@click.command(
    epilog="Example: kinshoal add demo/records.kinshoal holds subject=F-03 subject_kind=fish reason=health "
    "from_date=2024-10-20 --as NAME"
)
@PLACE
@TABLE
@VALUES
@WHO
@WHY
@TRUE_ON
@click.option("--beyond-permit", is_flag=True, help="Propose it although a permit leaves no room.")
@answers
def add(
    register: Path | str,
    table: str,
    values: tuple[str, ...],
    who: str,
    reason: str,
    true_on: dt.datetime | None,
    beyond_permit: bool,
) -> Answer:
    """Add one record to a table of a register.

    A release or a cull becomes a proposal that a second person confirms; a permit that leaves no room is a hard stop.
    """
    from planner.tasks import verbs

    with verbs.open_register(register) as opened:
        day = true_on.date() if true_on else None
        done = verbs.add(opened, table, verbs.pairs(values), who, reason, day, beyond_permit=beyond_permit)
    return Answer(done.words, done.as_dict())


@click.command(
    epilog="Example: kinshoal change demo/records.kinshoal fish F-03 weight_g=2310 --as NAME --reason weighed"
)
@PLACE
@TABLE
@KEY
@VALUES
@WHO
@WHY
@TRUE_ON
@click.option("--euthanasia", is_flag=True, help="The fish is to be killed: a second person confirms.")
@click.option("--beyond-permit", is_flag=True, help="Propose it although a permit leaves no room.")
@answers
def change(
    register: Path | str,
    table: str,
    key: str,
    values: tuple[str, ...],
    who: str,
    reason: str,
    true_on: dt.datetime | None,
    euthanasia: bool,
    beyond_permit: bool,
) -> Answer:
    """Correct one record, named by its key or by #NUMBER; the old version stays in the history."""
    from planner.tasks import verbs

    with verbs.open_register(register) as opened:
        day = true_on.date() if true_on else None
        done = verbs.change(
            opened,
            table,
            key,
            verbs.pairs(values),
            who,
            reason,
            day,
            euthanasia=euthanasia,
            beyond_permit=beyond_permit,
        )
    return Answer(done.words, done.as_dict())


@click.command(
    epilog="Example: kinshoal withdraw demo/records.kinshoal holds '#4' --as NAME --reason 'typed twice'"
)
@PLACE
@TABLE
@KEY
@WHO
@WHY
@answers
def withdraw(register: Path | str, table: str, key: str, who: str, reason: str) -> Answer:
    """Withdraw one record: it no longer counts, and its history stays."""
    from planner.tasks import verbs

    with verbs.open_register(register) as opened:
        done = verbs.withdraw(opened, table, key, who, reason)
    return Answer(done.words, done.as_dict())


@click.command(
    "list",
    epilog="Example: kinshoal list demo/records.kinshoal fish sex=female status=brood --sort -weight_g",
)
@PLACE
@TABLE
@click.argument("where", nargs=-1, metavar="[COLUMN=VALUE]...")
@click.option(
    "--columns", default="", metavar="NAMES", help="Columns with commas between; default those with values."
)
@click.option(
    "--sort", default="", metavar="NAMES", help="Columns to sort by; a minus in front for falling order."
)
@click.option("--limit", type=click.IntRange(1), default=50, show_default=True, help="Most records.")
@click.option(
    "--known-on",
    default="",
    metavar="WHEN",
    help="As it was known on a day, at a time (UTC), or after a change.",
)
@answers
def list_(
    register: Path | str,
    table: str,
    where: tuple[str, ...],
    columns: str,
    sort: str,
    limit: int,
    known_on: str,
) -> Answer:
    """List the records of a table; COLUMN=VALUE filters, COLUMN= finds empty cells."""
    from planner.tasks import verbs

    names = [n.strip() for n in columns.split(",") if n.strip()]
    order = [n.strip() for n in sort.split(",") if n.strip()]
    with verbs.open_register(register, read_only=True) as opened:
        found, total = verbs.list_records(
            opened,
            table,
            verbs.pairs(where, needed=False),
            columns=names,
            sort=order,
            limit=limit,
            known_on=known_on,
        )
    said = f"{len(found)} of {total} record(s)" + ("; more with --limit" if total > len(found) else "")
    text = f"{aligned(*verbs.list_table(found, names))}\n\n{said}" if found else "No record."
    return Answer(text, {"table": table, "total": total, "records": found})


@click.command(epilog="Example: kinshoal show demo/records.kinshoal fish F-03")
@PLACE
@TABLE
@KEY
@answers
def show(register: Path | str, table: str, key: str) -> Answer:
    """Show one record, named by its key or by #NUMBER, and who entered it."""
    from planner.tasks import verbs

    with verbs.open_register(register, read_only=True) as opened:
        lines, data = verbs.show(opened, table, key)
    return Answer("\n".join(lines), data)


@click.command(epilog="Example: kinshoal find demo/records.kinshoal fungus")
@PLACE
@click.argument("text")
@click.option("--limit", type=click.IntRange(1), default=50, show_default=True, help="Most hits.")
@answers
def find(register: Path | str, text: str, limit: int) -> Answer:
    """Find a text in the names, tags and notes of every table; names and tags one slip away are offered too."""
    from planner.tasks import verbs

    with verbs.open_register(register, read_only=True) as opened:
        head, body, data = verbs.find(opened, text, limit)
    return Answer(aligned(head, body) if body else "Nothing found, and nothing near.", data)


@click.command(epilog="Example: kinshoal history demo/records.kinshoal fish F-03")
@PLACE
@TABLE
@KEY
@answers
def history(register: Path | str, table: str, key: str) -> Answer:
    """Show every version of a record: who, when, why, and old and new values."""
    from planner.tasks import verbs

    with verbs.open_register(register, read_only=True) as opened:
        lines, data = verbs.history_of(opened, table, key)
    return Answer("\n".join(lines), data)


@click.command(epilog="Example: kinshoal confirm demo/records.kinshoal 1 --as NAME")
@PLACE
@click.argument("number")
@WHO
@click.option("--refuse", is_flag=True, help="Refuse it: nothing is changed.")
@click.option("--take-back", is_flag=True, help="The proposer takes it back.")
@click.option("--answer", default="", help="What the second person says.")
@answers
def confirm(
    register: Path | str, number: str, who: str, refuse: bool, take_back: bool, answer: str
) -> Answer:
    """Confirm a proposal as the second person: a release, euthanasia, a merge of two fish, an entry beyond a permit.

    Needs role approve, and another person than the one who proposed. It is entered as one change that names both.
    """
    from planner.tasks import verbs
    from planner.tasks.proposals import confirm as decide

    with verbs.open_register(register) as opened:
        done = decide(opened, number, who, refuse=refuse, take_back=take_back, answer=answer)
    return Answer(done.words, done.as_dict())


@click.command(
    "merge-fish",
    epilog="Example: kinshoal merge-fish demo/records.kinshoal M-01 M-12 --as NAME --reason 'one genotype'",
)
@PLACE
@click.argument("keep")
@click.argument("gone")
@WHO
@WHY
@answers
def merge_fish(register: Path | str, keep: str, gone: str, who: str, reason: str) -> Answer:
    """Propose that two names are one fish: KEEP stays, everything under GONE moves to it once a second person confirms."""
    from planner.tasks import verbs
    from planner.tasks.merge_fish import propose_merge

    with verbs.open_register(register) as opened:
        done = propose_merge(opened, keep, gone, who, reason)
    return Answer(done.words, done.as_dict())
