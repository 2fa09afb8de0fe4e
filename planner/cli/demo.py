"""The command `demo`."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress


@click.command(epilog="Example: kinshoal demo practice")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--tiny", is_flag=True, help="The tiny set instead of the full-size one.")
@click.option(
    "--seed", type=click.IntRange(0), help="Seed of the practice programme; default that of the shipped sets."
)
@click.option("--no-scans", is_flag=True, help="Leave the scanner contacts out.")
@answers
def demo(folder: Path, tiny: bool, seed: int | None, no_scans: bool) -> Answer:
    """Make the invented practice programme in FOLDER and run the main job on it.

    Records go to FOLDER/records, with the hidden truth in FOLDER/records/truth; sheets, figures and tables
    go beside them. Everything is invented.
    """
    from planner.tasks.demo import run_demo

    outcome = run_demo(folder, "tiny" if tiny else "full", seed, not no_scans, progress)
    return Answer(outcome.text(), outcome.as_dict())
