"""Commands about the season ahead: season, rehearse, designs, equalise, production, hatch."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import DAY, OUT, SET, overrides_of
from planner.cli.records import RECORDS
from planner.cli.stopping import stopped_by_hand

PLAN = click.option(
    "--plan",
    "plan_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A spawning_plan.json to use; default: plan anew.",
)
DATE = click.DateTime(["%Y-%m-%d"])


def _said(answer: Any, out: Path | None) -> Answer:
    written = answer.write(out) if out is not None else []
    lines = [answer.text(), *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines), answer.as_dict() | {"written": [str(p) for p in written]})


def _dates(text: str, option: str) -> list[dt.date]:
    """Split ISO dates at commas.

    Raises
    ------
    UsageError
        If a part is no date.
    """
    from broodstock.errors import UsageError

    out = []
    for part in text.split(","):
        try:
            out.append(dt.date.fromisoformat(part.strip()))
        except ValueError:
            raise UsageError(
                f"{option}: found {part.strip()!r}. Expected ISO dates with commas, for example "
                "2025-02-07,2025-02-14."
            ) from None
    return out


def _pairs(texts: tuple[str, ...], option: str, example: str) -> list[tuple[str, float]]:
    """Split ``NAME=NUMBER`` texts.

    Raises
    ------
    UsageError
        If a text has no equals sign or no number after it.
    """
    from broodstock.errors import UsageError

    out = []
    for text in texts:
        name, sign, value = text.partition("=")
        try:
            number = float(value)
        except ValueError:
            sign = ""
        if not sign:
            raise UsageError(f"{option}: found {text!r}. Expected for example {example}.")
        out.append((name.strip(), number))
    return out


@click.command(epilog="Example: kinshoal season demo/records --days 2025-02-07,2025-02-14,2025-02-21")
@click.argument("folder", type=RECORDS)
@click.option("--days", required=True, metavar="DATES", help="Spawning days, ISO dates with commas.")
@PLAN
@SET
@OUT
@answers
def season(
    folder: Path | str, days: str, plan_file: Path | None, changes: tuple[str, ...], out: Path | None
) -> Answer:
    """Look ahead: fish ripe on each day, pairs to hold for each day, spare fish and cells to prepare.

    Females get the days that make most planned dishes in expectation, with a proven gap.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.season import season_view

    when = _dates(days, "--days")
    programme = open_programme(folder, overrides_of(changes))
    with stopped_by_hand() as cancel:
        answer = season_view(programme, when, plan_file, out=out, progress=progress, cancel=cancel)
    return _said(answer, out)


