"""Settings of a projection: life, survival, waters, station, money. Rows as in `planner.tasks.season_settings`."""

from __future__ import annotations

from planner.tasks.season_settings import FIELD, GUESS, PRACTICE, Row

MONEY = "invented for the demo; set your own"

LIFE: tuple[Row, ...] = (
    ("project_longevity", "integer", 40, "Longest life.", "years", 1, 200, FIELD),
    ("project_skew_female", "number", 1.0, "Squared coefficient of variation of females' chances to be a parent in a "
     "water in a year; 0: all alike.", "", 0, 100, GUESS),
    ("project_skew_male", "number", 1.0, "The same of males.", "", 0, 100, GUESS),
    ("project_mates", "integer", 0, "Males that fertilise one wild female's eggs in a year; 0: no limit.", "males", 0,
     1000, GUESS),
    ("project_loci", "integer", 200, "Most loci followed; more are left out evenly.", "loci", 1, 100000, PRACTICE),
    ("project_cm_per_mb", "number", 1.0, "Recombination between loci of one linkage group.", "cM per million bases", 0,
     100, GUESS),
)  # fmt: skip

SURVIVAL: tuple[Row, ...] = (
    ("project_survival_main", "number", 0.75, "Yearly survival in the main water after the first year there.", "", 0, 1,
     "0.69 to 0.80; " + FIELD),
    ("project_survival_backwater", "number", 0.8, "The same in a backwater.", "", 0, 1,
     "0.66 to 0.83 in normal years of a pond; " + FIELD),
    ("project_survival_refuge", "number", 0.9, "The same in a refuge.", "", 0, 1, GUESS),
    ("project_survival_station", "number", 0.95, "Yearly survival of broodfish.", "", 0, 1, GUESS),
    ("project_survival_spread", "number", 0.3, "Standard deviation of the logit of survival between years.", "", 0, 5,
     GUESS),
    ("project_die_off_chance", "number", 0.05, "Chance of a die-off in a backwater in a year.", "", 0, 1, GUESS),
    ("project_die_off_share", "number", 0.65, "Share of the fish that a die-off kills.", "", 0, 1,
     "0.65 and 0.74 in two die-offs of a pond; " + FIELD),
    ("project_young_safe", "number", 1.5, "Young of a female that reach age 1 in water without predators and with "
     "room.", "", 0, 1e6, GUESS),
    ("project_young_predators", "number", 0.0, "The same in water with predators or of unknown status.", "", 0, 1e6,
     "no recruitment seen where predators are; " + FIELD),
    ("project_capacity_main", "number", 0, "Most fish the main water holds; 0: no limit.", "fish", 0, 1e9, GUESS),
    ("project_unknown_released", "number", 0.75, "Share of residents of unknown family taken as fish released "
     "earlier, of the families released; the others are taken as unrelated wild fish.", "", 0, 1, GUESS),
)  # fmt: skip

STATION: tuple[Row, ...] = (
    ("project_brood", "integer", 0, "Broodfish held; 0: as many as now.", "fish", 0, 100000, PRACTICE),
    ("project_retire_age", "integer", 20, "Age at which broodfish are taken out.", "years", 1, 200, GUESS),
    ("project_ripe", "number", 0.6, "Chance that a mature broodfish is ripe in a year.", "", 0, 1, GUESS),
    ("project_dish_skew", "number", 1.0, "Squared coefficient of variation of survival between dishes where families "
     "are not made equal.", "", 0, 100, GUESS),
    ("project_releases", "integer", 0, "Fish released a year; 0: as many as may go this autumn.", "fish", 0, 10000000,
     PRACTICE),
    ("project_release_length", "number", 0, "Length at release; 0: mean of the stock.", "mm", 0, 2000, PRACTICE),
    ("project_first_year", "number", 0.3, "First-year survival of released fish where no survival curve is recorded.",
     "", 0, 1, GUESS),
    ("project_larvae_share", "number", -1, "Share of releases grown from wild larvae; -1: as in the stock.", "", -1, 1,
     PRACTICE),
    ("project_larvae_to_brood", "integer", 4, "Broodfish a year that grow from wild larvae.", "fish", 0, 100000, GUESS),
    ("project_adults_to_brood", "integer", 0, "Wild adults a year taken from the main water to the broodstock.", "fish",
     0, 100000, PRACTICE),
    ("project_founders_added", "integer", 0, "Unrelated adults a year from outside to the broodstock.", "fish", 0, 1000,
     PRACTICE),
)  # fmt: skip

CHOICES: tuple[Row, ...] = (
    ("project_more_sites", "integer", 2, "Waters opened by the strategies with more sites.", "waters", 0, 100,
     PRACTICE),
    ("project_site_capacity", "number", 0, "Most fish of each of them; 0: middle of the backwaters.", "fish", 0, 1e9,
     PRACTICE),
    ("project_exchange", "number", 2, "Adults moved a year, each way, between neighbouring backwaters where exchange "
     "is on.", "fish", 0, 10000, "5 to 10 of each sex a generation; " + PRACTICE),
    ("project_cost_cross", "number", 40, "Money for one dish.", "", 0, 1e9, MONEY),
    ("project_cost_released", "number", 4, "Money for rearing and releasing one fish.", "", 0, 1e9, MONEY),
    ("project_cost_brood", "number", 60, "Money for one broodfish a year.", "", 0, 1e9, MONEY),
    ("project_cost_water", "number", 800, "Money for one water in use a year.", "", 0, 1e9, MONEY),
    ("project_cost_new_water", "number", 15000, "Money for opening one water.", "", 0, 1e9, MONEY),
    ("project_cost_moved", "number", 25, "Money for moving one fish between waters.", "", 0, 1e9, MONEY),
)  # fmt: skip

PROJECT_SETTINGS: tuple[Row, ...] = (*LIFE, *SURVIVAL, *STATION, *CHOICES)
