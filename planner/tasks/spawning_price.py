"""What it costs to trust only the upper limits of pair kinship, in words."""

from __future__ import annotations

from planner.optimise.spawning.designs import price_of_caution
from planner.optimise.spawning.solve import SearchSettings
from planner.tasks.programme import Programme
from planner.tasks.spawning import SpawningOutcome


def price_words(programme: Programme, outcome: SpawningOutcome) -> str:
    """Say what it costs to trust only the upper limits of pair kinship; needs kinship from markers.

    Raises
    ------
    UsageError
        If kinship comes from the pedigree alone, which has no interval.
    """
    settings = SearchSettings(
        time_limit=float(programme.settings["time_limit"]),
        relative_gap=float(programme.settings["gap"]),
        seed=outcome.plan.seed,
        explain_conflicts=False,
    )
    price = price_of_caution(outcome.inputs.data, settings)
    start = (
        f"Pairs within the limit: {price.pairs_by_estimate} by the estimate, {price.pairs_by_upper} by the upper limit; "
        f"{price.pairs_in_doubt} pairs of the plan by the estimate are in doubt."
    )
    if price.price is None:
        return f"{start} One of the two plans does not exist, so there is no price."
    return f"{start} Trusting only upper limits raises the value by {price.price:.2%}."