@click.command(epilog="Example: kinshoal rehearse demo/records --times 1000 --day 2025-02-14")
@click.argument("folder", type=RECORDS)
@DAY
@click.option("--times", type=click.IntRange(min=20), help="Mornings to play; default from the settings.")
@PLAN
@SET
@OUT
@answers
def rehearse(
    folder: Path | str,
    day: dt.datetime | None,
    times: int | None,
    plan_file: Path | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Play the spawning day many times: who fails, who stands in, what comes out, what to have ready.

    The same records, settings and seed give the same mornings.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.season_rehearsal import rehearsal

    programme = open_programme(folder, overrides_of(changes))
    when = None if day is None else day.date()
    with stopped_by_hand() as cancel:
        answer = rehearsal(programme, when, times, plan_file, out=out, progress=progress, cancel=cancel)
    return _said(answer, out)


@click.command(epilog="Example: kinshoal designs demo/records --day 2025-02-14")
@click.argument("folder", type=RECORDS)
@DAY
@PLAN
@SET
@OUT
@answers
def designs(
    folder: Path | str,
    day: dt.datetime | None,
    plan_file: Path | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Mating designs side by side for the same fish: single pairs, factorials, blocks.

    Cells, families, effective number, kinship, inbreeding, and what one sterile male costs.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.season_designs import designs as compare

    programme = open_programme(folder, overrides_of(changes))
    when = None if day is None else day.date()
    with stopped_by_hand() as cancel:
        answer = compare(programme, when, plan_file, out=out, progress=progress, cancel=cancel)
    return _said(answer, out)


@click.command(epilog="Example: kinshoal equalise demo/records --season 2024 --keep 63000 --keep 20000")
@click.argument("folder", type=RECORDS)
@click.option("--season", "year", type=int, required=True, help="Spawning season.")
@click.option(
    "--keep", "keeps", type=int, multiple=True, required=True, help="Fish to keep; again for later culls."
)
@click.option(
    "--count",
    "stage",
    type=click.Choice(["eggs", "fertilised", "hatched", "swim_up", "kept"]),
    default="swim_up",
    show_default=True,
    help="Count the first cull starts from.",
)
@click.option("--survival", type=float, multiple=True, help="Survival between two culls, in order.")
@SET
@OUT
@answers
def equalise(
    folder: Path | str,
    year: int,
    keeps: tuple[int, ...],
    stage: str,
    survival: tuple[float, ...],
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Fish of each family to keep at each cull, as equal as the counts allow; surplus by family."""
    from planner.tasks.programme import open_programme
    from planner.tasks.season_equalise import cull_plan

    programme = open_programme(folder, overrides_of(changes))
    answer = cull_plan(programme, year, keeps, stage=stage, survival=survival, out=out)  # type: ignore[arg-type]
    return _said(answer, out)


@click.command(
    epilog="Example: kinshoal production demo/records --fish 4000 --length 300 --date 2026-11-10 --families 40"
)
@click.argument("folder", type=RECORDS)
@click.option("--fish", type=int, required=True, help="Fish to release.")
@click.option("--length", type=float, required=True, help="Least total length at release, mm.")
@click.option("--date", "when", type=DATE, required=True, help="Day of release.")
@click.option("--spawned", type=DATE, help="Day of spawning; default from the settings.")
@click.option("--families", type=int, help="Families planned behind the fish.")
@SET
@OUT
@answers
def production(
    folder: Path | str,
    fish: int,
    length: float,
    when: dt.datetime,
    spawned: dt.datetime | None,
    families: int | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Work back from fish at release to eggs, families, cells, tanks, ponds and tags: low, middle, high."""
    from planner.tasks.production import production as work_back
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    start = None if spawned is None else spawned.date()
    answer = work_back(programme, fish, length, when.date(), spawned=start, families=families, out=out)
    return _said(answer, out)


@click.command(epilog="Example: kinshoal hatch demo/records --temperature 18 --then 2025-02-20=19.5")
@click.argument("folder", type=RECORDS)
@click.option("--day", type=DATE, help="Day of fertilisation; default the spawning day.")
@click.option("--temperature", type=float, help="Water temperature, C; default from the settings.")
@click.option("--then", "later", multiple=True, metavar="DATE=C", help="Temperature from a later day on.")
@click.option("--seen", multiple=True, metavar="C=HOURS", help="Own hatch time at a temperature.")
@SET
@OUT
@answers
def hatch(
    folder: Path | str,
    day: dt.datetime | None,
    temperature: float | None,
    later: tuple[str, ...],
    seen: tuple[str, ...],
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Hatch and swim-up dates from water temperature, by two models side by side."""
    from broodstock.errors import UsageError
    from planner.tasks.programme import open_programme
    from planner.tasks.season_hatch import hatch_dates

    then = {_dates(d, "--then")[0]: t for d, t in _pairs(later, "--then", "2025-02-20=19.5")}
    own = []
    for t, hours in _pairs(seen, "--seen", "18=190"):
        try:
            own.append((float(t), hours))
        except ValueError:
            raise UsageError(f"--seen: found {t!r}. Expected a temperature, for example 18=190.") from None
    programme = open_programme(folder, overrides_of(changes))
    when = None if day is None else day.date()
    return _said(hatch_dates(programme, when, temperature, then, own, out=out), out)
