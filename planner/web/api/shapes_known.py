"""Shapes of what the pages show at once: kinship, pedigree, waters, plans."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from planner.web.api.shapes import EstimateShown, Provenance, Row, Shape
from planner.web.api.shapes_answers import LoadAnswer


class KinOfFish(Shape):
    """A living fish and its mean kinship to all."""

    fish: str
    sex: str
    origin: str
    year: str
    dam: str
    sire: str
    inbreeding: float | None
    mean_kinship: float | None


class KinshipPage(Shape):
    """Mean kinship of the living fish and the closest pairs."""

    facts: list[list[EstimateShown | str | float | None]] = Field(description="Label and value.")
    fish: list[KinOfFish]
    closest: list[tuple[str, str, float]]
    method: str


class Ancestor(Shape):
    """A fish with its parents under it."""

    fish: str
    role: str
    words: str
    source: str
    children: list[Ancestor]


class PedigreePage(Shape):
    """Ancestors, offspring and sibs of a fish."""

    root: Ancestor
    inbreeding: float | None
    mean_kinship: float | None
    offspring: list[Any]
    sibs: list[Any]


class Light(Shape):
    """One condition of a release to a water: good, look, stop or unknown, and what would change it."""

    name: str
    state: str
    words: str
    change: str


class WaterShown(Shape):
    """A water with its lights."""

    site_id: str
    name: str
    kind: str
    facts: list[list[EstimateShown | str | float | None]] = Field(description="Label and value.")
    lights: list[Light]
    families: list[tuple[str, int, float]]
    river_km: float | None
    latitude: float | None
    longitude: float | None
    residents: int | None
    capacity: int | None
    note: str


class TagShown(Shape):
    """A PIT code in its forms, and what they mean."""

    readable: bool
    words: list[str]
    forms: Row


class Cross(Shape):
    """One dish of a spawning plan."""

    dish_id: str
    dam: str
    sire: str
    dish: int
    of: int
    cell: str | None
    egg_share: float | None
    kinship: float | None


class NotUsed(Shape):
    """A fish that is not crossed, and why."""

    fish_id: str
    why: str


class SpawningPlanShown(Shape):
    """A version of a spawning plan."""

    is_newest: bool
    versions: list[int]
    status: str
    value: float | None
    bound: float | None
    gap: float | None
    last_dish_number: int
    measures: Row
    crosses: list[Cross]
    reasons: list[Row]
    next_in_line: dict[str, list[str]] = Field(description="Males that stand in, by female.")
    not_used: list[NotUsed]
    plans_without_optimisation: list[Row]
    other_plans: list[Row]
    other_plans_differ: Row | None = None
    caution: Row | None
    notes: list[str]
    overrides: dict[str, str] = Field(default_factory=dict)
    events: Row | None = Field(None, description="What was told since the first version of the day.")
    changes: list[str] = Field(default_factory=list)
    provenance: Provenance


class SiteOfPlan(Shape):
    """What a water gets."""

    site: str
    arrivals: int
    residents: int
    arrivals_kg: float | None
    survivors: EstimateShown
    kinship_before: float | None
    kinship: float | None
    families: int
    effective_families: float | None
    largest_family: str | None
    largest_share: float | None


class LineOfPlan(Shape):
    """Fish of one group for one water, and why."""

    group: str
    family: str
    size_class: str
    site: str
    number: int
    survival: float | None
    kinship_to_site: float | None
    why: str


class ReleasePlanShown(Shape):
    """A version of a release plan."""

    is_newest: bool
    versions: list[int]
    status: str
    objective: float | None
    bound: float | None
    gap: float | None
    released: int
    kept_back: int
    survivors: EstimateShown
    kinship_within: float | None
    kinship_across: float | None
    kinship_whole: float | None
    gene_diversity: float | None
    effective_families: float | None
    sites: list[SiteOfPlan]
    lines: list[LineOfPlan]
    fish: dict[str, list[str]] = Field(description="Single fish by name of the water.")
    closed: list[str]
    changes: list[str]
    fallbacks: list[Row] = Field(description="For each water where its fish would go if it were closed.")
    refused: list[str]
    plans_without_optimisation: list[Row]
    notes: list[str]
    provenance: Provenance


class LoadsShown(LoadAnswer):
    """A version of the truck loads."""

    is_newest: bool
    versions: list[int]


class SheetAskShown(Shape):
    """One thing a sheet may be asked for."""

    name: str


class SheetKindShown(Shape):
    """A kind of sheet: what it is for, and what it may be asked for."""

    name: str
    title: str
    lead: str
    plan: str
    asks: list[SheetAskShown]
