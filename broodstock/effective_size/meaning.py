"""Plain words for what an effective size refers to: Ne or Nb, and of which fish."""

from __future__ import annotations

from typing import Literal, TypeAlias

from broodstock.errors import UsageError

SampleKind: TypeAlias = Literal["one-cohort", "discrete-generation", "mixed-ages"]
"""How the sampled fish were born: in one season, as a whole generation, or over several years."""

_SINGLE_SAMPLE = {
    "one-cohort": (
        "Nb: the effective number of breeders that produced {group} (the parents' season, not the sampled "
        "fish). Where fish breed in several years it also carries some of the Ne of earlier generations."
    ),
    "discrete-generation": (
        "Ne of the generation of parents that produced {group} (generations taken as not overlapping)."
    ),
    "mixed-ages": (
        "Neither a clean Ne nor a clean Nb: {group} mixes ages, so the number lies between the two and tends "
        "to fall below the Ne of a generation."
    ),
}


def single_sample_meaning(kind: SampleKind, group: str) -> str:
    """Say what an estimate from one genetic sample refers to.

    Parameters
    ----------
    kind : {'one-cohort', 'discrete-generation', 'mixed-ages'}
        How the sampled fish were born.
    group : str
        The group in the user's words, for example ``year class 2024``.

    Returns
    -------
    str
        One or two sentences.

    Raises
    ------
    UsageError
        If `kind` is not one of the three words.
    """
    if kind not in _SINGLE_SAMPLE:
        raise UsageError(
            f"kind of sample: found {kind!r}. Expected one of {', '.join(_SINGLE_SAMPLE)}. "
            "Say how the sampled fish were born."
        )
    return _SINGLE_SAMPLE[kind].format(group=group or "the sampled group")
