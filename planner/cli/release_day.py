"""Commands around the day of release: tradeoff and load."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import DAY, OUT, SET, overrides_of
from planner.cli.records import RECORDS
from planner.cli.stopping import stopped_by_hand
from planner.tasks.text_tables import aligned


@click.command(epilog="Example: kinshoal tradeoff demo/records --points 7 --out demo/tradeoff")
@click.argument("folder", type=RECORDS)
@click.option("--points", type=click.IntRange(2, 25), default=7, show_default=True, help="Plans to make.")
@click.option(
    "--lowest",
    type=click.FloatRange(0, 1, max_open=True),
    default=0.9,
    show_default=True,
    help="Least share of the most expected survivors.",
)
@click.option(
    "--alternatives",
    type=click.IntRange(0, 3),
    default=0,
    show_default=True,
    help="Also find plans almost as good as the plan of the settings that place many fish otherwise.",
)
@click.option(
    "--tolerance",
    type=click.FloatRange(0, 1),
    default=0.02,
    show_default=True,
    help="Share by which their objective may lie above it.",
)
@DAY
@SET
@OUT
@answers
def tradeoff(
    folder: Path | str,
    points: int,
    lowest: float,
    alternatives: int,
    tolerance: float,
    day: dt.datetime | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Show what survivors cost in kinship: a row of release plans, each with its proven gap. None is recommended.

    Writes the table, the figure and the plan file.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.tradeoff import OTHERS_WORDS, release_tradeoff, write_tradeoff

    programme = open_programme(folder, overrides_of(changes))
    when = None if day is None else day.date()
    with stopped_by_hand() as cancel:
        outcome = release_tradeoff(
            programme, points, lowest, when, alternatives, tolerance, progress, cancel=cancel
        )
    written = write_tradeoff(outcome, out) if out is not None else []
    lines = [aligned(*outcome.table(), right=(5, 6, 7, 8)), ""]
    if alternatives:
        found = len(outcome.others)
        lines += [
            f"Plans within {tolerance:.1%} of the plan of the settings, as different as was found: {found}",
            *([aligned(*outcome.others_table())] if found else []),
            *OTHERS_WORDS,
            "",
        ]
    lines += [
        "No point is recommended: the choice is yours. The share chosen is the setting survivors_share.",
        *outcome.inputs.notes,
        f"mark {outcome.provenance.mark}",
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), outcome.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal load demo/records --release demo/release --out demo/release")
@click.argument("folder", type=RECORDS)
@click.option(
    "--release",
    "release_folder",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder with the release plan; default: the folder of --out.",
)
@click.option("--without", multiple=True, metavar="TRUCK", help="Truck that does not drive.")
@DAY
@SET
@OUT
@answers
def load(
    folder: Path | str,
    release_folder: Path | None,
    without: tuple[str, ...],
    day: dt.datetime | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Load the trucks for the last release plan: fewest trips, then the shortest way, both proven; or what is short.

    Keeps to volume and density of each truck, stops, trips, days, crews and the order of water risk within a trip.
    Writes the loading sheet (HTML and PDF), the fish of each trip and the plan file.
    """
    from broodstock.errors import UsageError
    from planner.tasks.load import planned_version, truck_loads, write_loads
    from planner.tasks.release_day import open_for_release_day

    source = release_folder or out
    if source is None:
        raise UsageError("load: found no folder with a release plan. Expected --release DIR or --out DIR.")
    programme = open_for_release_day(folder, overrides_of(changes))
    version = planned_version(out) if out is not None else 1
    when = None if day is None else day.date()
    with stopped_by_hand() as cancel:
        outcome = truck_loads(programme, source, when, without, version, progress, cancel)
    written = write_loads(programme, outcome, out) if out is not None else []
    width = max(len(label) for label, _ in outcome.facts())
    lines = [
        *(f"{label.ljust(width)}  {value}" for label, value in outcome.facts()),
        "",
        aligned(*outcome.table(), right=(0, 2, 4, 5, 6, 7)),
        "",
        *outcome.inputs.notes,
        f"version {version}, mark {outcome.provenance.mark}",
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), outcome.as_dict() | {"written": [str(p) for p in written]})
