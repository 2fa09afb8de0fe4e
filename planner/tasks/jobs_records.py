"""Jobs on records: import with dry run, checks with their states, the check of the whole chain."""

from __future__ import annotations

from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import names_of
from planner.tasks.workplace import Workplace

MOST = 400


def import_file(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Say what an uploaded file would do, or write it.

    Options: ``upload`` and ``file`` (where it was kept), ``table``, ``maps``, ``units``, ``words``, ``fill`` (lists, or text
    with commas between), ``dates``, ``length_type``, ``mapping``, ``save_as``, ``newer`` (flag), ``write`` (flag), ``who``,
    ``confirmed_by``, ``reason``; as `planner.tasks.register_state.import_into`.
    """
    from planner.tasks.register_state import import_into

    path = workplace.work / "uploads" / str(options["upload"]) / str(options["file"])
    if not path.is_file() or path.parent.parent != workplace.work / "uploads":
        raise UsageError("import: found no such file any more. Choose it again.")
    report = import_into(
        workplace.place,
        path,
        who=str(options.get("who", "")),
        reason=str(options.get("reason", "")),
        write=bool(options.get("write")),
        table=str(options.get("table", "")),
        maps=names_of(options, "maps"),
        units=names_of(options, "units"),
        words=names_of(options, "words"),
        fill=names_of(options, "fill"),
        dates=str(options.get("dates", "")),
        length_type=str(options.get("length_type", "")),
        mapping=str(options.get("mapping", "")),
        save_as=str(options.get("save_as", "")),
        newer=bool(options.get("newer")),
        confirmed_by=str(options.get("confirmed_by", "")),
        say=say,
    )
    values = report.as_dict()
    return values | {
        "findings": values["findings"][:MOST],
        "queue": values["queue"][:MOST],
        "words": report.text().split("\n"),
    }


def findings(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Run every check and list what it found with its state; decide findings if asked.

    Options: ``accept`` and ``reopen`` (marks), ``who``, ``reason``.
    """
    say("Running every check")
    if workplace.is_register:
        from planner.tasks.register_state import findings_of

        _, values = findings_of(
            workplace.place,
            "note",
            list(options.get("accept") or ()),
            list(options.get("reopen") or ()),
            str(options.get("who", "")),
            str(options.get("reason", "")),
            None,
        )
        return values | {"shown": values["findings"][:MOST], "register": True}
    from pathlib import Path

    from planner.tasks.check import check_folder

    report = check_folder(Path(workplace.place))
    rows = [f.as_dict() | {"text": f.text(), "state": "open", "mark": ""} for f in report.findings]
    return {"shown": rows[:MOST], "findings": rows, "register": False}


def verify(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Recompute the chain of hashes from the first change to the last."""
    from planner.tasks.register_state import verify_register

    say("Recomputing the chain")
    words, values, ok = verify_register(workplace.place)
    return values | {"words": words.split("\n"), "ok": ok}
