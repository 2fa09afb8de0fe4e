"""Commands about paper: which sheets there are, print one, key in a filled one."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import INPUT_FAULTS, Answer, answers
from planner.cli.records import FOLDER, RECORDS
from planner.tasks.text_tables import aligned


@click.command(epilog="Example: kinshoal sheet demo/records ripeness day=2025-02-14 --out demo/sheets")
@click.argument("folder", type=RECORDS)
@click.argument("name", default="")
@click.argument("words", nargs=-1)
@click.option("--plan", type=FOLDER, multiple=True, help="Folder of a plan the sheet is made from.")
@click.option(
    "--out", type=click.Path(path_type=Path), default="sheets", show_default=True, help="Folder for sheets."
)
@answers
def sheet(folder: Path | str, name: str, words: tuple[str, ...], plan: tuple[Path, ...], out: Path) -> Answer:
    """Print the sheet NAME (PDF and HTML), for the WORDS given as WHAT=VALUE; without NAME list the sheets.

    A sheet keeps its version while nothing on it changes; the next version voids the older ones.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.sheets.asked import Asked, plans_in
    from planner.tasks.sheets.kinds import KINDS, kind_of
    from planner.tasks.sheets.make import make_sheet
    from planner.tasks.verbs import pairs

    if not name:
        rows = [(k.name, ", ".join(a.name for a in k.asks), k.plan, k.lead) for k in KINDS.values()]
        listed = [{"sheet": n, "words": w, "plan": p, "for": lead} for n, w, p, lead in rows]
        return Answer(aligned(("sheet", "words", "plan", "what it is for"), rows), {"sheets": listed})
    programme = open_programme(folder, with_scans=kind_of(name).scans)
    kept = make_sheet(programme, name, Asked(pairs(words, needed=False), plans_in(plan)), out)
    lines = [
        f"{kept.title}, {kept.subtitle}: version {kept.version}, mark {kept.mark}",
        *map(str, kept.files),
    ]
    return Answer("\n".join(lines), kept.as_dict())


@click.command(
    "key-in",
    epilog="Example: kinshoal key-in demo/records.kinshoal demo/sheets/ripeness/2025-02-14-1a2b3c/1 --blank typed.csv",
)
@click.argument("records", type=RECORDS)
@click.argument("paper", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--values",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="CSV file with what was typed.",
)
@click.option(
    "--blank", type=click.Path(path_type=Path), help="Write an empty CSV file with the lines of the paper."
)
@click.option("--version", "version", default="", metavar="NUMBER", help="Version that stands on the paper.")
@click.option(
    "--mark", default="", help="Mark that stands on the paper; its first four characters are enough."
)
@click.option("--although", default="", metavar="WHY", help="It was done on this paper although it is void.")
@click.option(
    "--take", multiple=True, metavar="LINE", help="Line, or BLOCK.LINE, whose record takes what was typed."
)
@click.option("--beyond-permit", is_flag=True, help="Propose what a permit leaves no room for.")
@click.option("--write", is_flag=True, help="Write it; without this nothing is written.")
@click.option("--as", "who", metavar="NAME", help="Who keys it in; needed with --write.")
@click.option("--confirmed-by", default="", metavar="NAME", help="Second person, for releases and culls.")
@click.option("--reason", default="", help="Remark for the history.")
@answers
def key_in(
    records: Path | str,
    paper: Path,
    values: Path | None,
    blank: Path | None,
    version: str,
    mark: str,
    although: str,
    take: tuple[str, ...],
    beyond_permit: bool,
    write: bool,
    who: str | None,
    confirmed_by: str,
    reason: str,
) -> Answer:
    """Key in a filled PAPER: sheet.json of a printed sheet, a spawning plan, or the folder of one. A dry run unless --write.

    --blank writes the lines of the paper as a CSV file to fill in; --values reads it. --version and --mark are typed from
    the paper in hand, so that it is the right one. Every value is checked as in an import; all faults are said at once
    (exit code 3) and nothing is half-written. A second keying of the same paper says who did it before and offers only
    lines that differ. Releases and culls become proposals that a second person confirms, or name one with --confirmed-by.
    """
    from planner.cli.register import signed
    from planner.tasks.sheets.key_in import key_in_file, write_blank

    if blank is not None:
        return Answer(*write_blank(records, paper, blank))
    report = key_in_file(
        records,
        paper,
        values,
        version=version,
        mark=mark,
        although=although,
        take=take,
        beyond_permit=beyond_permit,
        write=write,
        who=signed(who, write),
        confirmed_by=confirmed_by,
        reason=reason,
    )
    return Answer(report.text(), report.as_dict(), INPUT_FAULTS if report.plan.faults else 0)
