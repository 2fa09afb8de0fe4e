"""Good contributions found without the solver: round a relaxed solution, then swap dishes between fish.

Values are computed exactly from the kinship matrix. What comes out is a plan to compare the proven bound with,
never a bound itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.spawning.build import Draft, Row

_TRIPLES = 40
"""Most fish whose dishes are exchanged in threes."""

_LOOKED_AT = 2000
"""Most swaps whose rules are tested in one round, the best first."""


class Improver:
    """Rounds and improves contributions under the limits of each fish and the linear rules.

    Parameters
    ----------
    draft : Draft
    K : ndarray, float64, shape (n_candidates, n_candidates)
        Matrix of the quadratic part.
    linear : ndarray, float64, shape (n_candidates,)
        Linear part.
    values : sequence of ndarray
        Possible dishes of each candidate, none empty.
    rows : list of Row
        Linear rules beyond the totals of the sexes; more may be added with `add_row`.
    """

    def __init__(
        self,
        draft: Draft,
        K: FloatArray,
        linear: FloatArray,
        values: Sequence[BigIntArray],
        rows: Sequence[Row],
    ) -> None:
        self.draft, self.K, self.linear = draft, K, linear
        self.low = np.array([v[0] for v in values], dtype=np.int64)
        self.high = np.array([v[-1] for v in values], dtype=np.int64)
        n = draft.data.n_candidates
        self.possible = np.zeros((n, int(self.high.max(initial=0)) + 2), bool)
        for i, v in enumerate(values):
            self.possible[i, v] = True
        self.whole_range = bool(
            all(len(v) == high - low + 1 for v, low, high in zip(values, self.low, self.high, strict=True))
        )
        self.on_dishes = np.zeros((0, n))
        self.on_used = np.zeros((0, n))
        self.least = np.zeros(0)
        self.most = np.zeros(0)
        for row in rows:
            self.add_row(row)

    def add_row(self, row: Row) -> None:
        """Add a linear rule."""
        self.on_dishes = np.vstack([self.on_dishes, row.on_dishes])
        self.on_used = np.vstack([self.on_used, row.on_used])
        self.least = np.append(self.least, row.low)
        self.most = np.append(self.most, row.high)

    def value(self, c: BigIntArray) -> float:
        """Return the objective at c, in squared dishes."""
        return float(c @ self.K @ c + self.linear @ c)

    def excess(self, c: BigIntArray) -> float:
        """Return by how much contributions break the linear rules, summed over rules."""
        return float(self._excess(self._totals(c)).sum())

    def rounded(self, relaxed: FloatArray) -> BigIntArray | None:
        """Return whole numbers near a relaxed solution that meet all linear rules, or None if none is found.

        Parameters
        ----------
        relaxed : ndarray, float64, shape (n_candidates,)

        Returns
        -------
        ndarray, int64, shape (n_candidates,), or None
            None also where the numbers possible for a fish have gaps; use `built` there.
        """
        if not self.whole_range:
            return None
        c = np.clip(np.floor(relaxed + 1e-6), self.low, self.high).astype(np.int64)
        for sex, total in self._totals_of_sexes():
            while (missing := total - int(c[sex].sum())) > 0:
                choice = np.flatnonzero(sex & (c < self.high))
                if not choice.size:
                    return None
                c[choice[np.argsort(c[choice] - relaxed[choice], kind="stable")[:missing]]] += 1
            while (surplus := int(c[sex].sum()) - total) > 0:
                choice = np.flatnonzero(sex & (c > self.low))
                if not choice.size:
                    return None
                c[choice[np.argsort(relaxed[choice] - c[choice], kind="stable")[:surplus]]] -= 1
        return self.repaired(c)

    def built(self) -> BigIntArray | None:
        """Return contributions built up step by step, each the one that raises the objective least per dish.

        Returns
        -------
        ndarray, int64, shape (n_candidates,), or None
            None when the steps do not lead to the right totals or break a linear rule.
        """
        c = self.low.copy()
        own = np.diag(self.K)
        top = self.possible.shape[1]
        for sex, total in self._totals_of_sexes():
            while (missing := total - int(c[sex].sum())) > 0:
                gradient = 2.0 * (self.K @ c) + self.linear
                later = self.possible & (np.arange(top)[None, :] > c[:, None])
                step = np.where(later.any(axis=1), later.argmax(axis=1) - c, 0)
                fits = (
                    sex
                    & (step > 0)
                    & ((step == missing) | (step <= missing - self._least_step(c, sex, missing)))
                )
                choice = np.flatnonzero(fits)
                if not choice.size:
                    return None
                price = gradient[choice] + step[choice] * own[choice]
                best = choice[int(np.argmin(price))]
                c[best] += step[best]
            if int(c[sex].sum()) != total:
                return None
        return self.repaired(c)

    def _least_step(self, c: BigIntArray, sex: BoolArray, missing: int) -> int:
        """Fewest dishes that must be left over after a step so that a further step can still be made."""
        single = sex & (c > self.draft.base) & (c < self.high)
        if single.any():
            return 0
        fresh = sex & (c < self.high)
        firsts = (self.draft.least_if_new - self.draft.base)[fresh]
        return 0 if not firsts.size else int(min(firsts.min(), missing))

    def _totals_of_sexes(self) -> list[tuple[BoolArray, int]]:
        female = self.draft.data.is_female
        return [(sex, int(self.draft.base[sex].sum()) + self.draft.data.dishes) for sex in (female, ~female)]

    def repaired(self, c: BigIntArray, *, most_rounds: int = 500) -> BigIntArray | None:
        """Swap single dishes until all linear rules hold; None when no swap brings them nearer."""
        c = c.copy()
        top = self.possible.shape[1] - 1
        for _ in range(most_rounds):
            totals = self._totals(c)
            before = float(self._excess(totals).sum())
            if before <= 0:
                return c
            best: tuple[float, int, int] | None = None
            for choice_of_givers, choice_of_takers in self._choices(c):
                givers = choice_of_givers[self.possible[choice_of_givers, c[choice_of_givers] - 1]]
                more = np.minimum(c[choice_of_takers] + 1, top)
                takers = choice_of_takers[self.possible[choice_of_takers, more]]
                if not givers.size or not takers.size:
                    continue
                given, taken = self._changes(c, givers, takers, 1)
                after = np.zeros((givers.size, takers.size))
                for r in range(len(totals)):
                    total = totals[r] + given[r][:, None] + taken[r][None, :]
                    after += np.maximum(0, self.least[r] - total) + np.maximum(0, total - self.most[r])
                at = np.unravel_index(int(after.argmin()), after.shape)
                if best is None or after[at] < best[0]:
                    best = (float(after[at]), int(givers[at[0]]), int(takers[at[1]]))
            if best is None or best[0] >= before - 1e-9:
                return None
            c[best[1]] -= 1
            c[best[2]] += 1
        return None

    def improved(self, c: BigIntArray, *, most_rounds: int = 5000) -> BigIntArray:
        """Swap dishes between fish of one sex as long as the objective falls.

        Parameters
        ----------
        c : ndarray, int64, shape (n_candidates,)
            Contributions that meet all rules.
        most_rounds : int
            Greatest number of swaps.

        Returns
        -------
        ndarray, int64, shape (n_candidates,)
            Contributions that meet the limits and linear rules, with no better swap left among those looked at.
        """
        c = c.copy()
        gradient = 2.0 * (self.K @ c) + self.linear
        for _ in range(most_rounds):
            move = self._best_move(c, gradient)
            change = self._best_triple(c, gradient) if move is None and not self.whole_range else None
            if move is not None:
                giver, taker, dishes = move
                change = np.zeros_like(c)
                change[giver], change[taker] = -dishes, dishes
            if change is None:
                return c
            c += change
            gradient += 2.0 * (self.K @ change)
        return c

    def _best_triple(self, c: BigIntArray, gradient: FloatArray) -> BigIntArray | None:
        """Return the best exchange of two dishes among three fish that lowers the objective, or None.

        Two fish give one dish each to a third, or one gives two to two others: needed where a fish takes no
        dish or at least two.
        """
        own = np.diag(self.K)
        least = 1e-9 * (1.0 + abs(self.value(c)))
        top = self.possible.shape[1] - 1
        n = np.arange(len(c))
        best: tuple[float, BigIntArray] | None = None
        for single in (-1, 1):
            one = (c + single >= 0) & self.possible[n, np.clip(c + single, 0, top)]
            two = (c - 2 * single >= 0) & self.possible[n, np.clip(c - 2 * single, 0, top)]
            for sex, _ in self._totals_of_sexes():
                ones = np.flatnonzero(sex & one)
                twos = np.flatnonzero(sex & two & ((c > self.draft.base) | (single < 0)))
                if ones.size < 2 or not twos.size:
                    continue
                slope = single * gradient[ones] + own[ones]
                ones = ones[np.argsort(slope, kind="stable")[:_TRIPLES]]
                found = self._triple_of(c, gradient, ones, twos, single, least)
                if found is not None and (best is None or found[0] < best[0]):
                    best = found
        return None if best is None else best[1]

    def _triple_of(
        self,
        c: BigIntArray,
        gradient: FloatArray,
        ones: BigIntArray,
        twos: BigIntArray,
        single: int,
        least: float,
    ) -> tuple[float, BigIntArray] | None:
        K, own = self.K, np.diag(self.K)
        first, second = np.triu_indices(ones.size, 1)
        a, b = ones[first], ones[second]
        pair = single * (gradient[a] + gradient[b]) + own[a] + own[b] + 2.0 * K[a, b]
        third = -2 * single * gradient[twos] + 4.0 * own[twos]
        change = pair[:, None] + third[None, :] - 4.0 * (K[a][:, twos] + K[b][:, twos])
        clash = (a[:, None] == twos[None, :]) | (b[:, None] == twos[None, :])
        change[clash] = np.inf
        at_pair, at_two = np.nonzero(change < -least)
        falls = change[at_pair, at_two]
        for k in np.argsort(falls, kind="stable")[:50].tolist():
            move = np.zeros_like(c)
            move[a[at_pair[k]]] += single
            move[b[at_pair[k]]] += single
            move[twos[at_two[k]]] -= 2 * single
            if self.excess(c + move) == 0:
                return float(falls[k]), move
        return None

    def cheapened(
        self, c: BigIntArray, costs: FloatArray, most: float, failing: Callable[[BigIntArray], Row | None]
    ) -> BigIntArray:
        """Swap dishes to lower a cost per fish while the objective stays within a limit.

        Parameters
        ----------
        c : ndarray, int64, shape (n_candidates,)
            Contributions that meet all rules and the limit.
        costs : ndarray, float64, shape (n_candidates, highest possible dishes + 2)
            Cost of each number of dishes of each candidate.
        most : float
            Greatest objective, in squared dishes.
        failing : callable
            Returns a linear rule that contributions break although they meet all those known, or None.

        Returns
        -------
        ndarray, int64, shape (n_candidates,)
            In each step the swap that costs the objective least for what it saves was taken.
        """
        c = c.copy()
        n, top = np.arange(len(c)), costs.shape[1] - 1
        for _ in range(10 * len(c)):
            gradient = 2.0 * (self.K @ c) + self.linear
            room = most - self.value(c)
            best: tuple[float, tuple[int, int, int]] | None = None
            for givers, takers in self._choices(c):
                for dishes in self._amounts(c, givers):
                    amount = dishes[:, None]
                    saved = costs[givers, c[givers]] - costs[givers, np.maximum(c[givers] - dishes, 0)]
                    paid = costs[takers[None, :], np.minimum(c[takers][None, :] + amount, top)]
                    saving = saved[:, None] - (paid - costs[n, np.minimum(c, top)][takers][None, :])
                    rise = self._rises(c, gradient, givers, takers, dishes)
                    useful = (saving > 1e-9) & (rise <= room) & (givers[:, None] != takers[None, :])
                    if not useful.any():
                        continue
                    price = rise / np.maximum(saving, 1e-9)
                    dear = float(price[useful].max()) + 1.0
                    below = np.where(useful, price - dear, 0.0)
                    found = self._best_allowed(c, below, givers, takers, dishes, 0.0)
                    found = None if found is None else (found[0] + dear, found[1])
                    if found is not None and (best is None or found[0] < best[0]):
                        best = found
            if best is None:
                return c
            giver, taker, moved = best[1]
            after = c.copy()
            after[giver] -= moved
            after[taker] += moved
            broken = failing(after)
            if broken is None:
                c = after
            else:
                self.add_row(broken)
        return c

    def _choices(self, c: BigIntArray) -> list[tuple[BigIntArray, BigIntArray]]:
        """Fish that can give and fish that can take a dish, by sex, where both exist."""
        pairs = []
        for sex in (self.draft.data.is_female, ~self.draft.data.is_female):
            givers = np.flatnonzero(sex & (c > self.low))
            takers = np.flatnonzero(sex & (c < self.high))
            if givers.size and takers.size:
                pairs.append((givers, takers))
        return pairs

    def _best_move(self, c: BigIntArray, gradient: FloatArray) -> tuple[int, int, int] | None:
        best: tuple[float, tuple[int, int, int]] | None = None
        least = 1e-9 * (1.0 + abs(self.value(c)))
        for givers, takers in self._choices(c):
            for dishes in self._amounts(c, givers):
                change = self._rises(c, gradient, givers, takers, dishes)
                found = self._best_allowed(c, change, givers, takers, dishes, least)
                if found is not None and (best is None or found[0] < best[0]):
                    best = found
        return None if best is None else best[1]

    def _rises(
        self,
        c: BigIntArray,
        gradient: FloatArray,
        givers: BigIntArray,
        takers: BigIntArray,
        dishes: BigIntArray,
    ) -> FloatArray:
        """Change of the objective when each giver gives its dishes to each taker."""
        own = np.diag(self.K)
        spread = own[givers][:, None] + own[takers][None, :] - 2.0 * self.K[np.ix_(givers, takers)]
        slope = gradient[takers][None, :] - gradient[givers][:, None]
        rises: FloatArray = dishes[:, None] * slope + (dishes**2)[:, None] * spread
        return rises

    def _amounts(self, c: BigIntArray, givers: BigIntArray) -> list[BigIntArray]:
        """Dishes to move: one, and where possible numbers have gaps also all new dishes of the giver."""
        amounts = [np.ones(givers.size, np.int64)]
        if not self.whole_range:
            amounts.append(np.maximum(1, c[givers] - self.draft.base[givers]))
        return amounts

    def _best_allowed(
        self,
        c: BigIntArray,
        change: FloatArray,
        givers: BigIntArray,
        takers: BigIntArray,
        dishes: BigIntArray,
        least: float,
    ) -> tuple[float, tuple[int, int, int]] | None:
        """Return the best swap that keeps all rules, with the change of the objective."""
        at_giver, at_taker = np.nonzero(change < -least)
        if not at_giver.size:
            return None
        falls = change[at_giver, at_taker]
        order = np.argsort(falls, kind="stable")[:_LOOKED_AT]
        at_giver, at_taker, falls = at_giver[order], at_taker[order], falls[order]
        giver, taker, amount = givers[at_giver], takers[at_taker], dishes[at_giver]
        top = self.possible.shape[1] - 1
        fits = (
            self.possible[giver, c[giver] - amount] & self.possible[taker, np.minimum(c[taker] + amount, top)]
        )
        if len(self.least):
            fits &= self._keeps_rows(c, giver, taker, amount)
        if not fits.any():
            return None
        k = int(np.argmax(fits))
        return float(falls[k]), (int(giver[k]), int(taker[k]), int(amount[k]))

    def _keeps_rows(
        self, c: BigIntArray, giver: BigIntArray, taker: BigIntArray, amount: BigIntArray
    ) -> BoolArray:
        base = self.draft.base
        stops = (c[giver] > base[giver]) & (c[giver] - amount == base[giver])
        starts = c[taker] == base[taker]
        after = self._totals(c)[:, None] + amount * (self.on_dishes[:, taker] - self.on_dishes[:, giver])
        after += starts * self.on_used[:, taker] - stops * self.on_used[:, giver]
        slack = 1e-7 * (1 + np.abs(after))
        inside = (after >= self.least[:, None] - slack) & (after <= self.most[:, None] + slack)
        return np.asarray(inside.all(axis=0))

    def _changes(
        self, c: BigIntArray, givers: BigIntArray, takers: BigIntArray, amount: int
    ) -> tuple[FloatArray, FloatArray]:
        """Change of every linear rule when each giver gives and when each taker takes."""
        base = self.draft.base
        stops = (c[givers] > base[givers]) & (c[givers] - amount == base[givers])
        starts = c[takers] == base[takers]
        given = -amount * self.on_dishes[:, givers] - stops * self.on_used[:, givers]
        taken = amount * self.on_dishes[:, takers] + starts * self.on_used[:, takers]
        return given, taken

    def _totals(self, c: BigIntArray) -> FloatArray:
        z = (c > self.draft.base).astype(np.float64)
        return np.asarray(self.on_dishes @ c + self.on_used @ z)

    def _excess(self, totals: FloatArray) -> FloatArray:
        over = np.maximum(0, np.maximum(self.least - totals, totals - self.most))
        return np.where(over > 1e-7 * (1 + np.abs(totals)), over, 0.0)
