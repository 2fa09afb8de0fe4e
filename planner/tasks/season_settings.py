"""Settings of the season: ripening, the rehearsal of a spawning day, culls, incubation, production.

Rows of name, kind, default, sentence, unit, lowest, highest, source; `planner.tasks.settings` registers them.
"""

from __future__ import annotations

GUESS = "a guess; set your own from your records"
FIELD = "published field reports, a plausible magnitude only; set your own"
PRACTICE = "common practice, no source"
GUIDELINES = (
    "Williamson and Wydoski (1994), genetics management guidelines for endangered fishes (from memory)"
)
CHUB = "fitted to the hatch times of a chub in Hamman (1982), Progressive Fish-Culturist 44:201 (from memory)"

Row = tuple[str, str, str | int | float, str, str, float | None, float | None, str]

RIPENING: tuple[Row, ...] = (
    ("ripe_in_window", "number", 0.75, "Chance to be ripe inside the window when the record gives none.",
     "", 0, 1, GUESS),
    ("ripe_if_not_ripe", "number", 0.05, "Chance on a later day of a fish seen not ripe, without window.",
     "", 0, 1, GUESS),
    ("ripe_unseen_female", "number", 0.29, "Chance of a female nobody looked at this season.",
     "", 0, 1, "share ripe on one stocking day; " + FIELD),
    ("ripe_unseen_male", "number", 0.88, "Chance of a male nobody looked at this season.",
     "", 0, 1, "share ripe on one stocking day; " + FIELD),
    ("ripe_days_female", "number", 14, "Length of a female's ripe time.", "days", 1, 365,
     "one to two weeks; " + FIELD),
    ("ripe_days_male", "number", 45, "Length of a male's ripe time.", "days", 1, 365, PRACTICE),
    ("ripe_shoulder_days", "number", 7, "Days over which the chance rises before a window and falls after.",
     "days", 0, 120, GUESS),
    ("ripe_shift_days", "number", 2, "Standard deviation of the shift of all windows in a warm or cold season.",
     "days", 0, 60, GUESS),
    ("look_valid_days", "integer", 200, "A look at a fish older than this belongs to an earlier season.",
     "days", 1, 1000, PRACTICE),
    ("season_least_chance", "number", 0.3, "Fish with a lower chance on every day are not planned for the season.",
     "", 0, 1, GUESS),
    ("dishes_per_day_max", "integer", 80, "Most dishes the crew can lay on one day.", "dishes", 0, 100000,
     PRACTICE),
    ("dishes_per_day_min", "integer", 0, "Fewest dishes to hold for each day, so that early and late fish take part.",
     "dishes", 0, 100000, PRACTICE),
)  # fmt: skip

REHEARSAL: tuple[Row, ...] = (
    ("rehearsals", "integer", 1000, "Times a spawning day is played.", "", 20, 1000000, PRACTICE),
    ("no_milt_chance", "number", 0.1, "Chance that a ripe male gives no milt or dead milt.", "", 0, 1, GUESS),
    ("death_chance", "number", 0.005, "Chance that a fish dies before it is stripped.", "", 0, 1, GUESS),
    ("bad_eggs_chance", "number", 0.05, "Chance that a ripe female's eggs are over-ripe and thrown away.",
     "", 0, 1, GUESS),
    ("few_eggs_chance", "number", 0.1, "Chance that a female gives eggs for few dishes only.", "", 0, 1, GUESS),
    ("few_eggs_dishes", "integer", 2, "Dishes of a female that gives few eggs.", "dishes", 1, 100, PRACTICE),
    ("dish_fails_chance", "number", 0.04, "Chance that a dish is lost after it was laid.", "", 0, 1, GUESS),
    ("thaw_fails_chance", "number", 0.2, "Chance that the frozen milt of a male does not work.", "", 0, 1, GUESS),
)  # fmt: skip

DESIGNS: tuple[Row, ...] = (
    ("sterile_chance", "number", 0.05, "Chance that a male's dishes all fail, for comparing mating designs.",
     "", 0, 1, GUESS),
    ("success_cv_female", "number", 0.3, "Variation of survival to swim-up between females (sd / mean).",
     "", 0, 3, GUESS),
    ("success_cv_dish", "number", 0.2, "Variation of survival to swim-up between the dishes of a female (sd / mean).",
     "", 0, 3, GUESS),
)  # fmt: skip

CULLS: tuple[Row, ...] = (
    ("family_cap_times_mean", "number", 2.0, "No family may be kept at more than this times the mean share.",
     "", 1, 1000, PRACTICE),
    ("small_family_share", "number", 0.5, "Families below this share of the mean are named as too small.",
     "", 0, 1, GUESS),
    ("count_cv", "number", 0.1, "Error of a count of eggs or fry (sd / mean).", "", 0, 1, PRACTICE),
)  # fmt: skip

