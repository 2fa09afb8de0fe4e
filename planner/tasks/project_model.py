"""The model of a projection from the records and settings, every parameter with its source."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from planner.project.model import Costs, Life, Model, Station, Strategy, Water
from planner.tasks.programme import Programme
from planner.tasks.project_start import StartFacts, start_of
from planner.tasks.release_data import season_of
from planner.tasks.rows import rows
from planner.tasks.survival_curves import curve_of

OPEN_WATER = ("reservoir-zone", "river-reach")
CLOSED_WATER = ("isolated-backwater", "connected-backwater", "refuge")
EXCHANGE = "+exchange"
NO_LIMIT = float("inf")

STRATEGIES: dict[str, tuple[Strategy, str]] = {
    "do-nothing": (
        Strategy("do-nothing", "none"),
        "No crosses, releases, moves or new broodfish from this autumn on; broodfish live out their lives.",
    ),
    "random": (
        Strategy("random", "random"),
        "Ripe broodfish crossed by lot; young as they come, families unequal; new broodfish by lot.",
    ),
    "equal-families": (
        Strategy("equal-families", "equal"),
        "Broodfish used in turn, families made equal at release, new broodfish from each family in turn.",
    ),
    "least-kinship": (
        Strategy("least-kinship", "least"),
        "Uses and new broodfish chosen for least mean kinship (the goal of the spawning plan), pairs for little "
        "kinship, families made equal at release.",
    ),
    "more-sites": (
        Strategy("more-sites", "least", more_sites=True),
        "As least-kinship, with more waters open; the same number of fish released, spread over more waters.",
    ),
}


@dataclass(frozen=True)
class Parameter:
    """One number of the model as shown: what, its value in words, where it comes from."""

    what: str
    value: str
    source: str


@dataclass(frozen=True)
class ProjectModel:
    """A model and how it was made.

    Parameters
    ----------
    model : Model
    facts : StartFacts
    parameters : tuple of Parameter
    notes : tuple of str
        What was assumed or left out.
    """

    model: Model
    facts: StartFacts
    parameters: tuple[Parameter, ...]
    notes: tuple[str, ...]


def strategies_named(names: Sequence[str]) -> list[Strategy]:
    """Return strategies by name; ``+exchange`` behind a name turns exchange between waters on.

    Raises
    ------
    UsageError
        If a name is unknown or stands twice.
    """
    out = []
    for name in names:
        base = name.removesuffix(EXCHANGE)
        if base not in STRATEGIES or (base == "do-nothing" and base != name):
            raise UsageError(
                f"strategies: found {name!r}. Expected names among {', '.join(STRATEGIES)}; add {EXCHANGE} to a name "
                "(not to do-nothing) to move fish between waters too."
            )
        strategy = STRATEGIES[base][0]
        out.append(Strategy(name, strategy.crossing, strategy.more_sites, name != base))
    if len({s.name for s in out}) < len(out):
        raise UsageError(f"strategies: found a name twice in {', '.join(names)}. Expected each once.")
    return out


def strategy_words(strategy: Strategy) -> str:
    """Return what a strategy does, in a sentence."""
    words = STRATEGIES[strategy.name.removesuffix(EXCHANGE)][1]
    return words + (" Adults are exchanged between neighbouring backwaters." if strategy.exchange else "")


class _Parameters:
    """Collects parameters while they are used."""

    def __init__(self, programme: Programme) -> None:
        self.programme = programme
        self.list: list[Parameter] = []

    def setting(self, name: str, what: str, unit: str = "") -> Any:
        """Return a setting and note it with its source."""
        value = self.programme.settings[name]
        self.note(
            what, f"{value:g} {unit}".strip(), f"setting {name}: {self.programme.settings.sources[name]}"
        )
        return value

    def note(self, what: str, value: str, source: str) -> None:
        self.list.append(Parameter(what, value, source))


def project_model(programme: Programme) -> ProjectModel:
    """Make the model of a projection.

    Parameters
    ----------
    programme : Programme
        Open records.

    Returns
    -------
    ProjectModel

    Raises
    ------
    UsageError
        If the records hold no water, or no living fish.
    """
    sites = programme.tables["sites"]
    opened = [s for s in rows(sites) if s.kind in OPEN_WATER]
    closed = [s for s in rows(sites) if s.kind in CLOSED_WATER]
    if not opened and not closed:
        raise UsageError(
            "project: found no reservoir, river, backwater or refuge in sites.csv. Expected at least one water. Add it."
        )
    place_of = {s.site_id: 1 for s in opened}
    first = 2 if opened else 1
    place_of |= {s.site_id: first + k for k, s in enumerate(closed)}
    facts = start_of(programme, place_of)
    if not len(facts.start.rows):
        raise UsageError(
            "project: found no living fish: no broodfish in fish.csv and no residents. Expected some. Check the records."
        )
    get = _Parameters(programme)
    notes = list(facts.notes)
    if len(opened) > 1:
        notes.append(f"{', '.join(s.name for s in opened)} are taken as one water in which fish move freely.")
    left = [s.name for s in rows(sites) if s.kind not in (*OPEN_WATER, *CLOSED_WATER)]
    if left:
        notes.append(f"Left out, since fish do not breed there: {', '.join(left)}.")
    life = _life(get)
    _start_parameters(get, facts)
    waters = _waters(programme, get, opened, closed, life)
    station = _station(programme, get, facts, bool(opened), sum(w.release for w in waters))
    model = Model(
        life,
        tuple(waters),
        station,
        facts.genome,
        facts.start,
        _moves(get, opened, closed, waters),
        _costs(get),
    )
    return ProjectModel(model, facts, tuple(get.list), tuple(notes))


def _life(get: _Parameters) -> Life:
    return Life(
        mature_female=max(1, get.setting("min_age_female", "Age at maturity, females", "years")),
        mature_male=max(1, get.setting("min_age_male", "Age at maturity, males", "years")),
        longevity=get.setting("project_longevity", "Longest life", "years"),
        skew_female=get.setting("project_skew_female", "Unequal chances of wild females, squared CV"),
        skew_male=get.setting("project_skew_male", "Unequal chances of wild males, squared CV"),
        mates_per_female=get.setting("project_mates", "Males to one wild female's eggs (0: no limit)"),
    )


def _start_parameters(get: _Parameters, facts: StartFacts) -> None:
    share = get.setting(
        "project_unknown_released", "Residents of unknown family taken as released earlier, share"
    )
    del share
    group = get.programme.settings["larval_group_kinship"]
    for what, value, source in (
        ("Broodfish", f"{facts.brood}", "table fish"),
        ("Residents of known family", f"{facts.residents}", "table residents"),
        (
            "Residents taken as released earlier",
            f"{facts.earlier}",
            "assumed: families as in the table of releases",
        ),
        ("Residents taken as unrelated wild fish", f"{facts.wild}", "assumed: no family recorded"),
        ("Young in stock, released in the first year", f"{facts.stock}", "table stock"),
        ("Kinship within a larval or backwater group", f"{group:g}", "setting larval_group_kinship"),
        (
            "Loci",
            f"{len(facts.genome.recombination)}, {facts.linked} linked to the one before",
            "neutral SNPs",
        ),
        (
            "Founders with genotype",
            f"{facts.typed}",
            "tables samples and SNPs; the others drawn from frequencies",
        ),
        ("Sex of fish of unknown sex; age of adults of unknown age", "drawn in every replicate", "assumed"),
    ):
        get.note(what, value, source)
    get.setting("project_cm_per_mb", "Recombination", "cM per million bases")


def _waters(
    programme: Programme, get: _Parameters, opened: list[Any], closed: list[Any], life: Life
) -> list[Water]:
    settings = programme.settings
    season = season_of(settings.day("release_day"))
    length = float(get.setting("project_release_length", "Length at release (0: mean of the stock)", "mm"))
    stock = programme.stock_here
    if not length and len(stock) and stock["total_length_mm"].notna().any():
        length = float(stock["total_length_mm"].mean())
        get.note("Mean length of the stock", f"{length:.0f} mm", "table stock")
    safe = get.setting("project_young_safe", "Young at age 1 of a female, no predators, much room")
    eaten = get.setting("project_young_predators", "Young at age 1 of a female, predators present or unknown")
    spread = get.setting("project_survival_spread", "Spread of survival between years, sd of the logit")
    chance = get.setting("project_die_off_chance", "Chance of a die-off in a backwater a year")
    lost = get.setting("project_die_off_share", "Share lost in a die-off")
    yearly = {
        "main": get.setting("project_survival_main", "Yearly survival, main water"),
        "refuge": get.setting("project_survival_refuge", "Yearly survival, refuge"),
        "backwater": get.setting("project_survival_backwater", "Yearly survival, backwaters"),
    }

    def first_year(site: Any) -> float:
        curve = curve_of(programme, site, season)
        if curve is None or not length:
            value = float(settings["project_first_year"])
            get.note(
                f"First-year survival of released fish, {site.name}",
                f"{value:.3f}",
                "setting project_first_year",
            )
            return value
        value = float(curve.at(length))
        get.note(
            f"First-year survival of released fish, {site.name}",
            f"{value:.3f}",
            f"survival curve for {season} at {length:.0f} mm: {curve.source}",
        )
        return value

    def ages(level: float) -> FloatArray:
        return np.full(life.longevity + 1, level)

    asked = _releases(programme, get, opened, closed)
    out: list[Water] = []
    if opened:
        wanted = [_number(s.wanted) for s in opened]
        weights = np.array(wanted) if sum(wanted) else np.ones(len(opened))
        first = float(np.average([first_year(s) for s in opened], weights=weights))
        room = get.setting("project_capacity_main", "Most fish in the main water (0: no limit)", "fish")
        name = opened[0].name if len(opened) == 1 else "main water"
        young = _by_predators(opened, safe, eaten)
        out.append(
            Water(
                name,
                float(room) or NO_LIMIT,
                ages(yearly["main"]),
                young,
                first,
                asked["main"],
                spread=spread,
            )
        )
    for site in closed:
        capacity = NO_LIMIT if pd.isna(site.capacity_fish) else float(site.capacity_fish)
        get.note(
            f"Most fish in {site.name}",
            "no limit" if capacity == NO_LIMIT else f"{capacity:.0f}",
            "table sites",
        )
        kind = "refuge" if site.kind == "refuge" else "backwater"
        out.append(
            Water(
                site.name,
                capacity,
                ages(yearly[kind]),
                _by_predators([site], safe, eaten),
                first_year(site),
                asked[site.site_id],
                spread=spread,
                die_off_chance=chance,
                die_off_share=lost,
            )
        )
    return _with_more_sites(get, out, bool(opened), ages(yearly["backwater"]), (safe, spread, chance, lost))


def _number(value: Any) -> float:
    return 0.0 if pd.isna(value) else float(value)


def _by_predators(sites: list[Any], safe: float, eaten: float) -> float:
    """Return young per female: the mean over sites by their predators."""
    return float(np.mean([safe if s.predators == "none" else eaten for s in sites]))


def _releases(
    programme: Programme, get: _Parameters, opened: list[Any], closed: list[Any]
) -> dict[str, float]:
    """Return the fish released a year into the main water and each backwater."""
    stock = len(programme.stock_here)
    total = float(get.setting("project_releases", "Fish released a year (0: as many as may go now)", "fish"))
    every = [*opened, *closed]
    wanted = {s.site_id: (_number(s.wanted) or _number(s.max_receive)) if _is_open(s) else 0.0 for s in every}
    if not total:
        keep = int(programme.settings["keep_back"])
        total = float(max(stock - keep, 0)) if stock else sum(wanted.values())
        get.note(
            "Fish released a year",
            f"{total:.0f}",
            f"{stock} in stock less {keep} kept back (setting keep_back)",
        )
    source = "in proportion to 'wanted' in table sites, otherwise 'max_receive'"
    if not sum(wanted.values()):
        wanted = {s.site_id: float(_is_open(s)) for s in every}
        source = "in equal parts: table sites says nothing wanted"
    weight = sum(wanted.values()) or 1.0
    out = {s.site_id: total * wanted[s.site_id] / weight for s in closed}
    out["main"] = sum(total * wanted[s.site_id] / weight for s in opened)
    for s in closed:
        get.note(f"Fish released a year, {s.name}", f"{out[s.site_id]:.0f}", source)
    if opened:
        get.note("Fish released a year, main water", f"{out['main']:.0f}", source)
    return out


def _is_open(site: Any) -> bool:
    return bool(pd.isna(site.open_for_release) or site.open_for_release)


def _with_more_sites(
    get: _Parameters,
    waters: list[Water],
    has_main: bool,
    survival: FloatArray,
    rest: tuple[float, float, float, float],
) -> list[Water]:
    """Add the waters that only strategies with more sites open; the same number of fish is then spread wider."""
    number = int(get.setting("project_more_sites", "Waters opened by strategies with more sites"))
    capacity = float(
        get.setting(
            "project_site_capacity", "Most fish in each of them (0: middle of the backwaters)", "fish"
        )
    )
    backwaters = waters[1:] if has_main else waters
    limits = [w.capacity for w in backwaters if np.isfinite(w.capacity) and w.capacity > 0]
    if not capacity:
        capacity = float(np.median(limits)) if limits else 100.0
        get.note(
            "Most fish in each new water",
            f"{capacity:.0f}",
            "middle of the backwaters" if limits else "assumed",
        )
    each = (
        float(np.mean([w.release for w in backwaters])) if backwaters else waters[0].release / max(number, 1)
    )
    first = float(np.mean([w.first_year for w in (backwaters or waters)]))
    total = sum(w.release for w in waters)
    shrink = total / (total + number * each) if total else 1.0
    safe, spread, chance, lost = rest
    out = [replace(w, release_with_extra=w.release * shrink) for w in waters]
    new = Water(
        "new water",
        capacity,
        survival,
        safe,
        first,
        extra=True,
        release_with_extra=each * shrink,
        spread=spread,
        die_off_chance=chance,
        die_off_share=lost,
    )
    return out + [replace(new, name=f"new water {k + 1}") for k in range(number)]


def _station(
    programme: Programme, get: _Parameters, facts: StartFacts, has_main: bool, released: float
) -> Station:
    settings = programme.settings
    brood = int(get.setting("project_brood", "Broodfish held (0: as many as now)", "fish")) or facts.brood
    share = float(
        get.setting("project_larvae_share", "Share of releases from wild larvae (-1: as in the stock)")
    )
    if share < 0:
        share = facts.larval_share
        get.note(
            "Share of releases from wild larvae", f"{share:.3f}", "table stock: groups that are no cross"
        )
    larvae = int(get.setting("project_larvae_to_brood", "New broodfish a year from wild larvae", "fish"))
    adults = int(get.setting("project_adults_to_brood", "Wild adults a year taken to the station", "fish"))
    weight = float(settings["living_weight"])
    crosses = int(get.setting("crosses_wanted", "Crosses a year", "dishes"))
    fry = float(settings["fry_kept_per_dish"]) * float(settings["fry_to_adult"]) * crosses
    get.note("Weight of the living group beside the year class", f"{weight:g}", "setting living_weight")
    get.note(
        "Fish the year class counts for beside the living",
        f"{fry:.1f}",
        "settings fry_kept_per_dish, fry_to_adult",
    )
    return Station(
        brood=brood,
        survival=get.setting("project_survival_station", "Yearly survival of broodfish"),
        retire_age=get.setting("project_retire_age", "Age at which broodfish are taken out", "years"),
        crosses=crosses if released > 0 or brood else 0,
        ripe=get.setting("project_ripe", "Chance that a mature broodfish is ripe"),
        uses_female=get.setting("female_uses_max", "Most dishes of one female"),
        uses_male=get.setting("male_uses_max", "Most dishes of one male"),
        dish_skew=get.setting("project_dish_skew", "Unequal survival of dishes not made equal, squared CV"),
        pair_limit=get.setting("pair_kinship_limit", "Kinship that chosen pairs avoid"),
        living_weight=weight,
        young=fry,
        larvae_from=1 if has_main else -1,
        larvae_share=share if has_main else 0.0,
        larvae_to_brood=larvae,
        adults_to_brood=adults,
        founders_added=int(
            get.setting("project_founders_added", "Unrelated adults a year from outside", "fish")
        ),
    )


def _moves(get: _Parameters, opened: list[Any], closed: list[Any], waters: list[Water]) -> FloatArray:
    """Return moves between neighbours along the river, only from lower to equal or higher water risk."""
    number = float(
        get.setting("project_exchange", "Adults exchanged a year, each way, between neighbours", "fish")
    )
    out = np.zeros((len(waters), len(waters)))
    first = 1 if opened else 0
    order = sorted(range(len(closed)), key=lambda k: (_number(closed[k].river_km), closed[k].site_id))
    risk = {first + k: 9.0 if pd.isna(s.water_risk) else float(s.water_risk) for k, s in enumerate(closed)}
    places = [first + k for k in order]
    middle = float(np.median(list(risk.values()))) if risk else 0.0
    for k, w in enumerate(waters):
        if w.extra:
            risk[k] = middle
            places.append(k)
    for a, b in itertools.pairwise(places):
        for i, j in ((a, b), (b, a)):
            if risk[i] <= risk[j]:
                out[i, j] = number
    get.note(
        "Order of exchange",
        "along the river, only to water of equal or higher risk",
        "table sites, water_risk",
    )
    return out


def _costs(get: _Parameters) -> Costs:
    return Costs(
        cross=get.setting("project_cost_cross", "Money for a dish"),
        released=get.setting("project_cost_released", "Money for a fish reared and released"),
        brood_year=get.setting("project_cost_brood", "Money for a broodfish a year"),
        water_year=get.setting("project_cost_water", "Money for a water in use a year"),
        new_water=get.setting("project_cost_new_water", "Money for opening a water"),
        moved=get.setting("project_cost_moved", "Money for a fish moved"),
    )
