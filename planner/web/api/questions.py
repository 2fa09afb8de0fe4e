"""The questions of the command line with the shapes of what they ask and answer."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import BaseModel

from planner.web.api import shapes_answers as a
from planner.web.api import shapes_asked as q
from planner.web.api import shapes_field as f


@dataclass(frozen=True)
class Question:
    """One question.

    Parameters
    ----------
    asked, answer : type of BaseModel
        Shapes.
    sentence : str
        What it says.
    """

    asked: type[BaseModel]
    answer: type[BaseModel]
    sentence: str


QUESTIONS: dict[str, Question] = {
    "card": Question(q.CardAsked, a.CardAnswer, "One fish with all that is known of it, genotype included."),
    "check": Question(q.CheckAsked, a.CheckAnswer, "Every fault and doubt of the records."),
    "kinship": Question(
        q.UnderSettings, a.KinshipAnswer, "Kinship and mean kinship of the living broodfish."
    ),
    "diversity": Question(q.DiversityAsked, a.DiversityAnswer, "Diversity of groups, with intervals."),
    "size": Question(q.SizeAsked, a.SizeAnswer, "Effective size by every method the records allow."),
    "founders": Question(q.UnderSettings, a.FoundersAnswer, "What each founder line still contributes."),
    "quality": Question(
        q.CallsAsked, a.QualityAnswer, "Quality of the genotypes: what to leave out or look at."
    ),
    "parents": Question(q.UnderSettings, a.ParentsAnswer, "Parents by DNA against the record."),
    "audit": Question(
        q.AuditAsked, a.AuditAnswer, "Is diversity kept in a year class, and where was it lost."
    ),
    "permits": Question(q.PermitsAsked, a.PermitsAnswer, "The running tally of every permit."),
    "may-move": Question(
        q.MoveAsked, a.MoveAnswer, "May these fish go there on that day, and why or why not."
    ),
    "lots": Question(q.LotsAsked, a.LotsAnswer, "Families in a place, and whether the fish add up."),
    "loss": Question(q.LossAsked, a.LossAnswer, "What would be gone if places were lost."),
    "tags": Question(q.Nothing, a.TagsAnswer, "Stock of tags: bought, used, scrapped, left."),
    "whose-tag": Question(q.WhoseTagAsked, a.WhoseTagAnswer, "Fish that may carry an unknown tag."),
    "keep": Question(q.KeepAsked, a.KeepAnswer, "Fish to keep as future parents, founder lines kept."),
    "found": Question(q.FoundAsked, a.FoundAnswer, "Fish that found the group of a water."),
    "grow": Question(q.GrowAsked, a.GrowAnswer, "Release now or grow on."),
    "exchange": Question(q.ExchangeAsked, a.ExchangeAnswer, "Moves between backwaters over some years."),
    "project": Question(q.ProjectAsked, a.ProjectAnswer, "Diversity, numbers and cost under strategies."),
    "tradeoff": Question(q.TradeoffAsked, a.TradeoffAnswer, "What survivors cost in kinship."),
    "load": Question(q.LoadAsked, a.LoadAnswer, "Trips of the trucks for the last release plan."),
    "season": Question(q.SeasonAsked, f.SeasonAnswer, "Ripe fish by day, pairs to hold, what to prepare."),
    "rehearse": Question(q.RehearseAsked, f.RehearseAnswer, "A spawning day played many times."),
    "designs": Question(q.DesignsAsked, f.DesignsAnswer, "Mating designs side by side."),
    "equalise": Question(q.EqualiseAsked, f.EqualiseAnswer, "Fish of each family to keep at each cull."),
    "production": Question(
        q.ProductionAsked, f.ProductionAnswer, "From fish at release back to eggs and tags."
    ),
    "hatch": Question(q.HatchAsked, f.HatchAnswer, "Hatch and swim-up dates from water temperature."),
    "abundance": Question(q.AbundanceAsked, f.AbundanceAnswer, "How many fish there are."),
    "survival": Question(q.SurvivalAsked, f.SurvivalAnswer, "Survival by water, season, length and year."),
    "ghosts": Question(q.UnderSettings, f.GhostsAnswer, "Tags in the water without a living fish."),
    "growth": Question(q.UnderSettings, f.GrowthAnswer, "Growth, condition, weight and length."),
    "contribution": Question(q.ContributionAsked, f.ContributionAnswer, "What released groups contribute."),
    "feedback": Question(
        q.UnderSettings, f.FeedbackAnswer, "New values from monitoring beside those in use."
    ),
    "quota": Question(q.AuditAsked, f.QuotaAnswer, "Larvae by zone and week against the quota."),
    "drawdown": Question(q.DrawdownAsked, f.DrawdownAnswer, "The tick-off for drawing down a water."),
    "renovations": Question(q.UnderSettings, f.RenovationsAnswer, "Renovations done, planned and due."),
    "trial": Question(
        q.TrialAsked, f.TrialAnswer, "Bias and coverage of the estimators on simulated programmes."
    ),
    "power": Question(q.PowerAsked, f.PowerAnswer, "What it takes to see a change."),
}
"""Questions by the name of their command."""
