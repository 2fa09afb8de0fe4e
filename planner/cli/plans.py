"""Commands that plan: spawn and release."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.records import RECORDS
from planner.cli.stopping import stopped_by_hand
from planner.tasks.text_tables import aligned

OUT = click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for sheets, tables and the plan file."
)
SET = click.option(
    "--set", "changes", multiple=True, metavar="NAME=VALUE", help="Change a setting for this plan."
)
DAY = click.option(
    "--day", type=click.DateTime(["%Y-%m-%d"]), help="Day of the plan; default from the settings."
)

RECORD = click.option("--record", is_flag=True, help="Record the plan in the register it is made from.")
WHO = click.option("--as", "who", metavar="NAME", default="", help="Who records it; needed with --record.")


def overrides_of(changes: tuple[str, ...]) -> dict[str, str]:
    """Split ``NAME=VALUE`` texts.

    Raises
    ------
    UsageError
        If a text has no equals sign.
    """
    from broodstock.errors import UsageError

    out = {}
    for change in changes:
        name, sign, value = change.partition("=")
        if not sign:
            raise UsageError(
                f"--set: found {change!r}. Expected NAME=VALUE, for example pair_kinship_limit=0.05."
            )
        out[name.strip()] = value.strip()
    return out


def _day(day: dt.datetime | None) -> dt.date | None:
    return None if day is None else day.date()


@click.command(epilog="Example: kinshoal spawn demo/records --out demo/spawning --not-ripe F19-044")
@click.argument("folder", type=RECORDS)
@DAY
@click.option(
    "--not-ripe", multiple=True, metavar="FISH", help="Fish found not ripe (or without milt) this morning."
)
@click.option(
    "--also-ripe",
    multiple=True,
    metavar="FISH",
    help="Fish found ripe this morning against the records; 'all': every fish nobody has looked at.",
)
@click.option(
    "--others", type=click.IntRange(0, 10), default=0, help="Nearly as good plans to show, with other fish."
)
@click.option("--price", is_flag=True, help="Say what trusting only upper limits of pair kinship costs.")
@SET
@RECORD
@WHO
@OUT
@answers
def spawn(
    folder: Path | str,
    day: dt.datetime | None,
    not_ripe: tuple[str, ...],
    also_ripe: tuple[str, ...],
    others: int,
    price: bool,
    changes: tuple[str, ...],
    record: bool,
    who: str,
    out: Path | None,
) -> Answer:
    """Plan the crosses of a day: least mean kinship of the cohort and the living group, with a proven gap.

    Writes the spawning sheet (HTML and PDF), the crosses as a table and the plan file. Dishes already made
    this season are facts the plan builds on.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.spawning import spawning_plan
    from planner.tasks.spawning_files import planned_version, write_spawning
    from planner.tasks.spawning_price import price_words

    overrides = overrides_of(changes)
    programme = open_programme(folder, overrides)
    version = planned_version(out) if out is not None else 1
    version = max(version, _version_to_record(folder, "spawning", who)) if record else version
    with stopped_by_hand() as cancel:
        outcome = spawning_plan(
            programme, _day(day), not_ripe, also_ripe, version, progress, others, cancel=cancel
        )
    more = {"overrides": overrides}
    written = write_spawning(programme, outcome, out, more) if out is not None else []
    said = _recorded(programme, "spawning", outcome, who) if record else ""
    answer = _plan_answer(outcome, written, outcome.table(), said)
    if price:
        progress("Comparing with the plan that believes the estimates")
        words = price_words(programme, outcome)
        answer = Answer(f"{answer.text}\n\n{words}", answer.data | {"price_of_caution": words})
    if others:
        table = f"{aligned(*outcome.near_best_rows())}\n" if outcome.near_best else ""
        answer = Answer(f"{answer.text}\n\n{table}{outcome.near_best.sentence()}", answer.data)
    return answer


@click.command(epilog="Example: kinshoal release demo/records --out demo/release --closed QUERN")
@click.argument("folder", type=RECORDS)
@DAY
@click.option("--closed", multiple=True, metavar="SITE", help="Site found closed against the records.")
@click.option("--from-scratch", is_flag=True, help="With --closed: plan everything anew, not only its fish.")
@SET
@RECORD
@WHO
@OUT
@answers
def release(
    folder: Path | str,
    day: dt.datetime | None,
    closed: tuple[str, ...],
    from_scratch: bool,
    changes: tuple[str, ...],
    record: bool,
    who: str,
    out: Path | None,
) -> Answer:
    """Plan which tagged fish go to which water: least kinship at the survivors chosen, with a proven gap.

    Writes the release manifest (HTML and PDF), the site of every fish, the reasons and the plan file. With --closed
    and a plan file in --out only the fish of that site get a new place; all others go where they were to go.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.release import FIGURE_KINDS, release_plan
    from planner.tasks.release_day import QUICK_FIGURES, old_plan, open_for_release_day, release_again
    from planner.tasks.release_files import planned_version, write_release

    version = planned_version(out) if out is not None else 1
    version = max(version, _version_to_record(folder, "release", who)) if record else version
    old = old_plan(out) if out is not None and closed and not from_scratch else None
    opened = open_programme if old is None else open_for_release_day
    programme = opened(folder, overrides_of(changes))
    with stopped_by_hand() as cancel:
        if old is None:
            outcome = release_plan(programme, _day(day), closed, version, progress, cancel=cancel)
        else:
            outcome = release_again(programme, old, closed, _day(day), progress, cancel=cancel)
    kinds = FIGURE_KINDS if old is None else QUICK_FIGURES
    written = write_release(programme, outcome, out, kinds) if out is not None else []
    said = _recorded(programme, "release", outcome, who) if record else ""
    return _plan_answer(outcome, written, outcome.table(), said)


def _version_to_record(place: Path | str, kind: str, who: str) -> int:
    """Return the next version of a kind of plan in a register.

    Raises
    ------
    UsageError
        If nobody signs, or the place is no register.
    """
    from broodstock.errors import UsageError
    from planner.tasks.register_plans import recorded_version

    if not who.strip():
        raise UsageError(
            "--as: found nobody. Expected who records the plan, for example --record --as 'T. Arden'."
        )
    return recorded_version(place, kind, None)


def _recorded(programme: Any, kind: str, outcome: Any, who: str) -> str:
    """Record a plan in its register and say so."""
    from planner.tasks.register_plans import record_plan, release_lines, spawning_lines

    if kind == "spawning":
        lines = spawning_lines(outcome)
    else:
        lines = release_lines(outcome, programme.tables["sites"])
    return record_plan(programme.folder, kind, outcome, lines, who)


def _plan_answer(
    outcome: Any, written: list[Path], table: tuple[list[str], list[list[str]]], recorded: str = ""
) -> Answer:
    """Say the figures of a plan, its lines, what was assumed, what was written and recorded."""
    width = max(len(label) for label, _ in outcome.facts())
    lines = [
        *(f"{label.ljust(width)}  {value}" for label, value in outcome.facts()),
        "",
        aligned(*table),
        "",
        *outcome.inputs.notes,
        *getattr(outcome, "changes", ()),
        f"version {outcome.provenance.version}, mark {outcome.provenance.mark}",
        *(f"wrote {p}" for p in written),
        *([recorded] if recorded else []),
    ]
    data = outcome.as_dict() | {"written": [str(p) for p in written]}
    return Answer("\n".join(lines), data | ({"recorded": recorded} if recorded else {}))
