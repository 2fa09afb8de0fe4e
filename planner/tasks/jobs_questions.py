"""Questions of the command line as long work: asked with plain values, answered as ``--json`` answers them.

A question only reads. What it asks is typed and explained by `planner.web.api`; here every value may be left out that the
command line does not ask for either.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import settings_of
from planner.tasks.plan_file import plain_value
from planner.tasks.workplace import Workplace

if TYPE_CHECKING:
    from planner.tasks.programme import Programme


@dataclass(frozen=True)
class Ask:
    """A question being answered.

    Parameters
    ----------
    workplace : Workplace
        Records and results.
    asked : mapping
        Plain values by name.
    say : callable
        Told in words what is being done.
    """

    workplace: Workplace
    asked: Mapping[str, Any]
    say: Say

    @cached_property
    def programme(self) -> Programme:
        """The records under the settings asked for."""
        self.say("Reading the records")
        return self.workplace.programme(settings_of(self.asked))

    @cached_property
    def with_scans(self) -> Programme:
        """The same with every contact of the scanners."""
        from planner.tasks.programme import open_programme

        self.say("Reading captures and scans")
        return open_programme(self.workplace.source, settings_of(self.asked), with_scans=True)

    def get(self, name: str, otherwise: Any = None) -> Any:
        """Return a value asked with, another when it was left out."""
        value = self.asked.get(name)
        return otherwise if value is None else value

    def text(self, name: str) -> str:
        """Return a text asked with, empty when it was left out."""
        return str(self.get(name, ""))

    def day(self, name: str) -> dt.date | None:
        """Return a day asked with.

        Raises
        ------
        UsageError
            If it is no ISO date.
        """
        text = self.text(name)
        try:
            return dt.date.fromisoformat(text) if text else None
        except ValueError:
            raise UsageError(f"{name}: found {text!r}. Expected an ISO date, as 2025-02-14.") from None


def card(ask: Ask) -> dict[str, Any]:
    """Show one fish with its genotype."""
    from planner.tasks.card import card_of

    return card_of(ask.workplace.source, ask.text("fish"), ask.day("on"), dna=bool(ask.get("dna", True))).data


def check(ask: Ask) -> dict[str, Any]:
    """List every fault and doubt of the records."""
    from planner.tasks.check import check_folder

    return check_folder(ask.workplace.source, ask.get("level", "note"), None, ask.get("today")).as_dict()


def kinship(ask: Ask) -> dict[str, Any]:
    """Compute kinship and mean kinship of the living broodfish."""
    from planner.tasks.kinship import living_kinship

    return living_kinship(ask.programme).as_dict()


def diversity(ask: Ask) -> dict[str, Any]:
    """Estimate diversity by group, with intervals."""
    from planner.tasks.diversity import diversity_by

    by = ask.get("by", "year-class-and-line")
    programme = ask.programme
    ask.say("Resampling fish")
    return diversity_by(programme, by, ask.get("calls", "snps")).as_dict()


def size(ask: Ask) -> dict[str, Any]:
    """Estimate effective size by every method the records allow."""
    from planner.tasks.size import effective_sizes

    programme = ask.programme
    ask.say("Estimating effective size")
    return effective_sizes(
        programme, ask.get("year_class"), ask.get("line"), ask.get("calls", "snps")
    ).as_dict()


def founders(ask: Ask) -> dict[str, Any]:
    """Say what each founder line still contributes, and where."""
    from planner.tasks.founders import founder_board

    programme = ask.programme
    ask.say("Dropping genes down the pedigree")
    return founder_board(programme).as_dict()


def quality(ask: Ask) -> dict[str, Any]:
    """Check the genotypes."""
    from planner.tasks.quality import check_quality

    return check_quality(ask.programme, ask.get("calls", "snps")).as_dict()


def parents(ask: Ask) -> dict[str, Any]:
    """Find parents by DNA and hold them against the record."""
    from planner.tasks.parents import find_parents
    from planner.tasks.quality import check_quality

    programme = ask.programme
    ask.say("Checking the calls")
    checked = check_quality(programme)
    ask.say("Finding parents")
    return find_parents(programme, checked).as_dict()


def audit(ask: Ask) -> dict[str, Any]:
    """Audit a year class."""
    from planner.tasks.audit import audit_programme

    return audit_programme(ask.programme, ask.get("year_class"), ask.say).as_dict()


def permits(ask: Ask) -> dict[str, Any]:
    """Tally every permit; the newest plans count as planned when asked."""
    from planner.tasks.permits import planned_by, tallies

    planned: dict[str, Any] = {}
    for kind in ask.get("plans", ()):
        if not ask.workplace.plan_folder(kind).is_dir():
            raise UsageError(f"plans: found {kind!r}, of which there is no plan yet. Expected a plan made.")
        planned |= planned_by(ask.workplace.plan_folder(kind))
    return {"permits": [t.as_dict() for t in tallies(ask.programme, ask.day("on"), planned)]}


def may_move(ask: Ask) -> dict[str, Any]:
    """Say whether fish may go there on a day, and why or why not."""
    from planner.tasks.may_move import may_move

    return may_move(ask.programme, ask.text("what"), ask.text("where"), ask.day("on")).as_dict()


def lots(ask: Ask) -> dict[str, Any]:
    """Say which families are in a place, and whether the fish add up."""
    from planner.tasks.lots import lots_report

    where = [ask.text(k) for k in ("lot", "unit", "site")]
    return lots_report(ask.programme, where[0], where[1], where[2], ask.day("on")).as_dict()


def loss(ask: Ask) -> dict[str, Any]:
    """Say what would be gone if places were lost, or rank all places."""
    from planner.tasks.loss import loss_report

    programme = ask.programme
    ask.say("Dropping genes down the pedigree")
    return loss_report(
        programme, ask.get("units", ()), ask.get("sites", ()), ask.get("buildings", ())
    ).as_dict()


def tags(ask: Ask) -> dict[str, Any]:
    """Take stock of tags."""
    from planner.tasks.tag_stock import tag_report

    return tag_report(ask.programme).as_dict()


def whose_tag(ask: Ask) -> dict[str, Any]:
    """Rank the fish that may carry an unknown tag."""
    from planner.tasks.whose_tag import InHand, whose_tag

    hand = InHand(
        ask.day("on"),
        ask.text("at"),
        ask.get("length"),
        ask.text("sex"),
        ask.text("sample"),
        bool(ask.get("scanned")),
    )
    return whose_tag(ask.programme, ask.text("code"), hand, int(ask.get("most", 10))).as_dict()


def keep(ask: Ask) -> dict[str, Any]:
    """Choose the fish to keep as future parents."""
    from planner.tasks.future_broodstock import KeepWishes, keep_plan

    wishes = KeepWishes(
        ask.get("number"),
        ask.get("per_family"),
        ask.get("least_females", 0),
        ask.get("least_males", 0),
        ask.get("line_copies", 1.0),
        tuple(ask.get("must", ())),
        tuple(ask.get("must_not", ())),
        ask.get("among", "stock"),
    )
    return keep_plan(ask.programme, wishes, ask.say).as_dict()


def found(ask: Ask) -> dict[str, Any]:
    """Choose the fish that found the group of a water."""
    from planner.tasks.founder_group import FounderWishes, founder_plan

    wishes = FounderWishes(
        ask.text("site"),
        ask.get("number"),
        ask.get("families", 10),
        ask.get("least", 2),
        ask.get("most", 4),
        ask.get("sexes_apart", True),
        ask.get("known_sex", False),
        ask.get("class_share", 0.75),
        ask.get("min_length", 0.0),
        ask.get("with_refuge", True),
    )
    return founder_plan(ask.programme, wishes, ask.day("day"), ask.say).as_dict()


def grow(ask: Ask) -> dict[str, Any]:
    """Weigh releasing now against growing on."""
    from planner.tasks.grow_on import Rearing, grow_report

    rearing = Rearing(
        ask.get("months", 12),
        ask.get("growth", 8.0),
        ask.get("growth_error", 1.5),
        ask.get("survival", 0.975),
        ask.get("survival_error", 0.005),
        ask.get("accident", 0.0),
        ask.get("cost_month", 0.35),
        ask.get("cost_release", 1.0),
    )
    return grow_report(ask.programme, rearing, ask.get("site"), ask.day("day")).as_dict()


def exchange(ask: Ask) -> dict[str, Any]:
    """Plan moves between backwaters."""
    from planner.tasks.exchange import ExchangeWishes, exchange_plan

    wishes = ExchangeWishes(
        ask.get("years", 6),
        ask.get("generation", 6.0),
        ask.get("breed_share", 0.3),
        ask.get("least", 1.0),
        ask.get("most", 10.0),
        (ask.get("journey_least", 4), ask.get("journey_most", 20)),
        ask.get("stay_share", 0.8),
        ask.get("with_station", False),
    )
    return exchange_plan(ask.programme, wishes).as_dict()


def project(ask: Ask) -> dict[str, Any]:
    """Project diversity, numbers and cost under strategies."""
    from planner.tasks.project import ProjectionWishes, projection

    names = tuple(
        ask.get("strategies", ("do-nothing", "random", "equal-families", "least-kinship", "more-sites"))
    )
    wishes = ProjectionWishes(
        ask.get("years", 20), names, ask.get("replicates", 100), ask.get("seed"), None, ""
    )
    return projection(ask.programme, wishes, ask.say).as_dict()


def tradeoff(ask: Ask) -> dict[str, Any]:
    """Set survivors against kinship in a row of release plans."""
    from planner.tasks.tradeoff import release_tradeoff

    return release_tradeoff(
        ask.programme,
        ask.get("points", 7),
        ask.get("lowest", 0.9),
        ask.day("day"),
        ask.get("alternatives", 0),
        ask.get("tolerance", 0.02),
        ask.say,
    ).as_dict()


def load(ask: Ask) -> dict[str, Any]:
    """Load the trucks for the last release plan."""
    from planner.tasks.load import truck_loads

    folder = ask.workplace.plan_folder("release")
    if not (folder / "release_plan.json").exists():
        raise UsageError("load: found no release plan. Expected one; make a release plan first.")
    return truck_loads(ask.programme, folder, ask.day("day"), tuple(ask.get("without", ())), 1).as_dict()


QUESTIONS: dict[str, Callable[[Ask], dict[str, Any]]] = {
    "card": card,
    "check": check,
    "kinship": kinship,
    "diversity": diversity,
    "size": size,
    "founders": founders,
    "quality": quality,
    "parents": parents,
    "audit": audit,
    "permits": permits,
    "may-move": may_move,
    "lots": lots,
    "loss": loss,
    "tags": tags,
    "whose-tag": whose_tag,
    "keep": keep,
    "found": found,
    "grow": grow,
    "exchange": exchange,
    "project": project,
    "tradeoff": tradeoff,
    "load": load,
}
"""Questions by the name of their command; `planner.tasks.jobs_questions_field` has those of the season and of monitoring."""


def answer(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Answer the question named by the option ``question``; option ``asked`` has the values.

    Raises
    ------
    UsageError
        If there is no such question, or a value fits nothing.
    """
    from planner.tasks.jobs_questions_field import FIELD_QUESTIONS

    name = str(options.get("question"))
    questions = QUESTIONS | FIELD_QUESTIONS
    if name not in questions:
        raise UsageError(f"question: found {name!r}. Expected one of {', '.join(questions)}.")
    answered: dict[str, Any] = plain_value(questions[name](Ask(workplace, options.get("asked") or {}, say)))
    return answered
