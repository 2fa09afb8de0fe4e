"""Commands about records: check, columns, settings, tag."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import INPUT_FAULTS, Answer, answers, progress
from planner.tasks.text_tables import aligned

FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


class RecordsPlace(click.ParamType):
    """A folder of records, a register file, or the address of a register."""

    name = "records"

    def convert(
        self, value: str | Path, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path | str:
        """Return the folder or file as a path, an address as text."""
        from planner.tasks.registers import is_register

        text = str(value)
        if "://" in text:
            if not is_register(text):
                self.fail(
                    f"found {text!r}. Expected postgresql+psycopg://HOST/NAME, a register file or a folder.",
                    param,
                    ctx,
                )
            return text
        path = Path(text)
        if not path.exists():
            self.fail(f"Directory '{text}' does not exist, nor a register of that name.", param, ctx)
        if not path.is_dir() and not is_register(path):
            self.fail(
                f"File '{text}' is no register. Expected a folder of records or a register.", param, ctx
            )
        return path


RECORDS = RecordsPlace()


@click.command(epilog="Example: kinshoal check demo/records/inbox --against demo/records")
@click.argument("folder", type=RECORDS)
@click.option(
    "--level", type=click.Choice(["error", "warning", "note"]), default="note", help="Least level shown."
)
@click.option("--against", type=RECORDS, help="Accepted records that the files in FOLDER would join.")
@click.option("--today", metavar="DATE", help="Day to read the records for; default their setting 'today'.")
@click.option("--strict", is_flag=True, help="End with exit code 3 on warnings too.")
@click.option("--out", type=click.Path(path_type=Path), help="Write the findings to this CSV file too.")
@answers
def check(
    folder: Path | str,
    level: str,
    against: Path | str | None,
    today: str | None,
    strict: bool,
    out: Path | None,
) -> Answer:
    """Read a folder of records and list every fault and doubt, with row and column.

    Errors stop an import (exit code 3); warnings need a person; notes inform. Nothing is ever corrected.
    With --against, FOLDER holds files that wait to be accepted: they are checked together with the records.
    """
    from planner.tasks.check import check_folder

    progress(f"Reading {folder}")
    report = check_folder(folder, level, against, today)
    if out is not None:
        report.write(out)
    stops = report.has_doubts if strict else report.stops_import
    return Answer(report.text(), report.as_dict(), INPUT_FAULTS if stops else 0)


@click.command(epilog="Example: kinshoal columns crosses")
@click.argument("table", required=False)
@click.option("--templates", type=click.Path(path_type=Path), help="Write empty tables into this new folder.")
@answers
def columns(table: str | None, templates: Path | None) -> Answer:
    """Explain every table, or the columns of one; optionally write empty templates."""
    from planner.tasks.columns import describe_tables, write_templates

    written = write_templates(templates) if templates is not None else []
    head, rows, data = describe_tables(table)
    text = aligned(head, rows)
    if written:
        text += f"\n\n{len(written)} empty tables in {templates}"
    return Answer(text, {"tables": data, "written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal settings practice/records")
@click.argument("folder", type=RECORDS, required=False)
@answers
def settings(folder: Path | str | None) -> Answer:
    """Show every setting: value in force, unit, meaning and source."""
    from planner.tasks.check import settings_of
    from planner.tasks.settings import SETTINGS

    values = settings_of(folder)
    data = [
        {
            "name": s.name,
            "value": values[s.name],
            "unit": s.unit,
            "meaning": s.sentence,
            "source": values.sources.get(s.name, ""),
        }
        for s in SETTINGS.values()
    ]
    rows = [[str(d[k]) for k in ("name", "value", "unit", "meaning", "source")] for d in data]
    return Answer(aligned(["setting", "value", "unit", "meaning", "source"], rows), {"settings": data})


@click.command(epilog="Example: kinshoal tag 999009000012345")
@click.argument("code")
@answers
def tag(code: str) -> Answer:
    """Explain one PIT code: ISO 11784 in decimal, hexadecimal and raw form, or a legacy code."""
    from planner.tasks.tags import explain_tag

    lines, data, readable = explain_tag(code)
    return Answer("\n".join(lines), data, 0 if readable else INPUT_FAULTS)
