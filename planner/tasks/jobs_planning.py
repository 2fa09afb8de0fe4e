"""The planning jobs: options in, plan files in the workplace, a short answer out."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.workplace import Workplace

PLAN_FILES = {"spawning": "spawning_plan.json", "release": "release_plan.json", "loads": "load_plan.json"}


def spawn(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Plan the crosses of a day.

    Options: ``day`` (ISO), ``not_ripe``, ``also_ripe`` (lists), ``others`` (number), ``settings`` (name to text).
    """
    from planner.tasks.spawning import spawning_plan
    from planner.tasks.spawning_files import planned_version, write_spawning

    overrides = settings_of(options)
    say("Reading the records")
    programme = workplace.programme(overrides)
    folder = workplace.plan_folder("spawning")
    outcome = spawning_plan(
        programme,
        day_of(options),
        names_of(options, "not_ripe"),
        names_of(options, "also_ripe"),
        planned_version(folder),
        say,
        int(options.get("others") or 0),
    )
    say("Writing the sheet")
    write_spawning(programme, outcome, folder, {"overrides": overrides})
    return kept_version(folder, "spawning", outcome.provenance.version)


def replan(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Plan the rest of a spawning day again.

    Options: ``lost`` (fish to reason), ``few_eggs`` (fish to dishes), ``unreadable`` (list), ``arrived`` (name to sex),
    ``laid`` (list of female and male), ``cells`` (number).
    """
    from planner.tasks.keyed_dishes import with_records
    from planner.tasks.morning import MorningEvents, plan_again, remembered
    from planner.tasks.plan_file import read_plan_file
    from planner.tasks.plan_pages import ticked
    from planner.tasks.spawning_files import write_spawning

    folder = workplace.plan_folder("spawning")
    if not (folder / PLAN_FILES["spawning"]).exists():
        raise UsageError("spawning day: found no plan. Expected one; make a spawning plan first.")
    old = read_plan_file(folder / PLAN_FILES["spawning"])
    overrides = dict(old.get("overrides") or {})
    say("Reading the records")
    cells = options.get("cells")
    events = MorningEvents(
        dict(options.get("lost") or {}),
        {f: int(n) for f, n in dict(options.get("few_eggs") or {}).items()},
        tuple(options.get("unreadable") or ()),
        dict(options.get("arrived") or {}),
        tuple((str(d), str(s)) for d, s in options.get("laid") or ()),
        None if cells in (None, "") else int(cells),
    )
    ticks = ticked(folder, int(old["provenance"]["version"]))
    programme, events = with_records(workplace, folder, old, overrides, events, ticks)
    say("Planning the rest of the day")
    new = plan_again(programme, folder, events)
    more = {"events": remembered(folder, events), "overrides": overrides, "changes": new.change_lines()}
    write_spawning(new.programme, new.outcome, folder, more)
    return kept_version(folder, "spawning", new.outcome.provenance.version) | {"changes": new.change_lines()}


def release(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Plan which fish go where.

    Options: ``day`` (ISO), ``closed`` (list of waters, by identifier or name), ``from_scratch`` (flag), ``settings`` (name to text).
    """
    from planner.tasks.release import FIGURE_KINDS, release_plan
    from planner.tasks.release_day import QUICK_FIGURES, old_plan, release_again
    from planner.tasks.release_files import planned_version, write_release

    folder = workplace.plan_folder("release")
    version = planned_version(folder)
    say("Reading the records")
    programme = workplace.programme(settings_of(options))
    sites = programme.tables["sites"]
    ids = dict(zip(sites["name"], sites["site_id"], strict=True))
    closed = tuple(ids.get(name, name) for name in names_of(options, "closed"))
    old = old_plan(folder) if closed and not options.get("from_scratch") else None
    if old is None:
        outcome = release_plan(programme, day_of(options), closed, version, say)
    else:
        outcome = release_again(programme, old, closed, day_of(options), say)
    say("Writing the manifest")
    write_release(programme, outcome, folder, FIGURE_KINDS if old is None else QUICK_FIGURES)
    return kept_version(folder, "release", outcome.provenance.version)


def day_of(options: Options) -> dt.date | None:
    """Return the day asked for, None for that of the settings.

    Raises
    ------
    UsageError
        If it is no ISO date.
    """
    text = str(options.get("day") or "").strip()
    if not text:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"day: found {text!r}. Expected an ISO date, for example 2025-02-14.") from None


def names_of(options: Options, key: str) -> tuple[str, ...]:
    """Return a list of names, given as a list or as text with commas."""
    value = options.get(key) or ()
    words = value.split(",") if isinstance(value, str) else [str(v) for v in value]
    return tuple(dict.fromkeys(w.strip() for w in words if w.strip()))


def settings_of(options: Options) -> dict[str, str]:
    """Return the settings changed for this work."""
    given: Mapping[str, Any] = options.get("settings") or {}
    return {str(k): str(v).strip() for k, v in given.items() if str(v).strip()}


def kept_version(folder: Path, kind: str, version: int) -> dict[str, Any]:
    """Keep a copy of the files of a version beside the newest ones, and return where they are."""
    keep = folder / "versions" / str(version)
    keep.mkdir(parents=True, exist_ok=True)
    for path in folder.iterdir():
        if path.is_file() and not path.name.startswith("."):
            shutil.copy2(path, keep / path.name)
    return {"kind": kind, "version": version, "plan": PLAN_FILES[kind]}
