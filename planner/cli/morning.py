"""The command `replan`: the spawning morning."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers
from planner.cli.records import FOLDER, RECORDS
from planner.cli.stopping import stopped_by_hand
from planner.tasks.text_tables import aligned


@click.command(epilog="Example: kinshoal replan demo/records demo/spawning --not-ripe F-07")
@click.argument("folder", type=RECORDS)
@click.argument("plan", type=FOLDER)
@click.option("--not-ripe", multiple=True, metavar="FISH", help="Female that is not ripe.")
@click.option("--no-milt", multiple=True, metavar="FISH", help="Male without usable milt.")
@click.option("--dead", multiple=True, metavar="FISH", help="Fish that died.")
@click.option("--hybrid", multiple=True, metavar="FISH", help="Fish found to be a hybrid or another species.")
@click.option("--few-eggs", multiple=True, metavar="FISH=DISHES", help="Female with eggs for fewer dishes.")
@click.option("--unreadable", multiple=True, metavar="FISH", help="Fish whose tag cannot be read.")
@click.option("--arrived", multiple=True, metavar="NAME=SEX", help="Untagged wild fish that came in.")
@click.option("--laid", multiple=True, metavar="FEMALE=MALE", help="Dish laid since the sheet was printed.")
@click.option("--cells", type=click.IntRange(0), help="Dishes that can still be laid.")
@answers
def replan(
    folder: Path | str,
    plan: Path,
    not_ripe: tuple[str, ...],
    no_milt: tuple[str, ...],
    dead: tuple[str, ...],
    hybrid: tuple[str, ...],
    few_eggs: tuple[str, ...],
    unreadable: tuple[str, ...],
    arrived: tuple[str, ...],
    laid: tuple[str, ...],
    cells: int | None,
) -> Answer:
    """Plan the rest of a spawning day again; dishes laid are facts, and few other crosses change.

    FOLDER holds the records, PLAN the folder of the last plan. The new version voids the old sheet; what was
    told earlier in the day is remembered in the plan file. Dishes of the day that were entered in the register since,
    by hand or from a filled sheet, are laid too.
    """
    from broodstock.errors import UsageError
    from planner.tasks.keyed_dishes import with_records
    from planner.tasks.morning import MorningEvents, parse_pairs, plan_again, remembered
    from planner.tasks.no_plan import STOPPED_WORDS
    from planner.tasks.plan_file import read_plan_file
    from planner.tasks.spawning_files import write_spawning
    from planner.tasks.workplace import Workplace

    eggs = parse_pairs(few_eggs, "--few-eggs")
    if not all(n.isdigit() for n in eggs.values()):
        raise UsageError(f"--few-eggs: found {eggs}. Expected whole numbers of dishes, for example F-19=2.")
    lost = dict.fromkeys(not_ripe, "not ripe") | dict.fromkeys(no_milt, "no milt")
    lost |= dict.fromkeys(dead, "dead") | dict.fromkeys(hybrid, "hybrid")
    dishes = [tuple(x.split("=", 1)) for x in laid]
    if any(len(x) != 2 for x in dishes):
        raise UsageError(f"--laid: found {laid}. Expected FEMALE=MALE for each dish.")
    events = MorningEvents(
        lost,
        {f: int(n) for f, n in eggs.items()},
        unreadable,
        parse_pairs(arrived, "--arrived"),
        tuple((d, s) for d, s in dishes),
        cells,
    )
    old = read_plan_file(plan / "spawning_plan.json")
    here = Workplace(str(folder), plan.parent)
    programme, events = with_records(here, plan, old, old.get("overrides") or {}, events)
    with stopped_by_hand() as cancel:
        new = plan_again(programme, plan, events, cancel)
    told = remembered(plan, events)
    more = {"events": told, "overrides": old.get("overrides") or {}, "changes": new.change_lines()}
    written = write_spawning(new.programme, new.outcome, plan, more)
    lines = [
        *(f"{label}: {value}" for label, value in new.outcome.facts()),
        "",
        *new.change_lines(),
        "",
        aligned(*new.outcome.table()),
        "",
        *([STOPPED_WORDS] if STOPPED_WORDS in new.outcome.inputs.notes else []),
        f"version {new.outcome.provenance.version}, mark {new.outcome.provenance.mark}: older sheets are void",
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), new.as_dict() | {"written": [str(p) for p in written]})
