"""Groups of fish known by their number and mean kinship: how they mix, move and have young."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray


@dataclass(frozen=True)
class Groups:
    """Groups of fish.

    Parameters
    ----------
    n : ndarray, float64, shape (n_groups,)
        Fish in each; expected numbers, so not whole.
    between : ndarray, float64, shape (n_groups, n_groups)
        Mean kinship of two distinct fish, one of each group.
    own : ndarray, float64, shape (n_groups,)
        Mean self-kinship.
    """

    n: FloatArray
    between: FloatArray
    own: FloatArray

    def pairs(self) -> FloatArray:
        """Return the number of ordered pairs of distinct fish by groups."""
        pairs = np.outer(self.n, self.n)
        np.fill_diagonal(pairs, self.n * np.maximum(self.n - 1, 0.0))
        return pairs

    def mean_kinship(self, which: FloatArray | None = None) -> float:
        """Return the mean kinship of all fish of the groups marked in `which`, self pairs in."""
        n = self.n if which is None else self.n * which
        total = float(n.sum())
        part = Groups(n, self.between, self.own)
        return float(((part.pairs() * self.between).sum() + (n * self.own).sum()) / total**2)

    def merged(self, target: BigIntArray, n_targets: int) -> Groups:
        """Return new groups, old group g becoming a part of group ``target[g]``."""
        from scipy.sparse import csr_array

        groups = len(self.n)
        into: Any = csr_array(
            (np.ones(groups), (np.asarray(target), np.arange(groups))), shape=(n_targets, groups)
        )
        pairs = self.pairs()
        sums, counts = ((into @ (into @ x).T).T for x in (pairs * self.between, pairs))
        n = into @ self.n
        between = np.divide(sums, counts, out=np.zeros_like(sums), where=counts > 0)
        own = np.divide(into @ (self.n * self.own), n, out=np.zeros(n_targets), where=n > 0)
        return Groups(n, between, own)

    def split(self, source: BigIntArray, n: FloatArray) -> Groups:
        """Return parts of the groups: part p holds ``n[p]`` fish taken at random from group ``source[p]``."""
        return Groups(n, self.between[np.ix_(source, source)], self.own[source])

    def any_pair(self) -> FloatArray:
        """Return mean kinship of one fish of each group drawn with replacement: the same fish may come twice."""
        out = self.between.copy()
        chance = np.divide(1.0, self.n, out=np.ones_like(self.n), where=self.n > 1)
        np.fill_diagonal(out, chance * self.own + (1 - chance) * np.diag(self.between))
        return out


@dataclass(frozen=True)
class Parents:
    """A set of possible parents of one sex.

    Parameters
    ----------
    share : ndarray, float64, shape (n_groups,)
        Share of the set in each group, sum 1.
    number : float
        Fish in the set.
    """

    share: FloatArray
    number: float

    def with_groups(self, groups: Groups) -> FloatArray:
        """Return the mean kinship of a parent with a fish of each group, the parent itself possible."""
        out: FloatArray = self.share @ groups.any_pair()
        return out

    def with_other(self, groups: Groups, other: Parents, same: float) -> float:
        """Return the mean kinship of two parents drawn from two sets, the same fish with chance `same`.

        Where the sets hold other fish, `same` is 0 and all pairs are distinct.
        """
        mine, theirs = np.flatnonzero(self.share), np.flatnonzero(other.share)
        n = self.share[mine] * self.number
        pairs = np.outer(n, other.share[theirs] * other.number)
        if np.array_equal(self.share, other.share):
            np.fill_diagonal(pairs, n * np.maximum(n - 1, 0.0))
        total = pairs.sum()
        between = groups.between[np.ix_(mine, theirs)]
        distinct = float((pairs * between).sum() / total) if total > 0 else 0.0
        own = float((self.share * groups.own).sum())
        return same * own + (1 - same) * distinct


def same_by_skew(number: float, skew: float) -> float:
    """Chance that two young share a parent of one sex when parents' chances are gamma distributed.

    Parameters
    ----------
    number : float
        Possible parents.
    skew : float
        Squared coefficient of variation of their chances.

    Returns
    -------
    float
        ``(1 + skew) / (number + skew)``: the expected sum of squared shares of a Dirichlet distribution whose
        parameters are all ``1 / skew``; ``1 / number`` without skew.
    """
    return min((1 + skew) / (number + skew), 1.0)


def same_in_turn(uses: int, number: int) -> float:
    """Chance that two of `uses` uses, dealt out evenly among `number` fish, are of the same fish."""
    if uses < 2:
        return 0.0
    low, more = divmod(uses, number)
    k = np.array([low + 1] * more + [low] * (number - more), dtype=np.float64)
    return float((k * (k - 1)).sum() / (uses * (uses - 1)))
