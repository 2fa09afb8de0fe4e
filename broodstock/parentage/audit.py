"""Compare recorded parents with what DNA supports, and find dishes whose parents were swapped.

Records are never changed here: every verdict names the claim, the evidence and, where DNA is clear, the
better parent.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.parentage.assign import FEMALE, MALE
from broodstock.parentage.results import AssignmentRun

Role = Literal["dam", "sire"]
ROLES: tuple[Role, ...] = ("dam", "sire")
AGREES, CONTRADICTS, FOUND, UNDECIDED, NOT_TESTABLE = (
    "agrees",
    "contradicts",
    "found",
    "undecided",
    "not testable",
)
MIN_SHARE = 0.8
"""Share of a dish's tested offspring that must point to one parent (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ParentClaim:
    """Recorded parents of one offspring.

    Parameters
    ----------
    offspring : str
        Sample name of the offspring.
    dam, sire : str or None
        Sample name of the recorded parent (any other identifier if it was never sampled); None where no
        parent is recorded.
    dish : str
        Dish, incubator cell or family the offspring came from; empty if unknown.
    """

    offspring: str
    dam: str | None
    sire: str | None
    dish: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What DNA says about one recorded parent.

    Parameters
    ----------
    offspring, dish : str
        As in the claim.
    role : {'dam', 'sire'}
        Role of the parent.
    recorded : str or None
        The claim.
    result : {'agrees', 'contradicts', 'found', 'undecided', 'not testable'}
        ``found``: nothing was recorded and DNA names a parent.
    better : str or None
        Parent that DNA names with certainty instead.
    posterior : float or None
        Posterior that the recorded fish is a parent; None if it could not be tested.
    mismatches, compared : int
        Impossible loci between offspring and recorded fish, and loci compared.
    reason : str
        Sentence for a person.
    """

    offspring: str
    dish: str
    role: Role
    recorded: str | None
    result: str
    better: str | None
    posterior: float | None
    mismatches: int
    compared: int
    reason: str


@dataclass(frozen=True, slots=True)
class DishSupport:
    """Which parent the tested offspring of one dish point to, for one role.

    Parameters
    ----------
    dish : str
        Dish.
    role : {'dam', 'sire'}
        Role.
    recorded : str or None
        Recorded parent.
    supported : str or None
        Parent of at least 80 % of the offspring with a clear answer; None if there is no such fish.
    n_supporting, n_clear, n_tested : int
        Offspring that point to it, that have a clear answer, that were tested.
    mixed : bool
        The clear answers name several fish and none reaches 80 %.
    """

    dish: str
    role: Role
    recorded: str | None
    supported: str | None
    n_supporting: int
    n_clear: int
    n_tested: int
    mixed: bool


@dataclass(frozen=True, slots=True)
class Swap:
    """Two dishes whose parents DNA finds exchanged.

    Parameters
    ----------
    what : {'dams', 'sires', 'whole dishes'}
        What was exchanged.
    dishes : tuple of two str
        The dishes.
    parents : tuple of two str
        Recorded parents (dams if whole dishes) of the first and second dish; DNA finds the reverse.
    n_supporting, n_clear : int
        Offspring of both dishes that support the exchange, of those with a clear answer.
    also_fits : tuple of str
        Other dishes that fit as partner of one of the two.
    sentence : str
        Words for a person.
    """

    what: str
    dishes: tuple[str, str]
    parents: tuple[str, str]
    n_supporting: int
    n_clear: int
    also_fits: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class ParentageAudit:
    """Verdicts on single claims, support by dish, exchanges between dishes."""

    verdicts: tuple[Verdict, ...]
    dishes: tuple[DishSupport, ...]
    swaps: tuple[Swap, ...]

    def counts(self) -> dict[str, int]:
        """Return the number of verdicts by result, most frequent first."""
        return dict(Counter(v.result for v in self.verdicts).most_common())


def audit_parents(
    run: AssignmentRun, claims: Sequence[ParentClaim], min_offspring: int = 2
) -> ParentageAudit:
    """Compare claims with an assignment run.

    Parameters
    ----------
    run : AssignmentRun
        Assignment of the offspring among all sampled possible parents, made without the claims.
    claims : sequence of ParentClaim
        Recorded parents, one claim per offspring.
    min_offspring : int
        Offspring with a clear answer that a dish needs before it is called exchanged.

    Returns
    -------
    ParentageAudit
        Verdicts in the order of the claims, dam before sire.

    Raises
    ------
    UsageError
        If an offspring has two claims or `min_offspring` is below 1.
    """
    if min_offspring < 1:
        raise UsageError(f"min_offspring: found {min_offspring}. Expected 1 or more.")
    twice = [name for name, n in Counter(c.offspring for c in claims).items() if n > 1]
    if twice:
        raise UsageError(f"claims: found {twice[0]!r} more than once. Expected one claim per offspring.")
    reader = _Reader(run)
    verdicts = tuple(reader.verdict(claim, role) for claim in claims for role in ROLES)
    dishes = tuple(
        _dish_support(reader, dish, role, [c for c in claims if c.dish == dish])
        for dish in dict.fromkeys(c.dish for c in claims if c.dish)
        for role in ROLES
    )
    return ParentageAudit(verdicts, dishes, tuple(_swaps(dishes, min_offspring)))


class _Reader:
    """Looks up the evidence of one run by name."""

    def __init__(self, run: AssignmentRun) -> None:
        self.run = run
        self.row = {a.offspring: i for i, a in enumerate(run.assignments)}
        self.column = {name: j for j, name in enumerate(run.candidates)}
        self.parent: FloatArray = run.dam_marginal + run.sire_marginal
        self.certain = run.settings.certain_at

    def named(self, offspring: str, role: Role, other: str | None, least: float) -> str | None:
        """Candidate that DNA names in a role with at least some posterior, leaving out the other parent."""
        i = self.row.get(offspring)
        if i is None or not self.run.candidates:
            return None
        can = self.run.sexes != (MALE if role == "dam" else FEMALE)
        can = can & (self.run.pairs.compared[i] >= self.run.settings.min_loci)
        if other is not None and other in self.column:
            j = self.column[other]
            if self.run.sexes[j] < 0 and self.parent[i, j] >= least:
                can = can & (np.arange(len(can)) != j)
        best = int(np.argmax(np.where(can, self.parent[i], -1.0)))
        return self.run.candidates[best] if can[best] and self.parent[i, best] >= least else None

    def verdict(self, claim: ParentClaim, role: Role) -> Verdict:
        """Judge one recorded parent."""
        recorded, other = (claim.dam, claim.sire) if role == "dam" else (claim.sire, claim.dam)
        i = self.row.get(claim.offspring)

        def say(
            result: str,
            reason: str,
            better: str | None = None,
            posterior: float | None = None,
            mismatches: int = 0,
            compared: int = 0,
        ) -> Verdict:
            return Verdict(
                claim.offspring,
                claim.dish,
                role,
                recorded,
                result,
                better,
                posterior,
                mismatches,
                compared,
                reason,
            )

        if i is None:
            return say(NOT_TESTABLE, "not testable because there is no DNA of the offspring in this run")
        answer = self.run.assignments[i]
        if answer.n_typed < self.run.settings.min_loci:
            return say(
                NOT_TESTABLE, f"not testable because only {answer.n_typed} loci are typed in the offspring"
            )
        better = self.named(claim.offspring, role, other, self.certain)
        if recorded is None:
            if better is None:
                return say(
                    NOT_TESTABLE, f"not testable because no {role} is recorded and DNA names none for certain"
                )
            return say(FOUND, f"no {role} is recorded; DNA names {better}", better)
        j = self.column.get(recorded)
        if j is None:
            if better is None:
                return say(NOT_TESTABLE, f"not testable because {recorded} has no DNA among the candidates")
            return say(CONTRADICTS, f"{recorded} has no DNA, but DNA names {better} as {role}", better)
        posterior = float(self.parent[i, j])
        missed, compared = int(self.run.pairs.mismatches[i, j]), int(self.run.pairs.compared[i, j])
        if not self.run.eligible[i, j]:
            if better is None:
                return say(
                    NOT_TESTABLE, f"not testable because {recorded} cannot be a parent by age, dates or place"
                )
            return say(
                CONTRADICTS,
                f"{recorded} cannot be a parent by age, dates or place; DNA names {better}",
                better,
            )
        if compared < self.run.settings.min_loci:
            if better is None:
                return say(
                    NOT_TESTABLE,
                    f"not testable because only {compared} loci are typed in both",
                    compared=compared,
                )
            return say(CONTRADICTS, f"DNA names {better} as {role}", better, posterior, missed, compared)
        evidence = f"{missed} of {compared} loci impossible, posterior {posterior:.3f}"
        if posterior >= self.certain:
            return say(AGREES, f"DNA agrees ({evidence})", None, posterior, missed, compared)
        if posterior <= 1.0 - self.certain:
            instead = f"DNA names {better}" if better else "DNA names no other candidate for certain"
            return say(
                CONTRADICTS,
                f"{recorded} is not the {role} ({evidence}); {instead}",
                better,
                posterior,
                missed,
                compared,
            )
        return say(UNDECIDED, f"DNA does not decide ({evidence})", None, posterior, missed, compared)


def _dish_support(reader: _Reader, dish: str, role: Role, claims: list[ParentClaim]) -> DishSupport:
    recorded = Counter(c.dam if role == "dam" else c.sire for c in claims).most_common(1)[0][0]
    tested = [c for c in claims if c.offspring in reader.row]
    names = [
        reader.named(c.offspring, role, c.sire if role == "dam" else c.dam, reader.run.settings.probable_at)
        for c in tested
    ]
    clear = [name for name in names if name is not None]
    top, n_top = Counter(clear).most_common(1)[0] if clear else (None, 0)
    enough = bool(clear) and n_top >= MIN_SHARE * len(clear)
    return DishSupport(
        dish,
        role,
        recorded,
        top if enough else None,
        n_top if enough else 0,
        len(clear),
        len(tested),
        bool(clear) and not enough,
    )


def _swaps(dishes: Sequence[DishSupport], min_offspring: int) -> list[Swap]:
    """Find pairs of dishes in which each one's DNA parent is the other one's recorded parent."""
    found: dict[tuple[Role, str, str], tuple[DishSupport, DishSupport]] = {}
    for role in ROLES:
        odd = [d for d in dishes if d.role == role and _is_odd(d) and d.n_supporting >= min_offspring]
        for a, b in combinations(odd, 2):
            if a.supported == b.recorded and b.supported == a.recorded:
                found[role, a.dish, b.dish] = (a, b)
    recorded = {(d.dish, d.role): d.recorded for d in dishes}
    out = []
    for one, two in dict.fromkeys((x, y) for _, x, y in found):
        roles = [role for role in ROLES if (role, one, two) in found]
        role = roles[0]
        what = "whole dishes" if len(roles) == 2 else f"{role}s"
        rivals = {
            dish
            for r, x, y in found
            if r == role and (x in (one, two)) != (y in (one, two))
            for dish in (x, y)
            if dish not in (one, two)
        }
        other: Role = "sire" if role == "dam" else "dam"
        shared = recorded.get((one, other))
        unclear = len(roles) == 1 and shared is not None and shared == recorded.get((two, other))
        out.append(_swap(what, found[role, one, two], tuple(sorted(rivals)), other if unclear else ""))
    return out


def _is_odd(dish: DishSupport) -> bool:
    return dish.supported is not None and dish.recorded is not None and dish.supported != dish.recorded


def _swap(
    what: str, pair: tuple[DishSupport, DishSupport], rivals: tuple[str, ...], shared_role: str
) -> Swap:
    a, b = pair
    n_supporting, n_clear = a.n_supporting + b.n_supporting, a.n_clear + b.n_clear
    # Dishes that share the other parent may have been exchanged as a whole: only one role can show it.
    remark = (
        f" Both dishes have the same {shared_role} on record, so whole dishes may have been exchanged."
        if shared_role
        else ""
    )
    return Swap(
        what,
        (a.dish, b.dish),
        (str(a.recorded), str(b.recorded)),
        n_supporting,
        n_clear,
        rivals,
        f"{what.capitalize()} exchanged between {a.dish} and {b.dish}: {a.dish} was recorded with {a.recorded} but "
        f"its offspring come from {a.supported}, and {b.dish} the other way round ({n_supporting} of {n_clear} "
        f"offspring).{remark}",
    )
