"""Commands that choose fish or places: keep, found, exchange, grow, loss."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.plans import DAY, OUT, SET, overrides_of
from planner.cli.records import RECORDS
from planner.tasks.text_tables import aligned


def _figures(facts: tuple[tuple[str, str], ...]) -> list[str]:
    """Return label and value lines, aligned."""
    width = max(len(label) for label, _ in facts)
    return [f"{label.ljust(width)}  {value}" for label, value in facts]


@click.command(epilog="Example: kinshoal keep demo/records --number 640 --out demo/keep")
@click.argument("folder", type=RECORDS)
@click.option("--number", type=click.IntRange(min=1), required=True, help="Fish to keep.")
@click.option(
    "--among", type=click.Choice(["stock", "brood"]), default="stock", help="Young fish, or broodfish."
)
@click.option("--per-family", type=click.IntRange(min=1), help="Most fish of one family.")
@click.option(
    "--least-females", type=click.IntRange(min=0), default=0, help="Fewest fish known to be female."
)
@click.option("--least-males", type=click.IntRange(min=0), default=0, help="Fewest fish known to be male.")
@click.option(
    "--line-copies",
    type=click.FloatRange(min=0),
    default=1.0,
    show_default=True,
    help="Copies of every founder line's genome to keep, or all there are.",
)
@click.option("--must", multiple=True, metavar="FISH|FAMILY=N", help="Fish, or number of a family, to keep.")
@click.option(
    "--not", "must_not", multiple=True, metavar="NAME", help="Fish, family or unit to keep none of."
)
@SET
@OUT
@answers
def keep(
    folder: Path | str,
    number: int,
    among: str,
    per_family: int | None,
    least_females: int,
    least_males: int,
    line_copies: float,
    must: tuple[str, ...],
    must_not: tuple[str, ...],
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Choose which fish to keep as future parents: least mean kinship, every founder line, with a proven gap.

    Kinship is that of the kept fish, and by the setting living_weight that of the kept fish and the living
    broodfish together. Writes the numbers per family, the single fish (drawn by lot within a family) and the plan file.
    """
    from planner.tasks.future_broodstock import KeepWishes, keep_plan, write_keep
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    wishes = KeepWishes(number, per_family, least_females, least_males, line_copies, must, must_not, among)
    outcome = keep_plan(programme, wishes, progress)
    written = write_keep(outcome, out) if out is not None else []
    lines = [
        *_figures(outcome.facts()),
        "",
        aligned(*outcome.comparison(), right=(1, 2, 4)),
        "",
        aligned(*outcome.table(), right=(1, 2, 3)),
        "",
        *outcome.notes,
        f"mark {outcome.provenance.mark}",
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), outcome.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal loss demo/records --unit P-03")
@click.argument("folder", type=RECORDS)
@click.option("--unit", "units", multiple=True, metavar="UNIT", help="Tank or pond that is lost.")
@click.option("--site", "sites", multiple=True, metavar="SITE", help="Water that is lost.")
@click.option("--building", "buildings", multiple=True, metavar="NAME", help="Building with all its units.")
@click.option(
    "--load",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Truck that is lost: a CSV with a column stock_id or tag, such as rows of release_fish.csv.",
)
@SET
@OUT
@answers
def loss(
    folder: Path | str,
    units: tuple[str, ...],
    sites: tuple[str, ...],
    buildings: tuple[str, ...],
    load: Path | None,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Say what would be gone if a tank, pond, water or truck were lost tonight, and where copies remain.

    Several places are lost together. Without a place: every place ranked by what it alone holds.
    """
    from planner.tasks.loss import loss_report, read_load, write_loss
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    progress("Dropping genes down the pedigree")
    report = loss_report(programme, units, sites, buildings, read_load(load) if load is not None else ())
    written = write_loss(report, out) if out is not None else []
    lines = _figures(report.facts()) if report.facts() else [report.what] if report.what else []
    for title, table in report.tables():
        lines += ["", title, aligned(*table, right=(1, 2))]
    lines += ["", *report.notes, *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines).strip(), report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal found demo/records --site NP --number 60 --out demo/found")
@click.argument("folder", type=RECORDS)
@click.option("--site", required=True, metavar="SITE", help="Water that receives the group.")
@click.option("--number", type=click.IntRange(min=1), required=True, help="Fish of the group.")
@DAY
@click.option(
    "--families", type=click.IntRange(min=1), default=10, show_default=True, help="Fewest families."
)
@click.option(
    "--least", type=click.IntRange(min=1), default=2, show_default=True, help="Fewest fish of a family."
)
@click.option(
    "--most", type=click.IntRange(min=1), default=4, show_default=True, help="Most fish of a family."
)
@click.option(
    "--sexes-apart/--sexes-mixed", default=True, help="Fish of a family of one sex, so sibs do not meet."
)
@click.option("--known-sex", is_flag=True, help="Fish of known sex only, at least 40 % of each.")
@click.option(
    "--class-share", type=float, default=0.75, show_default=True, help="Largest share of one year class."
)
@click.option("--min-length", type=click.FloatRange(min=0), default=0.0, help="Shortest fish in mm.")
@click.option("--with-refuge/--stock-only", default=True, help="Move residents of refuges too.")
@SET
@OUT
@answers
def found(
    folder: Path | str,
    site: str,
    number: int,
    day: dt.datetime | None,
    families: int,
    least: int,
    most: int,
    sexes_apart: bool,
    known_sex: bool,
    class_share: float,
    min_length: float,
    with_refuge: bool,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Choose the fish that found the group of a new or renovated water, and say what the group is worth.

    Least mean kinship (with the residents of the water, if any) under the rules, with a proven gap.
    """
    from planner.tasks.founder_group import FounderWishes, founder_plan, write_founders
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    wishes = FounderWishes(
        site, number, families, least, most, sexes_apart, known_sex, class_share, min_length, with_refuge
    )
    outcome = founder_plan(programme, wishes, None if day is None else day.date(), progress)
    written = write_founders(outcome, out) if out is not None else []
    lines = [
        *_figures(outcome.facts()),
        "",
        aligned(*outcome.comparison(), right=(1, 3)),
        "",
        aligned(*outcome.table(), right=(1, 4, 5)),
        "",
        *outcome.notes,
        f"mark {outcome.provenance.mark}",
        *(f"wrote {p}" for p in written),
    ]
    return Answer("\n".join(lines), outcome.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal grow demo/records --months 12 --growth 8")
@click.argument("folder", type=RECORDS)
@DAY
@click.option("--site", metavar="SITE", help="One water; default one of each kind.")
@click.option("--months", type=int, default=12, show_default=True, help="Months until the later release.")
@click.option("--growth", type=float, default=8.0, show_default=True, help="Growth in mm a month.")
@click.option("--growth-error", type=float, default=1.5, show_default=True, help="Its standard error.")
@click.option(
    "--survival", type=float, default=0.975, show_default=True, help="Survival of a month in the pond."
)
@click.option("--survival-error", type=float, default=0.005, show_default=True, help="Its standard error.")
@click.option(
    "--accident", type=float, default=0.0, show_default=True, help="Share lost on top, such as a die-off."
)
@click.option("--cost-month", type=float, default=0.35, show_default=True, help="Money per fish and month.")
@click.option("--cost-release", type=float, default=1.0, show_default=True, help="Money per fish released.")
@SET
@OUT
@answers
def grow(
    folder: Path | str,
    day: dt.datetime | None,
    site: str | None,
    months: int,
    growth: float,
    growth_error: float,
    survival: float,
    survival_error: float,
    accident: float,
    cost_month: float,
    cost_release: float,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Release now or grow on: survivors per fish and per money for each size class, and the break-even loss.

    The defaults for growth, losses and costs are invented; give your own.
    """
    from planner.tasks.grow_on import Rearing, grow_report, write_grow
    from planner.tasks.programme import open_programme

    rearing = Rearing(
        months, growth, growth_error, survival, survival_error, accident, cost_month, cost_release
    )
    programme = open_programme(folder, overrides_of(changes))
    report = grow_report(programme, rearing, site, None if day is None else day.date())
    written = write_grow(report, out) if out is not None else []
    lines = [aligned(*report.table(), right=(2,)), "", *report.notes(), *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines), report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal exchange demo/records --years 6 --out demo/exchange")
@click.argument("folder", type=RECORDS)
@click.option("--years", type=click.IntRange(1, 30), default=6, show_default=True, help="Years of the plan.")
@click.option(
    "--generation", type=float, default=6.0, show_default=True, help="Mean age of parents at birth, years."
)
@click.option(
    "--breed-share", type=float, default=0.3, show_default=True, help="Share of moved fish that breed."
)
@click.option(
    "--least", type=click.FloatRange(min=0), default=1.0, show_default=True, help="Fewest migrants."
)
@click.option("--most", type=click.FloatRange(min=0), default=10.0, show_default=True, help="Most migrants.")
@click.option(
    "--journey",
    type=(int, int),
    default=(4, 20),
    show_default=True,
    help="Fewest and most fish of a journey.",
)
@click.option(
    "--stay-share", type=float, default=0.8, show_default=True, help="Share of its fish a water keeps."
)
@click.option("--with-station/--waters-only", default=False, help="The station's stock sends fish too.")
@SET
@OUT
@answers
def exchange(
    folder: Path | str,
    years: int,
    generation: float,
    breed_share: float,
    least: float,
    most: float,
    journey: tuple[int, int],
    stay_share: float,
    with_station: bool,
    changes: tuple[str, ...],
    out: Path | None,
) -> Answer:
    """Plan moves between backwaters so that each gets 1 to 10 effective migrants a generation.

    Fish go only to water of equal or higher risk. Fewest journeys first, then least kinship within waters.
    """
    from planner.tasks.exchange import ExchangeWishes, exchange_plan, write_exchange
    from planner.tasks.programme import open_programme

    programme = open_programme(folder, overrides_of(changes))
    progress("Choosing moves")
    wishes = ExchangeWishes(years, generation, breed_share, least, most, journey, stay_share, with_station)
    outcome = exchange_plan(programme, wishes)
    written = write_exchange(outcome, out) if out is not None else []
    lines = _figures(outcome.facts())
    for title, table in (
        ("Fish moved in all years:", outcome.matrix()),
        ("Journeys:", outcome.year_table()),
        ("Effective migrants per generation (Nm) and kinship:", outcome.water_table()),
        ("Who last received, longest ago first:", outcome.received_table()),
    ):
        lines += ["", title, aligned(*table)]
    lines += ["", *outcome.notes, f"mark {outcome.provenance.mark}", *(f"wrote {p}" for p in written)]
    return Answer("\n".join(lines), outcome.as_dict() | {"written": [str(p) for p in written]})
