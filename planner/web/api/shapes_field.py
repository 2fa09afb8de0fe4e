"""What questions of the season and of monitoring answer; see `planner.web.api.shapes_answers`."""

from __future__ import annotations

from typing import Any

from planner.web.api.shapes import EstimateShown, Provenance, Row, Shape
from planner.web.api.shapes_answers import Estimates


class SeasonAnswer(Shape):
    """Ripe fish by day, pairs to hold, what to prepare."""

    status: str
    expected_made: EstimateShown
    bound: float | None
    gap: float | None
    days: list[Row]
    hold: list[Row]
    fish: list[Row]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class RehearseAnswer(Shape):
    """Mornings played."""

    day: str
    times: int
    seed: int
    wanted: int
    results: Estimates
    as_planned: Row
    prepare: Row
    risks: dict[str, float]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class DesignsAnswer(Shape):
    """Mating designs side by side."""

    females: list[str]
    males: list[str]
    designs: list[Row]
    best_plans: list[Row]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class EqualiseAnswer(Shape):
    """Fish to keep of each family."""

    families: list[Row]
    steps: list[Row]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class ProductionAnswer(Shape):
    """From fish at release back to eggs."""

    stages: list[Row]
    ready: list[Row]
    families_wanted: int | None
    families_planned: int | None
    share_long_enough: dict[str, float]
    mean_length_mm: list[float]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class HatchAnswer(Shape):
    """Dates of hatch and swim-up."""

    fertilised: str
    temperature: float | None
    base_temperature: float | None
    models: dict[str, Row]
    events: list[Row]
    warnings: list[str]
    notes: list[str]
    provenance: Provenance


class AbundanceAnswer(Shape):
    """How many fish."""

    where: str
    visits: list[Row]
    estimates: Estimates
    statements: list[str]


class CurvePoint(Shape):
    """Survival by length of one water and season."""

    site_id: str
    season: str
    survival: Estimates


class SurvivalAnswer(Shape):
    """Survival after release; `joint` and `known_fates` when asked for."""

    by: str | None
    curves: list[CurvePoint]
    detection: Estimates
    groups: list[Row]
    models: list[list[str]]
    statements: list[str]
    joint: Row | None = None
    known_fates: Row | None = None


class GhostsAnswer(Shape):
    """Tags without a living fish."""

    ghosts: list[Row]
    expected: EstimateShown
    scanned: int
    notes: list[str]


class GrowthAnswer(Shape):
    """Growth by group."""

    groups: list[Row]
    notes: list[str]


class ContributionReport(Shape):
    """What groups contribute to adults or to larvae."""

    by: str | None
    of: str
    effective_groups: EstimateShown | None = None
    groups: list[Row]
    notes: list[str]


class ContributionAnswer(Shape):
    """Contribution to adults and to larvae."""

    reports: list[ContributionReport]


class NewValue(Shape):
    """A value from monitoring beside the one in use."""

    name: str
    in_use: str
    proposed: str
    interval: str
    made_from: str
    change: str
    table: str
    row: Row
    replaces: Row


class FeedbackAnswer(Shape):
    """New values; nothing changes until a person accepts one."""

    proposals: list[NewValue]
    notes: list[str]
    fingerprint: str
    accepted: list[str]


class QuotaAnswer(Shape):
    """Larvae against the quota."""

    year_class: int
    taken: int
    wanted: int | None
    cells: list[Row]
    notes: list[str]
    parents: Row


class DrawdownAnswer(Shape):
    """What is expected when a water is drawn down."""

    site_id: str
    drawdown_id: str
    expected: list[Row]
    lists: dict[str, list[Any]]
    tally: dict[str, int]
    versions: list[Row]
    differences: list[str]


class RenovationsAnswer(Shape):
    """Renovations done, planned and due; no doses."""

    waters: list[Row]
    calendar: list[Row]
    cautions: list[str]


class TrialAnswer(Shape):
    """Bias and coverage of the estimators for a programme of this size."""

    rows: list[Row]
    notes: list[str]


class PowerAnswer(Shape):
    """What it takes to see a change."""

    rows: list[Row]
    notes: list[str]
