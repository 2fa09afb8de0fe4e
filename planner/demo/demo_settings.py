"""The settings of the practice programme, each with its source and what it does."""

from __future__ import annotations

import pandas as pd

from planner.demo.scale import Scale

_PLAN = "season plan of the invented programme"
_COMMON = "common practice, no source"
_DEMO = "invented for the demo"


def settings_table(scale: Scale) -> pd.DataFrame:
    """Return the table of settings; the tiny set differs in the sizes of its plans."""
    full = scale.name == "full"
    rows = [
        ("programme_name", "Pardrun River lanternfin programme (invented)", "", _DEMO, "Name printed on sheets."),
        ("station", "Dunmarrow Springs Station", "", _DEMO, "Hatchery printed on the spawning sheet."),
        ("species", "Lychnogila pardrunensis", "", _DEMO, "Lanternfin chub; the chalk chub is Lychnogila pallens."),
        ("today", "2024-10-20", "", _DEMO, "The day the records are read for."),
        ("spawning_day", "2025-02-14", "", _PLAN, "Day of the spawning plan."),
        ("release_day", "2024-11-12", "", _PLAN, "Day of the release plan."),
        ("seed", "20241020", "", _DEMO, "Seed of every random step."),
        ("pair_kinship_limit", "0.0625", "", _COMMON, "First cousins and closer relatives are not crossed."),
        ("crosses_wanted", "72" if full else "8", "dishes", _PLAN, "24 females, each with three of 26 males." if full else "Four females with two males each."),
        ("cells", "80" if full else "12", "cells", _PLAN, "Incubator cells free; six or more are kept for frozen milt and failures." if full else "Incubator cells free."),
        ("males_per_female_min", "2", "", _COMMON, "Protects a female's eggs against one bad male."),
        ("males_per_female_max", "4", "", _COMMON, "More dishes of one female cannot be laid in time."),
        ("female_uses_max", "4", "dishes", _PLAN, "Most dishes of one female."),
        ("male_uses_max", "4", "dishes", _PLAN, "Most dishes of one male."),
        ("living_weight", "0.2", "", _PLAN, "The living group counts a fifth beside the new cohort."),
        ("fry_kept_per_dish", "900", "fry", _PLAN, "78 dishes give 70 200 fry, 40 tanks of 1 800." if full else "Fry kept of each dish."),
        ("fry_to_adult", "0.001", "", _DEMO, "Expected adults per fry kept."),
        ("min_age_female", "3", "years", _COMMON, "Youngest age of a spawning female."),
        ("min_age_male", "2", "years", _COMMON, "Youngest age of a spawning male."),
        ("frozen_sires_max", "4" if full else "1", "males", _PLAN, "Most sires from frozen milt."),
        ("larval_group_kinship", "0.02", "", _DEMO, "Larvae of one group are not unrelated: a good night is full of sibs."),
        ("release_wanted", "0", "fish", _PLAN, "All that may go; 3 200 for the lake, 900 for backwaters as far as they have room, 120 for the refuge swap." if full else "All that may go."),
        ("keep_back", "640" if full else "20", "fish", _PLAN, "Reserve and next broodstock."),
        ("keep_back_per_family", "4" if full else "1", "fish", _PLAN, "So that no family is lost with the trucks."),
        ("families_in_at_least_sites", "2", "sites", _PLAN, "No family in one place only."),
        ("spread_from_size", "10", "fish", _PLAN, "Smaller families need not be spread."),
        ("family_share_cap", "0.15", "", _COMMON, "A family above this share of a backwater is a flag."),
        ("family_place_cap", "0.6", "", _PLAN, "No site gets more than this share of a family."),
        ("size_class_mm", "50", "mm", _COMMON, "Width of a size class."),
        ("predator_min_length_mm", "300", "mm", _PLAN, "Shortest fish for water with predators or of unknown status."),
        ("survey_valid_days", "365", "days", _COMMON, "A predator survey is renewed every year."),
        ("across_weight", "1", "", _PLAN, "Kinship across sites counts as much as within."),
        ("release_gap", "0.005" if full else "0.02", "", _PLAN, "A release plan may stop when it is proven this near to the best."),
        ("gap", "0.001", "", _PLAN, "A plan may stop when it is proven this near to the best."),
        ("confidence", "0.95", "", _COMMON, "Coverage of intervals."),
        ("hybrid_index_max", "0.05", "", _COMMON, "Fish with more genes of the chalk chub are held."),
        ("sample_call_rate_min", "0.8", "", _COMMON, "Samples typed at fewer loci are left out."),
        ("locus_call_rate_min", "0.8", "", _COMMON, "Loci typed in fewer samples are left out."),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["name", "value", "unit", "source", "note"])
