"""The command that projects diversity and numbers under several strategies."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import OUT, SET, overrides_of
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned


@click.command(
    epilog="Example: kinshoal project demo/records --years 10 --replicates 10 --out demo/projection"
)
@click.argument("folder", type=RECORDS)
@click.option("--years", type=int, default=20, show_default=True, help="Years to project, 5 to 25.")
@click.option(
    "--strategies",
    metavar="NAME,...",
    default="do-nothing,random,equal-families,least-kinship,more-sites",
    show_default=True,
    help="Strategies to compare; NAME+exchange moves fish between waters too.",
)
@click.option("--replicates", type=int, default=100, show_default=True, help="Replicates of each strategy.")
@click.option("--seed", type=click.IntRange(min=0), help="Seed; default from the settings.")
@click.option("--workers", type=click.IntRange(min=1), help="Processes; default one per core.")
@click.option("--cluster", default="", metavar="ADDRESS", help="dask scheduler, such as tcp://host:8786.")
@SET
@OUT
@answers
def project(
    folder: Path | str,
    years: int,
    strategies: str,
    replicates: int,
    seed: int | None,
    workers: int | None,
    cluster: str,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Project gene diversity, inbreeding, adults and cost over the years under several strategies.

    Every fish is followed with its genes and kinship; strategies meet the same founder genes and the same years.
    The answer depends on the seed alone, not on the number of processes or machines.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.project import ASSUMPTIONS, ProjectionWishes, projection
    from planner.tasks.project_files import facts_of, tables_of, write_projection

    programme = open_programme(folder, overrides_of(changes))
    names = tuple(n.strip() for n in strategies.split(",") if n.strip())
    wishes = ProjectionWishes(years, names, replicates, seed, workers, cluster)
    report = projection(programme, wishes, progress)
    written = [] if out is None else write_projection(report, out, str(programme.settings["programme_name"]))
    facts = facts_of(report)
    width = max(len(label) for label, _ in facts)
    lines = [f"{label.ljust(width)}  {value}" for label, value in facts]
    for table in tables_of(report):
        lines += ["", f"{table.title}:", aligned(*table.content), table.note]
    lines += ["", *report.supplement_lines(), "", *report.said, *report.made.notes, *ASSUMPTIONS]
    lines += [f"mark {report.provenance.mark}", *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines), report.as_dict() | {"written": [str(p) for p in written]})
