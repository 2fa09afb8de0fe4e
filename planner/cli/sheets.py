"""Commands about paper: which sheets there are, and print one."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers
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
