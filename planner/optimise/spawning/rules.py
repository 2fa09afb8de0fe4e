"""The rules a spawning plan must meet, each with its sentence; plans, reports and conflicts use these words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Parameters
    ----------
    code : str
        Stable short name; `build`, `recheck` and the tests use it.
    sentence : str
        What the rule demands, as a whole sentence.
    setting : str
        Field of `SpawningData` that a person would change.
    """

    code: str
    sentence: str
    setting: str


RULES: tuple[Rule, ...] = (
    Rule("dishes", "Exactly the wanted number of new dishes is laid.", "dishes"),
    Rule("made", "Dishes already made this season stay as they are and count.", "made"),
    Rule("ripe", "Only fish that are ripe get new dishes.", "ripe"),
    Rule("hold", "A fish under a hold gets no new dish.", "hold"),
    Rule("most-uses", "No fish takes part in more dishes this season than its limit.", "most_uses"),
    Rule(
        "least-uses",
        "A fish with a least number of uses takes part in at least so many dishes.",
        "least_uses",
    ),
    Rule("lifetime-uses", "No fish takes part in more dishes in its life than its limit.", "lifetime_uses"),
    Rule(
        "males-per-female",
        "A female that gets new dishes is crossed with a number of different males within the limits.",
        "males_per_female",
    ),
    Rule(
        "females-per-male",
        "A male that gets new dishes is crossed with a number of different females within the limits.",
        "females_per_male",
    ),
    Rule("pair-repeats", "A pair makes no more dishes this season than its limit.", "pair_repeats"),
    Rule("pair-kinship", "No new dish joins two fish whose kinship is above the pair limit.", "pair_limit"),
    Rule("forbidden-pairs", "A forbidden pair is not crossed.", "forbidden"),
    Rule("past-pairs", "A pair crossed in an earlier season is not crossed again.", "past_pairs"),
    Rule("same-place", "Mates are kept in the same place.", "same_place"),
    Rule(
        "unknown-fish",
        "A fish of unknown identity is crossed only with fish unrelated to every fish it might be.",
        "safe_limit",
    ),
    Rule("straws", "Frozen milt is used only as far as straws are in store.", "straws"),
    Rule(
        "egg-share",
        "A female's eggs are split into no more dishes than leave each a full share.",
        "least_eggs",
    ),
    Rule("permit", "No more fish are used than the permit allows.", "permit_limit"),
    Rule(
        "founder-share",
        "Each listed founder keeps at least its share in the season's young.",
        "founder_share",
    ),
    Rule(
        "full-factorial",
        "Every chosen female is crossed once with every chosen male of her block.",
        "factorial",
    ),
)

SENTENCES: dict[str, str] = {rule.code: rule.sentence for rule in RULES}


def rule(code: str) -> Rule:
    """Return the rule with a code.

    Raises
    ------
    KeyError
        If there is none.
    """
    for one in RULES:
        if one.code == code:
            return one
    raise KeyError(f"no rule has the code {code!r}")
