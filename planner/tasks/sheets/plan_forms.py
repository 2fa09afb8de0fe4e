"""The sheet of a spawning plan as paper to key in: each dish that was laid becomes a cross."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.plan_file import read_plan_file
from planner.tasks.sheets.dishes import named_cell
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.make import KEPT, KeptSheet, kept_sheet, kept_sheets

SPAWNING = "spawning-plan"
"""Name of the sheet of a spawning plan among the sheets; its subject is the day."""
PLAN, PDF, HTML = "spawning_plan.json", "spawning_sheet.pdf", "spawning_sheet.html"
LAID = "Laid"
BLANKS = (FormField("made_at", "Time"), FormField("eggs", "Eggs"), FormField("sire", "Other male"))


def spawning_form(plan: Mapping[str, Any], cells: Mapping[str, str] | None = None) -> tuple[EntryForm, ...]:
    """Return what can be keyed in from the sheet of a spawning plan: one block for each female, as its strips.

    Parameters
    ----------
    plan : mapping
        Plan as `planner.tasks.plan_file.read_plan_file` reads it.
    cells : mapping of str to str, optional
        As `planner.tasks.sheets.dishes.cell_names`: a plan may write C01 for C-01.
    """
    day = str(plan["provenance"]["settings"]["spawning_day"])
    females: dict[str, list[Mapping[str, Any]]] = {}
    for cross in plan["crosses"]:
        females.setdefault(cross["dam"], []).append(cross)
    return tuple(
        EntryForm(
            "crosses",
            f"Female {dam}",
            BLANKS,
            tuple(_line(c, cells or {}) for c in sorted(dishes, key=lambda c: int(c["dish"]))),
            {"season": day[:4], "made_on": day},
            tick=LAID,
        )
        for dam, dishes in females.items()
    )


def _line(cross: Mapping[str, Any], cells: Mapping[str, str]) -> FormLine:
    cell = named_cell(str(cross["cell"]), dict(cells))
    known = {
        "cross_id": cross["dish_id"],
        "dam": cross["dam"],
        "sire": cross["sire"],
        "dish": str(cross["dish"]),
        "cell": cell,
    }
    return FormLine(cross["dish_id"], f"{cross['dish_id']} · x {cross['sire']} · cell {cell}", known)


def spawning_sheets(folder: Path, cells: Mapping[str, str] | None = None) -> list[KeptSheet]:
    """Return the sheets of the spawning plans in a folder, newest first; versions count within a day.

    Parameters
    ----------
    folder : Path
        Folder of a spawning plan, with older versions in ``versions``, or without.
    cells : mapping of str to str, optional
        As `spawning_form`.

    Raises
    ------
    UsageError
        If a file is not a plan of ours.
    """
    places = [p.parent for p in folder.glob(f"versions/*/{PLAN}")] or [folder]
    plans = [(place, read_plan_file(place / PLAN)) for place in places if (place / PLAN).exists()]
    newest: dict[str, int] = {}
    for _, plan in plans:
        made = plan["provenance"]
        day = str(made["settings"]["spawning_day"])
        newest[day] = max(newest.get(day, 0), int(made["version"]))
    found = [_kept(place, plan, newest, cells) for place, plan in plans]
    return sorted(found, key=lambda s: (s.subject, s.version), reverse=True)


def _kept(
    place: Path, plan: Mapping[str, Any], newest: Mapping[str, int], cells: Mapping[str, str] | None
) -> KeptSheet:
    made = plan["provenance"]
    day = str(made["settings"]["spawning_day"])
    files = tuple(place / n for n in (PDF, HTML) if (place / n).exists())
    return KeptSheet(
        SPAWNING,
        "Spawning sheet",
        f"dishes of {day}",
        day,
        int(made["version"]),
        str(made["mark"]),
        newest[day],
        files,
        spawning_form(plan, cells),
        {"day": day},
    )


def find_sheet(
    sheets: Path, plans: Path, name: str, subject: str, version: int, cells: Mapping[str, str] | None = None
) -> KeptSheet:
    """Return one sheet by name, subject and version, from the kept sheets or from the spawning plans.

    Parameters
    ----------
    sheets, plans : Path
        Folder of the kept sheets and folder of the spawning plans.
    name, subject, version
        Which one.
    cells : mapping of str to str, optional
        As `spawning_form`.

    Raises
    ------
    UsageError
        If there is none.
    """
    if name != SPAWNING:
        return kept_sheet(sheets, name, subject, version)
    for sheet in spawning_sheets(plans, cells):
        if (sheet.subject, sheet.version) == (subject, version):
            return sheet
    raise UsageError(
        f"spawning sheet: found none of {subject}, version {version}. Expected a version of a plan that was made here."
    )


def sheet_at(path: Path, cells: Mapping[str, str] | None = None) -> KeptSheet:
    """Return the sheet that a path names: a kept sheet or its folder, a spawning plan or its folder.

    A folder above counts too when all versions in it are of one sheet: then it is the newest.

    Raises
    ------
    UsageError
        If it is none of these.
    """
    folder = path if path.is_dir() else path.parent
    below = [p.parent for way in ("*", "*/*") for p in folder.glob(f"{way}/{KEPT}")]
    if len({p.parent for p in below}) == 1:
        folder = max(below, key=lambda p: int(p.name))
    if (folder / KEPT).exists():
        root = folder.resolve()
        for sheet in kept_sheets(root.parents[2]):
            if sheet.version == int(root.name) and (sheet.name, sheet.subject) == (
                root.parents[1].name,
                root.parent.name,
            ):
                return sheet
    if (folder / PLAN).exists():
        inside = folder.resolve().parent
        plans = inside.parent if inside.name == "versions" else folder
        mark = read_plan_file(folder / PLAN)["provenance"]["mark"]
        for sheet in spawning_sheets(plans, cells):
            if sheet.mark == mark:
                return sheet
    raise UsageError(
        f"{path}: found no sheet. Expected {KEPT} of a sheet that was printed, {PLAN} of a spawning plan, or the folder of "
        "one of them."
    )
