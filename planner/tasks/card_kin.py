"""Parents, three generations in words, and kin among the living, from the few fish that matter; no arrays."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from planner.tasks.card_source import Source
from planner.tasks.claims import DNA_CLAIM_MIN

MOST_IN_KIN = 2500
"""Most fish of a pedigree walked for a card; larger ones are left to `kinshoal kinship`."""


@dataclass(frozen=True)
class SmallPedigree:
    """Living fish, their ancestors and one fish, with the parents as used for kinship.

    Parameters
    ----------
    parents : mapping of str to (str, str)
        Dam and sire; empty text for unknown.
    by_dna : frozenset of (str, str)
        Fish and role whose parent is taken from DNA instead of the record.
    """

    parents: Mapping[str, tuple[str, str]]
    by_dna: frozenset[tuple[str, str]]

    @property
    def order(self) -> dict[str, int]:
        """Position of each fish, parents before young.

        Raises
        ------
        PedigreeError
            If a fish is its own ancestor.
        """
        from broodstock.errors import PedigreeError

        place: dict[str, int] = {}
        for start in self.parents:
            stack: list[tuple[str, bool]] = [(start, False)]
            open_now: set[str] = set()
            while stack:
                fish, done = stack.pop()
                if done:
                    open_now.discard(fish)
                    place.setdefault(fish, len(place))
                    continue
                if fish in place:
                    continue
                if fish in open_now:
                    raise PedigreeError(
                        f"pedigree: found '{fish}' among its own ancestors. Expected no loop. Correct a parent.",
                        (fish,),
                    )
                open_now.add(fish)
                stack.append((fish, True))
                stack += [(p, False) for p in self.parents.get(fish, ("", "")) if p and p not in place]
        return place

    def kinship_with(self, fish: str, others: Collection[str]) -> dict[str, float]:
        """Return the kinship of one fish with others.

        Parameters
        ----------
        fish : str
            The fish.
        others : collection of str
            Fish of the pedigree.

        Notes
        -----
        Recursion over parents, the younger of two first (Malecot 1948, from memory); unknown parents are unrelated.
        """
        place = self.order
        parents = self.parents

        @cache
        def kinship(a: str, b: str) -> float:
            if not a or not b:
                return 0.0
            dam, sire = parents.get(b, ("", ""))
            if a == b:
                return 0.5 * (1.0 + both(dam, sire))
            return 0.5 * (both(a, dam) + both(a, sire))

        def both(a: str, b: str) -> float:
            if not a or not b:
                return 0.0
            return kinship(a, b) if place[a] <= place[b] else kinship(b, a)

        return {o: both(fish, o) for o in others}


def small_pedigree(source: Source, start: Iterable[str], depth: int | None = None) -> SmallPedigree | None:
    """Walk from some fish to their ancestors; None when there are too many.

    Parameters
    ----------
    source : Source
        Records.
    start : iterable of str
        Fish to begin with.
    depth : int, optional
        Generations to walk; default all.
    """
    parents: dict[str, tuple[str, str]] = {}
    by_dna: set[tuple[str, str]] = set()
    wanted = set(start)
    level = 0
    while wanted and (depth is None or level <= depth):
        level += 1
        if len(parents) + len(wanted) > MOST_IN_KIN:
            return None
        names = sorted(wanted)
        found = source.rows("fish", {"fish_id": names}, columns=["fish_id", "dam", "sire"])
        pair = {r["fish_id"]: [r["dam"] or "", r["sire"] or ""] for r in found}
        claims = source.rows("parent_claims", {"child": list(pair), "source": "dna"})
        for c in claims:
            if (c["confidence"] or 0) >= DNA_CLAIM_MIN:
                k = 0 if c["role"] == "dam" else 1
                if pair[c["child"]][k] != (c["parent"] or ""):
                    by_dna.add((c["child"], c["role"]))
                pair[c["child"]][k] = c["parent"] or ""
        parents.update({f: (d, s) for f, (d, s) in pair.items()})
        parents.update({n: ("", "") for n in names if n not in pair})
        wanted = {p for d, s in pair.values() for p in (d, s) if p} - set(parents)
    return SmallPedigree(parents, frozenset(by_dna))


def generations(pedigree: SmallPedigree, fish: str, depth: int = 3) -> list[str]:
    """Return the ancestors of a fish in words, one line each, indented by generation."""
    lines: list[str] = []

    def walk(name: str, level: int) -> None:
        for role, parent in zip(("dam", "sire"), pedigree.parents.get(name, ("", "")), strict=True):
            note = " (by DNA)" if (name, role) in pedigree.by_dna else ""
            lines.append(f"{'  ' * level}{role}: {parent or 'unknown'}{note}")
            if parent and level + 1 < depth:
                if any(pedigree.parents.get(parent, ("", ""))):
                    walk(parent, level + 1)
                else:
                    lines[-1] += ", parents unknown"

    walk(fish, 0)
    return lines


def relation(pedigree: SmallPedigree, fish: str, other: str) -> str:
    """Return a near relation in words, empty when it is none of the plain ones."""
    mine, theirs = pedigree.parents.get(fish, ("", "")), pedigree.parents.get(other, ("", ""))
    if other in mine:
        return "mother" if other == mine[0] else "father"
    if fish in theirs:
        return "offspring"
    shared = [a for a, b in zip(mine, theirs, strict=True) if a and a == b]
    if len(shared) == 2:
        return "full sib"
    if shared:
        return "half sib"
    grand = {g for p in mine if p for g in pedigree.parents.get(p, ("", "")) if g}
    return "grandparent" if other in grand else ""
