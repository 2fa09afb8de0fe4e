"""All rules of a release plan, in order: the table of contents of the model."""

from __future__ import annotations

from planner.optimise.release.count_rules import COUNT_RULES, CountRule
from planner.optimise.release.pair_rules import PAIR_RULES, PairRule

RULES: tuple[PairRule | CountRule, ...] = (*PAIR_RULES, *COUNT_RULES)
"""Pair rules first (may this group go there), then count rules (how many)."""

RULE_BY_CODE: dict[str, PairRule | CountRule] = {rule.code: rule for rule in RULES}


def sentence(code: str) -> str:
    """Return the sentence of a rule.

    Raises
    ------
    KeyError
        If no rule has the code.
    """
    return RULE_BY_CODE[code].sentence
