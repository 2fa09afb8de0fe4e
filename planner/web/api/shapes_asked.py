"""What questions and plans ask: the options of the command line as typed bodies; all but the marked ones may be left out."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Day = dt.date | None
CallSet = Literal["snps", "microsatellites"]
DAYS_EXAMPLE = ["2025-02-07", "2025-02-14"]


def example(**values: Any) -> ConfigDict:
    """Return the configuration of a body with an example; unknown names are refused."""
    return ConfigDict(extra="forbid", json_schema_extra={"examples": [values]})


class Nothing(BaseModel):
    """Nothing is asked."""

    model_config = example()


class UnderSettings(BaseModel):
    """Settings for this work alone, by name, as text."""

    model_config = example(settings={"pair_kinship_limit": "0.05"})
    settings: dict[str, str] = Field(default_factory=dict)


class SpawningAsked(UnderSettings):
    """A spawning plan."""

    model_config = example(day="2025-02-14", not_ripe=["F-07"])
    day: Day = None
    not_ripe: list[str] = Field(default_factory=list, description="Fish found not ripe this morning.")
    also_ripe: list[str] = Field(
        default_factory=list, description="Fish found ripe; 'all' for every fish nobody looked at."
    )
    others: int = Field(0, ge=0, le=10, description="Nearly as good plans to show.")


class Dish(BaseModel):
    """A dish that is laid."""

    female: str
    male: str


class ReplanAsked(BaseModel):
    """What happened since the last version of the spawning plan."""

    model_config = example(lost={"F-07": "not ripe"})
    lost: dict[str, str] = Field(default_factory=dict, description="Reason by fish: not ripe, no milt, dead.")
    few_eggs: dict[str, int] = Field(default_factory=dict, description="Dishes by female with few eggs.")
    unreadable: list[str] = Field(default_factory=list, description="Fish whose tag cannot be read.")
    arrived: dict[str, Literal["female", "male"]] = Field(
        default_factory=dict, description="Sex by name of an untagged wild fish that came in."
    )
    laid: list[Dish] = Field(default_factory=list, description="Dishes laid since.")
    cells: int | None = Field(None, ge=0, le=100_000, description="Dishes that can still be laid.")


class ReleaseAsked(UnderSettings):
    """A release plan; with closed waters and a plan before it, only their fish get a new place."""

    model_config = example(closed=["QL"])
    day: Day = None
    closed: list[str] = Field(default_factory=list)
    from_scratch: bool = False


class LoadsAsked(UnderSettings):
    """Trucks for the last release plan, kept as a version with its loading sheet."""

    model_config = example(failed=["truck 2"])
    day: Day = None
    failed: list[str] = Field(default_factory=list, description="Trucks that do not drive.")


class SheetAsked(BaseModel):
    """What a sheet is asked for, by name; /api/sheets says the names of each."""

    model_config = example(values={"day": "2025-02-14"})
    values: dict[str, str] = Field(default_factory=dict)


class ReportAsked(BaseModel):
    """What a report asks; each takes some of these."""

    model_config = example(year_class="2024")
    day: str = ""
    days: str = ""
    lot: str = ""
    unit: str = ""
    site: str = ""
    where: str = ""
    by: str = ""
    year_class: str = ""
    years: str = ""
    replicates: str = ""
    strategies: str = ""


class CardAsked(BaseModel):
    """One fish, with its genotype."""

    model_config = example(fish="F-06")
    fish: str = Field(description="Name or tag.")
    on: Day = None
    dna: bool = True


class CheckAsked(BaseModel):
    """The checks of the records."""

    model_config = example(level="warning")
    level: Literal["error", "warning", "note"] = "note"
    today: str | None = Field(None, description="Day to read the records for, ISO.")


class DiversityAsked(UnderSettings):
    """Diversity of groups."""

    model_config = example(by="year-class")
    by: Literal["year-class", "line", "site", "group", "year-class-and-line"] = "year-class-and-line"
    calls: CallSet = "snps"


class SizeAsked(UnderSettings):
    """Effective size of year classes."""

    model_config = example(year_class=2024, line="hatchery")
    year_class: int | None = Field(None, ge=1900, le=2200)
    line: Literal["wild", "wild-larvae", "hatchery", "backwater"] | None = None
    calls: CallSet = "snps"


class CallsAsked(UnderSettings):
    """A call set."""

    model_config = example(calls="snps")
    calls: CallSet = "snps"


class AuditAsked(UnderSettings):
    """A year class."""

    model_config = example(year_class=2024)
    year_class: int | None = Field(None, ge=1900, le=2200)


class PermitsAsked(BaseModel):
    """The tally of permits."""

    model_config = example(on="2024-11-12")
    on: Day = None
    plans: list[Literal["spawning", "release"]] = Field(
        default_factory=list, description="Plans whose use is added."
    )


class MoveAsked(UnderSettings):
    """A move: a fish, tag, family, lot or unit to a site or unit."""

    model_config = example(what="Y24-0014", where="BB", on="2024-11-12")
    what: str
    where: str
    on: Day = None


class LotsAsked(UnderSettings):
    """A lot, unit or site; none for all lots."""

    model_config = example(unit="P-04")
    lot: str = ""
    unit: str = ""
    site: str = ""
    on: Day = None


class LossAsked(UnderSettings):
    """Places lost together; none for a ranking of all."""

    model_config = example(sites=["QL"])
    units: list[str] = Field(default_factory=list)
    sites: list[str] = Field(default_factory=list)
    buildings: list[str] = Field(default_factory=list)


class WhoseTagAsked(BaseModel):
    """A code that the records do not know, and the fish in the hand."""

    model_config = example(code="999090000010022", at="QL", length=436)
    code: str
    on: Day = None
    at: str = ""
    length: float | None = Field(None, gt=0, le=3000, description="Total length in mm.")
    sex: Literal["", "female", "male"] = ""
    sample: str = ""
    scanned: bool = False
    most: int = Field(10, ge=1, le=1000)


class KeepAsked(UnderSettings):
    """Fish to keep as future parents."""

    model_config = example(number=40)
    number: int = Field(ge=1, le=100_000)
    per_family: int | None = Field(None, ge=1, le=100_000)
    least_females: int = Field(0, ge=0, le=100_000)
    least_males: int = Field(0, ge=0, le=100_000)
    line_copies: float = Field(1.0, ge=0, le=1e6)
    must: list[str] = Field(default_factory=list, description="Fish, or FAMILY=N.")
    must_not: list[str] = Field(default_factory=list, description="Fish, family or unit.")
    among: Literal["stock", "brood"] = "stock"


class FoundAsked(UnderSettings):
    """The founder group of a water."""

    model_config = example(site="NP", number=20, families=6)
    site: str
    number: int = Field(ge=1, le=100_000)
    day: Day = None
    families: int = Field(10, ge=1, le=10_000)
    least: int = Field(2, ge=1, le=10_000)
    most: int = Field(4, ge=1, le=10_000)
    sexes_apart: bool = True
    known_sex: bool = False
    class_share: float = Field(0.75, ge=0, le=1)
    min_length: float = Field(0.0, ge=0, le=3000)
    with_refuge: bool = True


class GrowAsked(UnderSettings):
    """Rearing on; growth, losses and costs are invented unless given."""

    model_config = example(months=12, growth=8)
    site: str | None = None
    day: Day = None
    months: int = Field(12, ge=1, le=120)
    growth: float = Field(8.0, ge=0, le=200)
    growth_error: float = Field(1.5, ge=0, le=200)
    survival: float = Field(0.975, gt=0, le=1)
    survival_error: float = Field(0.005, ge=0, le=1)
    accident: float = Field(0.0, ge=0, le=1)
    cost_month: float = Field(0.35, ge=0, le=1e9)
    cost_release: float = Field(1.0, ge=0, le=1e9)


class ExchangeAsked(UnderSettings):
    """Moves between backwaters."""

    model_config = example(years=6)
    years: int = Field(6, ge=1, le=30)
    generation: float = Field(6.0, gt=0, le=100)
    breed_share: float = Field(0.3, gt=0, le=1)
    least: float = Field(1.0, ge=0, le=1000)
    most: float = Field(10.0, ge=0, le=1000)
    journey_least: int = Field(4, ge=1, le=10_000)
    journey_most: int = Field(20, ge=1, le=10_000)
    stay_share: float = Field(0.8, ge=0, le=1)
    with_station: bool = False


class ProjectAsked(UnderSettings):
    """Strategies over the years."""

    model_config = example(years=5, replicates=2, strategies=["do-nothing", "least-kinship"])
    years: int = Field(20, ge=5, le=25)
    strategies: list[str] = Field(
        default_factory=lambda: ["do-nothing", "random", "equal-families", "least-kinship", "more-sites"]
    )
    replicates: int = Field(100, ge=2, le=10_000)
    seed: int | None = Field(None, ge=0, le=2**31 - 1)


class TradeoffAsked(UnderSettings):
    """Survivors against kinship."""

    model_config = example(points=3)
    points: int = Field(7, ge=2, le=25)
    lowest: float = Field(0.9, ge=0, lt=1)
    day: Day = None
    alternatives: int = Field(0, ge=0, le=3)
    tolerance: float = Field(0.02, ge=0, le=1)


class LoadAsked(UnderSettings):
    """Trucks for the last release plan."""

    model_config = example(without=["truck 2"])
    day: Day = None
    without: list[str] = Field(default_factory=list, description="Trucks that do not drive.")


class SeasonAsked(UnderSettings):
    """Spawning days ahead."""

    model_config = example(days=DAYS_EXAMPLE)
    days: list[dt.date] = Field(min_length=1, max_length=60)
    newest_plan: bool = Field(False, description="Start from the newest spawning plan.")


class RehearseAsked(UnderSettings):
    """Mornings to play."""

    model_config = example(times=200)
    day: Day = None
    times: int | None = Field(None, ge=20, le=100_000)
    newest_plan: bool = False


class DesignsAsked(UnderSettings):
    """Mating designs for a day."""

    model_config = example(day="2025-02-14")
    day: Day = None
    newest_plan: bool = False


class EqualiseAsked(UnderSettings):
    """Culls of a season."""

    model_config = example(season=2024, keep=[400])
    season: int = Field(ge=1900, le=2200)
    keep: list[int] = Field(min_length=1, max_length=20, description="Fish to keep at each cull.")
    count: Literal["eggs", "fertilised", "hatched", "swim_up", "kept"] = "swim_up"
    survival: list[float] = Field(default_factory=list, description="Survival between two culls.")


class ProductionAsked(UnderSettings):
    """Fish wanted at release."""

    model_config = example(fish=400, length=300, date="2026-11-01")
    fish: int = Field(ge=1, le=10_000_000)
    length: float = Field(gt=0, le=3000)
    date: dt.date
    spawned: Day = None
    families: int | None = Field(None, ge=1, le=100_000)


class Warmth(BaseModel):
    """Water temperature from a day on."""

    day: dt.date
    temperature: float = Field(ge=-5, le=50)


class HatchSeen(BaseModel):
    """A hatch time of one's own."""

    temperature: float = Field(ge=-5, le=50)
    hours: float = Field(gt=0, le=10_000)


