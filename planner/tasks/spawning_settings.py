"""Settings of the rules of a spawning plan beyond the limits of every day; rows as in `planner.tasks.season_settings`.

A text that names fish holds ``FISH=VALUE`` parts with commas; `planner.tasks.spawning_rules` reads them.
"""

from __future__ import annotations

from planner.tasks.season_settings import PRACTICE, Row

OWN = "a choice: set your own"

SPAWNING_SETTINGS: tuple[Row, ...] = (
    ("females_per_male_min", "integer", 1, "Fewest females for one male (a dish each).", "", 1, 50, PRACTICE),
    ("females_per_male_max", "integer", 50, "Most females for one male.", "", 1, 50, PRACTICE),
    ("pair_dishes_max", "integer", 1, "Most dishes of one pair this season.", "dishes", 1, 20, PRACTICE),
    ("female_lifetime_uses_max", "integer", 0, "Most dishes of one female over all seasons; 0: no limit.", "dishes",
     0, 10000, PRACTICE),
    ("male_lifetime_uses_max", "integer", 0, "Most dishes of one male over all seasons; 0: no limit.", "dishes",
     0, 10000, PRACTICE),
    ("uses_min", "text", "", "Fish that must be used: FISH=DISHES, with commas.", "", None, None, OWN),
    ("uses_max", "text", "", "Fish with a limit of their own this season: FISH=DISHES, with commas.", "", None, None,
     OWN),
    ("never_pairs", "text", "", "Pairs that are never crossed: FEMALE=MALE, with commas.", "", None, None, OWN),
    ("eggs_per_dish_min", "integer", 0, "Fewest eggs in a dish; counts for females with expected eggs; 0: not asked.",
     "eggs", 0, 10_000_000, PRACTICE),
    ("eggs_expected", "text", "", "Eggs expected of females: FISH=EGGS, with commas.", "", None, None, OWN),
    ("founder_shares", "text", "", "Least share of founders in the genes of the season's young: FISH=SHARE, with commas.",
     "", None, None, OWN),
    ("safe_kinship", "number", 0.0, "Greatest kinship of a safe mate with any fish an unknown one might be.", "", 0, 0.5,
     PRACTICE),
    ("block_females", "integer", 2, "Females of one block, or of the full factorial, when mating_design asks for it.",
     "", 1, 100, PRACTICE),
    ("block_males", "integer", 2, "Males of one block, or of the full factorial.", "", 1, 100, PRACTICE),
)  # fmt: skip

SPAWNING_CHOICES: tuple[tuple[str, str, str, str, tuple[str, ...]], ...] = (
    ("mating_design", "limits", "How eggs and milt are shared: within the limits on mates, single pairs, one full "
     "factorial, or blocks of small factorials.", OWN, ("limits", "single-pairs", "full-factorial", "blocks")),
    ("repeat_pairs", "yes", "Whether a pair crossed in an earlier season may be crossed again.", OWN, ("yes", "no")),
    ("mates_from", "anywhere", "Whether mates must live in one building; a fish without a unit fits anywhere.", OWN,
     ("anywhere", "one-building")),
    ("safe_mates", "off", "Fish crossed only with fish unrelated to all of the other sex: none, those without genotype, "
     "or those with neither genotype nor known parents.", OWN, ("off", "no-genotype", "no-genotype-or-parents")),
)  # fmt: skip
"""Name, default, sentence, source and choices of settings that are words."""

RULE_SETTINGS: tuple[str, ...] = (*(r[0] for r in SPAWNING_SETTINGS), *(r[0] for r in SPAWNING_CHOICES))
