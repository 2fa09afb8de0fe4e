"""Commands of the register as a whole: new, import, queue, findings, status, log, undo, verify, copies, merge."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import INPUT_FAULTS, Answer, answers, progress
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned


class RegisterPlace(click.ParamType):
    """A register file or its address; whether there is one is found out when it is opened."""

    name = "register"

    def convert(
        self, value: str | Path, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path | str:
        """Return a file as a path, an address as text."""
        text = str(value)
        return text if "://" in text else Path(text)


REGISTER = RegisterPlace()
PLACE = click.argument("register", type=REGISTER)
WHO = click.option("--as", "who", metavar="NAME", required=True, help="Who enters it.")
WHO_IF_WRITTEN = click.option("--as", "who", metavar="NAME", help="Who enters it; needed with --write.")
WRITE = click.option("--write", is_flag=True, help="Write it; without this nothing is written.")
REASON = click.option("--reason", default="", help="Why.")


def signed(who: str | None, write: bool) -> str:
    """Return who signs.

    Raises
    ------
    UsageError
        If something is to be written and nobody signs.
    """
    from broodstock.errors import UsageError

    if write and not (who or "").strip():
        raise UsageError("--as: found nobody. Expected who enters it, for example --write --as 'T. Arden'.")
    return (who or "").strip()


@click.group(epilog="Example: kinshoal register import records.kinshoal demo/records")
def register() -> None:
    """Keep records in one file with their whole history: import, review, merge, copy, export.

    A register is one file, or the address of a PostgreSQL database (postgresql+psycopg://USER@HOST/NAME). Every command
    of Kinshoal takes one wherever it takes a folder of records.
    """


@register.command("new", epilog="Example: kinshoal register new records.kinshoal")
@PLACE
@answers
def new(register: Path | str) -> Answer:
    """Make an empty register in a new file or an empty database."""
    from planner.tasks.register_state import new_register

    return Answer(*new_register(register))


@register.command("import", epilog="Example: kinshoal register import records.kinshoal demo/records")
@PLACE
@click.argument("path", type=click.Path(exists=True, path_type=Path))
@WHO_IF_WRITTEN
@REASON
@WRITE
@click.option("--table", default="", help="Table of a single file that is not named like one.")
@click.option("--map", "maps", multiple=True, metavar="HEADER=COLUMN", help="What a foreign header means.")
@click.option(
    "--unit", "units", multiple=True, metavar="COLUMN=UNIT", help="Unit in the file: in, lb, kg ..."
)
@click.option("--length-type", default="", metavar="KIND", help="Kind of every length: TL, FL or SL.")
@click.option(
    "--word", "words", multiple=True, metavar="COLUMN:THEIRS=OURS", help="What a word of the file means."
)
@click.option("--fill", multiple=True, metavar="COLUMN=VALUE", help="What an empty cell or no column means.")
@click.option(
    "--dates", default="", metavar="ORDER", help="Dates that are not ISO: day-first or month-first."
)
@click.option("--mapping", default="", metavar="NAME", help="Use headers and units saved under a name.")
@click.option("--save-mapping", default="", metavar="NAME", help="Save headers and units (with --write).")
@click.option(
    "--confirmed-by", default="", metavar="NAME", help="Second person, for an import with releases or culls."
)
@click.option("--newer", is_flag=True, help="Records from a file of this name take its newer values.")
@click.option("--today", metavar="DATE", help="Day to read the records for.")
@answers
def import_(
    register: Path | str,
    path: Path,
    who: str | None,
    reason: str,
    write: bool,
    table: str,
    maps: tuple[str, ...],
    units: tuple[str, ...],
    length_type: str,
    words: tuple[str, ...],
    fill: tuple[str, ...],
    dates: str,
    mapping: str,
    save_mapping: str,
    confirmed_by: str,
    newer: bool,
    today: str | None,
) -> Answer:
    """Read a folder of records, a CSV file or a workbook into a register; a dry run unless --write is given.

    Everything is checked together with the records there. Faults stop the whole import (exit code 3). A row about a
    record that is there with other values goes to the merge queue, never over it. A file that was imported before changes
    nothing. In a register with people who imports needs role enter, and approve to bring people; rows that are releases or
    culls, and fish that become released, need a second person with role approve: --confirmed-by. A file cannot order that a
    fish be killed: 'kinshoal change --euthanasia' proposes that.
    """
    from planner.tasks.register_state import import_into

    report = import_into(
        register,
        path,
        who=signed(who, write),
        reason=reason,
        write=write,
        table=table,
        maps=maps,
        units=units,
        length_type=length_type,
        words=words,
        fill=fill,
        dates=dates,
        mapping=mapping,
        save_as=save_mapping,
        confirmed_by=confirmed_by,
        newer=newer,
        overrides={} if today is None else {"today": today},
        say=progress,
    )
    return Answer(report.text(), report.as_dict(), INPUT_FAULTS if report.plan.refused else 0)


@register.command("queue", epilog="Example: kinshoal register queue records.kinshoal")
@PLACE
@answers
def queue(register: Path | str) -> Answer:
    """List what waits: both versions side by side, with the source of each."""
    from planner.tasks.register_state import queue_of

    items = queue_of(register)
    text = "\n\n".join(i.text() for i in items) if items else "Nothing waits."
    return Answer(text, {"queue": [i.as_dict() for i in items]})


@register.command(
    "take", epilog="Example: kinshoal register take records.kinshoal 3f9c --keep new --as NAME --reason seen"
)
@PLACE
@click.argument("item")
@click.argument("fields", nargs=-1, metavar="[COLUMN=VALUE]...")
@click.option(
    "--keep",
    type=click.Choice(["old", "new", "fields", "both"]),
    required=True,
    help="old: as in the register; new: the other version; fields: the values given; both: two records.",
)
@WHO
@click.option("--reason", required=True, help="Why this version is right.")
@answers
def take(
    register: Path | str, item: str, fields: tuple[str, ...], keep: str, who: str, reason: str
) -> Answer:
    """Decide one difference; COLUMN=new, COLUMN=old or COLUMN=VALUE say what each field gets with --keep fields."""
    from planner.tasks.register_state import take_from_queue

    words = take_from_queue(register, item, keep, fields, who, reason)
    return Answer(words, {"decided": words})


@register.command("findings", epilog="Example: kinshoal register findings records.kinshoal --level warning")
@PLACE
@click.option("--level", type=click.Choice(["error", "warning", "note"]), default="note", help="Least level.")
@click.option("--accept", multiple=True, metavar="MARK", help="Accept a finding: it stays accepted.")
@click.option("--reviewed", multiple=True, metavar="MARK", help="Someone has looked; it is not settled yet.")
@click.option("--reopen", multiple=True, metavar="MARK", help="Open a decided finding again.")
@click.option("--as", "who", metavar="NAME", help="Who decides; needed with these three.")
@REASON
@click.option("--today", metavar="DATE", help="Day to read the records for.")
@answers
def findings(
    register: Path | str,
    level: str,
    accept: tuple[str, ...],
    reviewed: tuple[str, ...],
    reopen: tuple[str, ...],
    who: str | None,
    reason: str,
    today: str | None,
) -> Answer:
    """Run every check on the register; reviewed and accepted findings are shown apart, accepted ones stay accepted."""
    from planner.tasks.register_state import findings_of

    name = signed(who, bool(accept or reviewed or reopen))
    text, data = findings_of(register, level, accept, reopen, name, reason, today, reviewed)
    return Answer(text, data)


@register.command("status", epilog="Example: kinshoal register status records.kinshoal")
@PLACE
@answers
def status(register: Path | str) -> Answer:
    """Show what a register holds: records by table, last change, open differences and findings."""
    from planner.tasks.register_state import status_of

    return Answer(*status_of(register))


@register.command("log", epilog="Example: kinshoal register log records.kinshoal --last 5")
@PLACE
@click.option("--last", type=click.IntRange(1), default=20, show_default=True, help="How many changes.")
@answers
def log(register: Path | str, last: int) -> Answer:
    """List the last changes: number, when, who, what kind, why, from what."""
    from planner.tasks.register_state import log_of

    rows, data = log_of(register, last)
    text = aligned(["change", "entered", "by", "kind", "true on", "reason", "source"], rows)
    return Answer(text if rows else "No change yet.", data)


@register.command(
    "undo", epilog="Example: kinshoal register undo records.kinshoal 3 --as NAME --reason wrong-file"
)
@PLACE
@click.argument("change", type=click.IntRange(1))
@WHO
@click.option("--reason", required=True, help="Why.")
@answers
def undo(register: Path | str, change: int, who: str, reason: str) -> Answer:
    """Undo one change by a counter-entry; the change itself stays in the history."""
    from planner.tasks.register_state import undo_change

    return Answer(*undo_change(register, change, who, reason))


@register.command("verify", epilog="Example: kinshoal register verify records.kinshoal")
@PLACE
@answers
def verify(register: Path | str) -> Answer:
    """Check the file, the references and the hash chain over the whole history (exit code 3 if broken)."""
    from planner.tasks.register_state import verify_register

    text, data, ok = verify_register(register)
    return Answer(text, data, 0 if ok else INPUT_FAULTS)


@register.command("upgrade", epilog="Example: kinshoal register upgrade records.kinshoal")
@PLACE
@answers
def upgrade(register: Path | str) -> Answer:
    """Bring a register of an older Kinshoal to this version's tables; a backup is kept first."""
    from planner.tasks.register_state import upgrade_register

    return Answer(*upgrade_register(register))


@register.command("backup", epilog="Example: kinshoal register backup records.kinshoal copy.kinshoal")
@PLACE
@click.argument("target", type=click.Path(path_type=Path))
@answers
def backup(register: Path | str, target: Path) -> Answer:
    """Copy a register into a new file while others go on working; the copy is verified."""
    from planner.tasks.register_state import back_up

    return Answer(*back_up(register, target))


@register.command("restore", epilog="Example: kinshoal register restore copy.kinshoal new.kinshoal")
@click.argument("source", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("target", type=REGISTER)
@answers
def restore(source: Path, target: Path | str) -> Answer:
    """Copy a backup into a new file or an empty database, after verifying it."""
    from planner.tasks.register_state import restore_from

    return Answer(*restore_from(source, target))


@register.command("export", epilog="Example: kinshoal register export records.kinshoal package")
@PLACE
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--form",
    type=click.Choice(["package", "darwin-core", "geojson"]),
    default="package",
    show_default=True,
    help="package: every table; darwin-core: events and occurrences; geojson: the sites.",
)
@click.option("--history", is_flag=True, help="With the package: every change of every field too.")
@click.option("--blur-km", type=click.FloatRange(0.1, 1000), help="Blur places to a grid of this width.")
@click.option("--without-names", is_flag=True, help="Leave out the names of people and free text.")
@answers
def export(
    register: Path | str,
    folder: Path,
    form: str,
    history: bool,
    blur_km: float | None,
    without_names: bool,
) -> Answer:
    """Write a register as open files: a data package that can be imported again, Darwin Core, or GeoJSON."""
    from planner.tasks.register_export import export_register

    return Answer(*export_register(register, folder, form, history, blur_km, without_names))


@register.command("merge", epilog="Example: kinshoal register merge office.kinshoal laptop.kinshoal")
@PLACE
@click.argument("other", type=RECORDS)
@WHO_IF_WRITTEN
@WRITE
@answers
def merge(register: Path | str, other: Path | str, who: str | None, write: bool) -> Answer:
    """Bring the changes of a register that was edited apart into this one; a dry run unless --write is given.

    Both must come from one register (a backup, a restored copy). Each change of the other becomes one change here, with
    who made it and when. Where both changed one field the difference goes to the merge queue.
    """
    from planner.tasks.register_merge import merge_registers

    text, data = merge_registers(register, other, signed(who, write), write)
    return Answer(text, data)
