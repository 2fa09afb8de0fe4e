"""What would change a pair of a spawning plan, or the refusal of a fish, in words a person can act on."""

from __future__ import annotations

from planner.optimise.spawning.explain import PairReason
from planner.tasks.candidates import Candidate

_CHANGES: tuple[tuple[str, str], ...] = (
    ("sex unknown", "Look at the fish and record its sex."),
    ("species recorded as", "Correct the species if it is wrong; another species is never crossed."),
    ("on hold", "An end of the hold in holds.csv, by whoever set it."),
    ("age ", "An older fish, or another setting min_age_{sex}."),
    ("not ripe: not ripe this morning", "Another look later in the day."),
    ("not ripe", "A look that finds it ripe, or --also-ripe {fish} this morning."),
    ("already used", "A higher {sex}_uses_max, or the next season."),
    ("recorded ", "Another look at the fish and its sample; correct the sex if DNA is right."),
)


def pair_change(reason: PairReason) -> str:
    """Say what would change that a pair stands in the plan."""
    dam, sire = reason.dam.name, reason.sire.name
    cost = (
        "No other fish could take its place within the limits."
        if reason.without_pair is None
        else f"One dish given to the next best fish instead changes the value by {reason.without_pair:+.6f}, if its pairs "
        "are allowed."
    )
    limit = "" if reason.limit is None else f", a pair limit below {reason.upper or reason.kinship:.4g}"
    return f"{cost} never_pairs={dam}={sire} keeps the pair out; so would a hold, a fish not ripe{limit}."


def refusal_change(candidate: Candidate) -> str:
    """Say what would change that a fish may not be crossed; empty where it may."""
    why = candidate.why_not
    if not why:
        return ""
    for start, change in _CHANGES:
        if why.startswith(start):
            return change.format(sex=candidate.sex, fish=candidate.fish_id)
    if "straws left" in why:
        return "More straws in the store, or fewer straws a dish."
    return (
        "A decision by the geneticist, or another sample."
        if "by DNA" in why
        else "A correction of the records."
    )
