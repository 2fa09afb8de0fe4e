"""For each water of a release plan: where its fish would go if it were red today, the best first."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from broodstock.arrays import BigIntArray
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.fallback import Fallback, rank_fallbacks

MOST_SHOWN = 3


@dataclass(frozen=True)
class SiteFallbacks:
    """The other waters ranked as a place for the fish of one.

    Parameters
    ----------
    site : str
        The water that may fail.
    fish : int
        Fish planned for it.
    ranked : tuple of Fallback
        Waters that can take some of them, the best first.
    """

    site: str
    fish: int
    ranked: tuple[Fallback, ...]

    def text(self) -> str:
        """Return the ranking as one line."""
        if not self.ranked:
            return "no other water can take any of them: they stay at the station"
        return ", ".join(f"{k}. {words}" for k, words in enumerate(self.words(), 1))

    def words(self) -> list[str]:
        """Return the waters shown, each with what it can take and the rules that would need a look."""
        return [
            f"{f.site} ({f.can_take} of {self.fish}"
            + (f"; {len(f.broken)} rules to settle)" if f.broken else ")")
            for f in self.ranked[:MOST_SHOWN]
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "site": self.site,
            "fish": self.fish,
            "ranked": [asdict(f) for f in self.ranked],
            "words": f"if this water is red today: {self.text()}",
        }


def fallbacks(data: ReleaseData, numbers: BigIntArray) -> tuple[SiteFallbacks, ...]:
    """Rank the other waters for every water that receives fish."""
    out = []
    for s, fish in enumerate(numbers.sum(axis=0).tolist()):
        if fish:
            ranked = tuple(f for f in rank_fallbacks(data, numbers, s) if f.can_take)
            out.append(SiteFallbacks(data.sites.name[s], fish, ranked))
    return tuple(out)
