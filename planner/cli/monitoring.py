"""Commands that close the loop: survival, growth, contribution, feedback, quota, drawdown, renovations, power."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import OUT, SET, overrides_of
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned

if TYPE_CHECKING:
    from planner.tasks.programme import Programme


def opened(
    folder: Any, changes: tuple[str, ...], with_scans: bool = False, with_calls: bool = False
) -> Programme:
    """Open the records of a monitoring command."""
    from planner.tasks.programme import open_programme

    if with_scans:
        progress("Reading captures and scans")
    return open_programme(folder, overrides_of(changes), with_scans=with_scans, with_calls=with_calls)


def written_lines(paths: list[Path]) -> list[str]:
    """Return a line for each file written."""
    return [f"wrote {p}" for p in paths]


@click.command(epilog="Example: kinshoal survival demo/records --by length --out demo/survival")
@click.argument("folder", type=RECORDS)
@click.option(
    "--by",
    type=click.Choice(["event", "site", "length", "season", "year", "year-class"]),
    default="event",
    show_default=True,
    help="Groups of released fish.",
)
@click.option(
    "--joint", is_flag=True, help="Captures and scans read together, tags on the ground allowed for."
)
@click.option(
    "--known-fates", is_flag=True, help="Survival of fish at the station, whose fates are on record."
)
@SET
@OUT
@answers
def survival(
    folder: Any, by: str, joint: bool, known_fates: bool, changes: tuple[str, ...], out: Path | None
) -> Answer:
    """Survival after release: curves by water, season and length, models compared, groups, goodness of fit.

    Curves are drawn towards the programme's mean and the curve in use; whether a survivor is met is fitted with them.
    """
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.survival_known import joint_survival, station_survival
    from planner.tasks.survival_models import survival_report, write_survival
    from planner.tasks.survival_models_encounters import encounters_of

    programme = opened(folder, changes, with_scans=True)
    met = encounters_without_ghosts(programme)
    progress("Fitting survival and the chance to be met")
    report = survival_report(programme, by, met)
    files = write_survival(report, out) if out is not None else []
    lines = ["First-year survival by water, season and length", aligned(*report.curve_table(), right=(2, 3))]
    for title, table in (
        ("After the first year", report.detection_table()),
        (f"Released fish by {by}", report.group_table()),
    ):
        if table[1]:
            lines += ["", title, aligned(*table)]
    if report.models:
        lines += ["", "Models compared", aligned(report.models[0], report.models[1:])]
    lines += ["", *report.statements]
    more: dict[str, Any] = {}
    if joint:
        progress("Fitting captures and scans together")
        more["joint"] = ("Captures and scans together", joint_survival(programme, encounters_of(programme)))
    if known_fates:
        more["known_fates"] = (
            "Fish at the station, by the product-limit method",
            station_survival(programme),
        )
    for title, found in more.values():
        lines += ["", title, *([aligned(*found.table())] if found.rows else []), *found.statements]
    lines += written_lines(files)
    answer = report.as_dict() | {k: found.as_dict() for k, (_, found) in more.items()}
    return Answer("\n".join(lines), answer | {"written": [str(p) for p in files]})


@click.command(epilog="Example: kinshoal growth demo/records --out demo/growth")
@click.argument("folder", type=RECORDS)
@SET
@OUT
@answers
def growth(folder: Any, changes: tuple[str, ...], out: Path | None) -> Answer:
    """Growth of fish measured twice, condition, and weight against length, by kind of water and sex."""
    from planner.tasks.growth import growth_report
    from planner.tasks.monitoring_files import write_growth

    report = growth_report(opened(folder, changes))
    files = write_growth(report, out) if out is not None else []
    first = report.groups[0]
    month = first.growth.monthly(300.0)
    lines = [
        aligned(*report.table(), right=(4, 6)),
        "",
        f"A fish of 300 mm grows {month.text(1)} mm in the next month." if month.value is not None else "",
        f"All fish: {first.growth.sentence}",
        *report.notes,
        *written_lines(files),
    ]
    return Answer(
        "\n".join(x for x in lines if x or x == ""), report.as_dict() | {"written": [str(p) for p in files]}
    )


@click.command(epilog="Example: kinshoal contribution demo/records --by line")
@click.argument("folder", type=RECORDS)
@click.option(
    "--by",
    type=click.Choice(["family", "line", "year-class", "site"]),
    default="family",
    show_default=True,
    help="Groups of released fish.",
)
@click.option("--most", type=click.IntRange(min=1), default=20, show_default=True, help="Groups listed.")
@SET
@OUT
@answers
def contribution(folder: Any, by: str, most: int, changes: tuple[str, ...], out: Path | None) -> Answer:
    """Show what released families, lines, year classes or waters contribute to adults and to larvae.

    Adults by their tags, larvae by their parents found by DNA; unsure parents are counted by their chance.
    """
    from planner.tasks.contribution import contribution_reports
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.monitoring_files import write_contribution

    programme = opened(folder, changes, with_scans=True)
    reports = contribution_reports(programme, by, encounters_without_ghosts(programme))
    files = write_contribution(reports, out) if out is not None else []
    lines: list[str] = []
    for report in reports:
        head, cells = report.table(most)
        if cells:
            lines += [f"Contribution to {report.of}, by {by}", aligned(head, cells, right=(1, 2))]
        if report.found is not None:
            lines.append(
                f"Effective number of groups among the {report.of}: {report.found.effective.text(1)}"
            )
        lines += [*report.notes, ""]
    lines += written_lines(files)
    data = {r.of: r.as_dict() for r in reports}
    return Answer("\n".join(lines).strip(), data | {"written": [str(p) for p in files]})


@click.command(
    epilog="Example: kinshoal feedback demo/records --accept survival:QL:autumn --by 'coordinator'"
)
@click.argument("folder", type=RECORDS)
@click.option(
    "--accept", "names", multiple=True, metavar="VALUE", help="Value to accept, as named in the table."
)
@click.option("--by", "who", default="", metavar="NAME", help="Who accepts; needed with --accept.")
@SET
@OUT
@answers
def feedback(
    folder: Any, names: tuple[str, ...], who: str, changes: tuple[str, ...], out: Path | None
) -> Answer:
    """Set new values from monitoring beside those in use; accept them one by one, with who and when.

    Nothing changes without --accept. What a value replaces stays on record; the next plan uses the new one.
    """
    from planner.tasks.feedback import accept, make_feedback
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.growth import growth_report
    from planner.tasks.monitoring_files import write_feedback
    from planner.tasks.survival_models_curves import programme_curves

    programme = opened(folder, changes, with_scans=True)
    progress("Fitting survival, detection and growth")
    met = encounters_without_ghosts(programme)
    found = make_feedback(
        programme, programme_curves(programme, met), growth_report(programme).groups[0].growth
    )
    said = accept(programme, found, names, who) if names else []
    files = write_feedback(found, out) if out is not None else []
    table = aligned(*found.table()) if found.proposals else "No new values."
    lines = [table, "", *met.notes, *found.notes, *said, *written_lines(files)]
    return Answer("\n".join(lines), found.as_dict() | {"accepted": said, "written": [str(p) for p in files]})


@click.command(epilog="Example: kinshoal quota demo/records --year-class 2024")
@click.argument("folder", type=RECORDS)
@click.option("--year-class", type=int, help="Year class; default the latest.")
@SET
@OUT
@answers
def quota(folder: Any, year_class: int | None, changes: tuple[str, ...], out: Path | None) -> Answer:
    """Larvae by zone and week against the quota, what is over-represented, and whether enough parents were caught."""
    from planner.tasks.monitoring_files import write_quota
    from planner.tasks.quota import quota_report

    report = quota_report(opened(folder, changes, with_calls=True), year_class)
    files = write_quota(report, out) if out is not None else []
    wanted = f" of {report.wanted} wanted" if report.wanted else ""
    lines = [
        f"Year class {report.year_class}: {report.total} larvae{wanted}",
        aligned(*report.table(), right=(2, 3, 4, 5, 6)),
        "",
        *report.notes,
        *written_lines(files),
    ]
    return Answer("\n".join(lines), report.as_dict() | {"written": [str(p) for p in files]})


@click.command(epilog="Example: kinshoal drawdown demo/records QL --out demo/drawdown")
@click.argument("folder", type=RECORDS)
@click.argument("site")
@click.option("--drawdown", metavar="NAME", help="Drawdown on record; default the latest of the water.")
@click.option("--with-scans/--without-scans", default=True, help="Whether contacts of readers count as met.")
@SET
@OUT
@answers
def drawdown(
    folder: Any, site: str, drawdown: str | None, with_scans: bool, changes: tuple[str, ...], out: Path | None
) -> Answer:
    """Tick-off for drawing down a water: expected tags, new tags, young, intruders, and every version of the count."""
    from planner.tasks.drawdown import drawdown_report, write_drawdown

    programme = opened(folder, changes, with_scans=with_scans)
    found = drawdown_report(programme, site, drawdown)
    files = write_drawdown(programme, found, out) if out is not None else []
    width = max(len(label) for label, _ in found.facts())
    lines = [f"{label.ljust(width)}  {value}" for label, value in found.facts()]
    if found.drawdown_id:
        head, cells = found.versions_table()
        lines += ["", aligned(head, cells, right=tuple(range(1, len(head))))]
    lines += ["", *found.differences, *written_lines(files)]
    return Answer("\n".join(lines).rstrip(), found.as_dict() | {"written": [str(p) for p in files]})


@click.command(epilog="Example: kinshoal renovations demo/records")
@click.argument("folder", type=RECORDS)
@SET
@answers
def renovations(folder: Any, changes: tuple[str, ...]) -> Answer:
    """Calendar of renovations: what was done, planned and due. Schedules and records only; no doses."""
    from planner.tasks.renovations import CAUTIONS, renovation_report

    report = renovation_report(opened(folder, changes))
    lines = [aligned(*report.table(), right=(2, 4)), ""]
    if report.calendar:
        lines += [aligned(*report.calendar_table()), ""]
    return Answer("\n".join([*lines, *CAUTIONS]), report.as_dict())


@click.command(epilog="Example: kinshoal power demo/records --change -0.5 --numbers 1665")
@click.argument("folder", type=RECORDS)
@click.option("--change", type=float, default=-0.5, show_default=True, help="Change to see, as a share.")
@click.option("--power", "chance", type=float, default=0.8, show_default=True, help="Chance to see it.")
@click.option("--alpha", type=float, default=0.05, show_default=True, help="Level of the test.")
@click.option("--numbers", type=click.FloatRange(min=10), help="Fish in the main water.")
@click.option("--breeders", type=click.FloatRange(min=2), help="Effective breeders.")
@click.option("--survival", "alive", type=click.FloatRange(0.001, 0.999), help="First-year survival.")
@click.option("--met", type=click.FloatRange(0.001, 1), help="Chance that a survivor is met in a year.")
@SET
@answers
def power(
    folder: Any,
    change: float,
    chance: float,
    alpha: float,
    numbers: float | None,
    breeders: float | None,
    alive: float | None,
    met: float | None,
    changes: tuple[str, ...],
) -> Answer:
    """How many fish, larvae, loci, net hours or scan hours it takes to see a change.

    Formulas where there are any, otherwise a simulation with its own error. The programme's numbers where it has them.
    """
    from planner.tasks.power import PowerWishes, power_report

    wishes = PowerWishes(change, chance, alpha, numbers, breeders, alive, met)
    report = power_report(opened(folder, changes, with_calls=True), wishes)
    return Answer("\n".join([aligned(*report.table()), "", *report.notes]), report.as_dict())


@click.command(epilog="Example: kinshoal abundance demo/records --where reservoir-zone")
@click.argument("folder", type=RECORDS)
@click.option(
    "--where", default="", metavar="SITE|KIND", help="A water, or a kind of water; default the main water."
)
@click.option("--year", type=int, help="Year; default the latest with two visits.")
@SET
@answers
def abundance(folder: Any, where: str, year: int | None, changes: tuple[str, ...]) -> Answer:
    """Estimate how many fish there are: visits found in the netting records, closed estimators side by side."""
    from planner.tasks.abundance import abundance_report

    report = abundance_report(opened(folder, changes), where, year)
    lines = [f"Numbers in {report.where}"]
    if report.visits:
        lines += [aligned(*report.visit_table(), right=(0, 2, 3, 4)), ""]
    lines += [aligned(*report.table()), "", *report.statements]
    return Answer("\n".join(lines), report.as_dict())


@click.command(epilog="Example: kinshoal trial demo/records --times 100 --only abundance")
@click.argument("folder", type=RECORDS)
@click.option("--times", type=int, default=50, show_default=True, help="Programmes simulated.")
@click.option(
    "--only",
    multiple=True,
    type=click.Choice(["abundance", "survival", "breeders", "heterozygosity"]),
    help="Estimator to try; default all.",
)
@SET
@answers
def trial(folder: Any, times: int, only: tuple[str, ...], changes: tuple[str, ...]) -> Answer:
    """Simulate this programme, run each estimator, and say bias and coverage before anybody trusts them."""
    from planner.tasks.trial import ESTIMATORS, trial_report

    report = trial_report(opened(folder, changes, with_calls=True), times, only or ESTIMATORS, progress)
    return Answer("\n".join([aligned(*report.table(), right=(1, 2, 3)), "", *report.notes]), report.as_dict())


@click.command(epilog="Example: kinshoal ghosts demo/records")
@click.argument("folder", type=RECORDS)
@click.option("--most", type=click.IntRange(min=1), default=40, show_default=True, help="Tags listed.")
@SET
@answers
def ghosts(folder: Any, most: int, changes: tuple[str, ...]) -> Answer:
    """List tags that may lie in the water without a living fish: shed, or of a dead fish."""
    from planner.tasks.ghosts import ghost_report

    report = ghost_report(opened(folder, changes, with_scans=True))
    lines = (
        [aligned(*report.table(most), right=(4, 5))] if report.rows else ["No tag is all but surely a ghost."]
    )
    if report.expected.value is not None:
        lines.append(f"\nExpected number of ghosts: {report.expected.text(1)}")
    return Answer("\n".join([*lines, *report.notes]), report.as_dict())