class HatchAsked(UnderSettings):
    """Eggs in water of a temperature."""

    model_config = example(temperature=18)
    day: Day = None
    temperature: float | None = Field(None, ge=-5, le=50)
    then: list[Warmth] = Field(default_factory=list)
    seen: list[HatchSeen] = Field(default_factory=list)


class AbundanceAsked(UnderSettings):
    """A water, or a kind of water, and a year."""

    model_config = example(where="reservoir-zone")
    where: str = ""
    year: int | None = Field(None, ge=1900, le=2200)


class SurvivalAsked(UnderSettings):
    """Groups of released fish."""

    model_config = example(by="length")
    by: Literal["event", "site", "length", "season", "year", "year-class"] = "event"
    joint: bool = False
    known_fates: bool = False


class ContributionAsked(UnderSettings):
    """Groups of released fish."""

    model_config = example(by="line")
    by: Literal["family", "line", "year-class", "site"] = "family"


class AcceptAsked(UnderSettings):
    """New values to accept, by the names that the question feedback gives them."""

    model_config = example(accept=["survival:QL:autumn"])
    accept: list[str] = Field(min_length=1)


class DrawdownAsked(UnderSettings):
    """A water that is drawn down."""

    model_config = example(site="QL")
    site: str
    drawdown: str | None = None


class TrialAsked(UnderSettings):
    """Estimators to try on simulated programmes."""

    model_config = example(times=10, only=["heterozygosity"])
    times: int = Field(50, ge=5, le=10_000)
    only: list[Literal["abundance", "survival", "breeders", "heterozygosity"]] = Field(default_factory=list)


class PowerAsked(UnderSettings):
    """A change to see."""

    model_config = example(change=-0.5)
    change: float = Field(-0.5, gt=-1, le=10)
    power: float = Field(0.8, gt=0, lt=1)
    alpha: float = Field(0.05, gt=0, lt=1)
    numbers: float | None = Field(None, ge=10, le=1e9)
    breeders: float | None = Field(None, ge=2, le=1e9)
    survival: float | None = Field(None, ge=0.001, le=0.999)
    met: float | None = Field(None, ge=0.001, le=1)
