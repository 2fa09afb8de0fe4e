"""Commands of the geneticist: diversity, size, kinship, founders."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned

OUT = click.option(
    "--out", type=click.Path(path_type=Path), help="Write tables and figures into this folder too."
)


@click.command(epilog="Example: kinshoal diversity demo/records --by year-class-and-line")
@click.argument("folder", type=RECORDS)
@click.option(
    "--by",
    type=click.Choice(["year-class", "line", "site", "group", "year-class-and-line"]),
    default="year-class-and-line",
    help="What makes a group.",
)
@click.option("--calls", default="snps", help="Call set: snps or microsatellites.")
@OUT
@answers
def diversity(folder: Path | str, by: str, calls: str, out: Path | None) -> Answer:
    """Heterozygosity, rarefied richness and Fis of every group, with intervals and method."""
    from planner.tasks.diversity import diversity_by
    from planner.tasks.figures import write_diversity
    from planner.tasks.programme import open_programme

    programme = open_programme(folder)
    progress("Resampling fish")
    report = diversity_by(programme, by, calls)  # type: ignore[arg-type]
    written = write_diversity(report, out) if out is not None else []
    head, rows = report.table()
    lines = [aligned(head, rows, right=range(1, 3)), "", *report.notes(), *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines), report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal size demo/records --year-class 2024 --line hatchery")
@click.argument("folder", type=RECORDS)
@click.option("--year-class", type=int, help="One year class; default all.")
@click.option("--line", help="One line: wild, wild-larvae, hatchery or backwater.")
@click.option("--calls", default="snps", help="Call set: snps or microsatellites.")
@answers
def size(folder: Path | str, year_class: int | None, line: str | None, calls: str) -> Answer:
    """Effective size of year classes by every method the records allow, side by side.

    The methods answer different questions, so their numbers are never averaged; the notes say what each means.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.size import effective_sizes

    programme = open_programme(folder)
    progress("Estimating effective size")
    report = effective_sizes(programme, year_class, line, calls)
    head, rows = report.table()
    return Answer("\n".join([aligned(head, rows), "", *report.notes()]), report.as_dict())


@click.command(epilog="Example: kinshoal kinship demo/records --out demo/kinship")
@click.argument("folder", type=RECORDS)
@click.option("--most", default=25, show_default=True, help="Fish listed, lowest mean kinship first.")
@OUT
@answers
def kinship(folder: Path | str, most: int, out: Path | None) -> Answer:
    """Mean kinship of every living fish in care, the pairs, and the gene diversity of the group."""
    from planner.tasks.figures import write_kinship
    from planner.tasks.kinship import METHOD, living_kinship
    from planner.tasks.programme import open_programme

    report = living_kinship(open_programme(folder))
    written = write_kinship(report, out) if out is not None else []
    rows = [
        [
            *(str(r[k]) for k in ("fish_id", "sex", "origin", "year_class", "dam", "sire")),
            f"{r['inbreeding']:.4f}",
            f"{r['mean_kinship']:.4f}",
        ]
        for r in report.table.head(most).to_dict("records")
    ]
    head = ["fish", "sex", "origin", "year class", "dam", "sire", "inbreeding", "mean kinship"]
    lines = [
        f"{len(report.fish)} living fish: mean kinship {report.group_mean:.4f} (self pairs in), gene diversity "
        f"{1 - report.group_mean:.4f}",
        f"Method: {METHOD}.",
        "",
        aligned(head, rows, right=(6, 7)),
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal founders demo/records")
@click.argument("folder", type=RECORDS)
@answers
def founders(folder: Path | str) -> Answer:
    """Show what each founder line still contributes, where its copies live and what a lost place would cost."""
    from planner.tasks.founders import founder_board
    from planner.tasks.programme import open_programme

    programme = open_programme(folder)
    progress("Dropping genes down the pedigree")
    board = founder_board(programme)
    return Answer(board.text(), board.as_dict())