INCUBATION: tuple[Row, ...] = (
    ("incubation_temperature", "number", 20.0, "Water temperature of the incubator.", "C", 0, 40, GUESS),
    ("swim_up_degree_days_low", "number", 50, "Degree-days above the base from hatch to the first swim-up.",
     "C d", 0, 2000, GUESS),
    ("swim_up_degree_days_middle", "number", 75, "Degree-days above the base from hatch to swim-up.",
     "C d", 0, 2000, GUESS),
    ("swim_up_degree_days_high", "number", 100, "Degree-days above the base from hatch to the last swim-up.",
     "C d", 0, 2000, GUESS),
)  # fmt: skip

PRODUCTION: tuple[Row, ...] = (
    ("egg_to_swim_up_low", "number", 0.225, "Survival from egg to swim-up, low.", "", 0, 1,
     "range of one programme; " + FIELD),
    ("egg_to_swim_up_middle", "number", 0.401, "Survival from egg to swim-up, middle.", "", 0, 1,
     "mean over 590 females; " + FIELD),
    ("egg_to_swim_up_high", "number", 0.714, "Survival from egg to swim-up, high.", "", 0, 1,
     "range of one programme; " + FIELD),
    ("swim_up_to_3_months_low", "number", 0.3, "Survival from swim-up to 3 months, low.", "", 0, 1, GUESS),
    ("swim_up_to_3_months_middle", "number", 0.5, "Survival from swim-up to 3 months, middle.", "", 0, 1, GUESS),
    ("swim_up_to_3_months_high", "number", 0.7, "Survival from swim-up to 3 months, high.", "", 0, 1, GUESS),
    ("pond_month_low", "number", 0.966, "Survival of one month in ponds, low.", "", 0, 1,
     "normal months; " + FIELD),
    ("pond_month_middle", "number", 0.975, "Survival of one month in ponds, middle.", "", 0, 1,
     "normal months; " + FIELD),
    ("pond_month_high", "number", 0.985, "Survival of one month in ponds, high.", "", 0, 1,
     "normal months; " + FIELD),
    ("tag_to_release_low", "number", 0.95, "Survival from tagging to release, low.", "", 0, 1, GUESS),
    ("tag_to_release_middle", "number", 0.98, "Survival from tagging to release, middle.", "", 0, 1, GUESS),
    ("tag_to_release_high", "number", 1.0, "Survival from tagging to release, high.", "", 0, 1, GUESS),
    ("growth_limit_mm", "number", 575, "Length that fish approach with age.", "mm", 10, 2000,
     "between the limits of females and males of a sucker; " + FIELD),
    ("growth_rate_low", "number", 0.6, "Yearly rate of approach to that length, low.", "per year", 0.01, 10, GUESS),
    ("growth_rate_middle", "number", 0.85, "Yearly rate of approach to that length, middle.", "per year", 0.01, 10,
     "a sucker; " + FIELD),
    ("growth_rate_high", "number", 1.0, "Yearly rate of approach to that length, high.", "per year", 0.01, 10, GUESS),
    ("length_cv", "number", 0.12, "Variation of length among fish of one age (sd / mean).", "", 0, 1, GUESS),
    ("eggs_per_female_low", "number", 27600, "Eggs a female gives, low.", "eggs", 1, 1e7, "wild sucker; " + FIELD),
    ("eggs_per_female_middle", "number", 46740, "Eggs a female gives, middle.", "eggs", 1, 1e7,
     "wild sucker; " + FIELD),
    ("eggs_per_female_high", "number", 76600, "Eggs a female gives, high.", "eggs", 1, 1e7, "wild sucker; " + FIELD),
    ("families_least", "integer", 25, "Fewest families behind a year class.", "families", 1, 10000,
     "25 family lots; " + GUIDELINES),
    ("fish_per_family_max", "integer", 200, "Most fish of one family to release.", "fish", 1, 1000000,
     "about 200 of each family lot; " + GUIDELINES),
    ("fry_per_tank", "integer", 1800, "Fry one tank holds from swim-up to 3 months.", "fry", 1, 10000000,
     "invented for the demo; set your own"),
    ("pond_fish_per_ha_low", "number", 86, "Fish per hectare of pond, low.", "per ha", 0.1, 1e7, FIELD),
    ("pond_fish_per_ha_high", "number", 322, "Fish per hectare of pond, high.", "per ha", 0.1, 1e7, FIELD),
    ("spare_tags", "number", 0.05, "Tags ordered beyond the fish to tag, as a share.", "", 0, 1, PRACTICE),
)  # fmt: skip

SEASON_SETTINGS: tuple[Row, ...] = (*RIPENING, *REHEARSAL, *DESIGNS, *CULLS, *INCUBATION, *PRODUCTION)
