"""Numbers the model and the search need, computed once from the data.

The goal. With N dishes in all (made and new), c dishes per candidate and s = c / 2N, the mean kinship of the
season's young is ``s'Ks``: two genes drawn at random, with replacement, from very many young of equal dishes.
With W young joining a living group of weights r (sum R), the mean kinship of the whole group is
``(r + W s)'K (r + W s) / (R + W)^2``. The goal is ``(1 - a)`` times the first plus ``a`` times the second, that is

    square x c'Kc + linear'c + constant,

with ``square = ((1 - a) + a W^2 / (R + W)^2) / (2N)^2``, ``linear = 2 a W / ((R + W)^2 2N) K r`` and
``constant = a r'Kr / (R + W)^2``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from planner.optimise.kinship_bound import SquareForm, dense_form, pedigree_form
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.scenarios import Case, cases_of, greatest


@dataclass(frozen=True)
class Coefficients:
    """Arrays derived from `SpawningData`.

    Parameters
    ----------
    K : ndarray, float64, shape (n_candidates, n_candidates)
        Kinship of the candidates, self-kinship on the diagonal.
    pair_kinship : ndarray, float64, shape (n_females, n_males)
        Kinship of each possible pair: the expected inbreeding of its young.
    form : SquareForm
        c'Kc as a sum of squares.
    square : float
        Factor of c'Kc in the goal.
    linear : ndarray, float64, shape (n_candidates,)
        Factor of each contribution in the goal.
    constant : float
        Part of the goal that no plan changes.
    living_kinship : float or None
        Mean kinship of the living group before the plan, self-pairs included; None without a living group.
    with_living : ndarray, float64, shape (n_candidates,)
        Mean kinship of each candidate with the living group; zeros without one.
    founder_genes : ndarray, float64, shape (n_floors, n_candidates)
        Expected share of each listed founder in the genes of each candidate.
    cases : tuple of Case
        With uncertain kinship: the goal is `square` times the greatest of them.
    pedigree_part : (SquareForm, ndarray of shape (n_candidates, n_candidates)) or None
        Form and matrix of the pedigree kinship, for forms of other tables.
    """

    K: FloatArray
    pair_kinship: FloatArray
    form: SquareForm
    square: float
    linear: FloatArray
    constant: float
    living_kinship: float | None
    with_living: FloatArray
    founder_genes: FloatArray
    cases: tuple[Case, ...] = ()
    pedigree_part: tuple[SquareForm, FloatArray] | None = None

    def goal(self, c: FloatArray) -> float:
        """Return the goal at contributions c (shape (n_candidates,), dishes made included)."""
        return self.square * greatest(self.cases, c) if self.cases else self.by_estimates(c)

    def by_estimates(self, c: FloatArray) -> float:
        """Return the goal at contributions c with kinship as estimated."""
        return float(self.square * (c @ self.K @ c) + self.linear @ c + self.constant)


def coefficients(data: SpawningData) -> Coefficients:
    """Compute kinship of the candidates, the goal's coefficients and the sum of squares.

    Parameters
    ----------
    data : SpawningData

    Returns
    -------
    Coefficients

    Raises
    ------
    ValueRangeError
        If a kinship matrix is not positive semidefinite for the totals of the sexes.
    """
    rows = data.candidates
    pedigree_K = with_living = None
    living_total = float(data.living.sum())
    living_kinship: float | None = None
    if data.parents is not None:
        from broodstock.pedigree.kinship import inbreeding, kinship_between, mean_kinship

        F = inbreeding(data.parents)
        pedigree_K = kinship_between(data.parents, rows, rows, F)
        if data.kinship is None and living_total > 0:
            means = mean_kinship(data.parents, data.living, F)
            with_living = means[rows]
            living_kinship = float(means @ data.living) / living_total
    part = None
    if data.parents is not None and pedigree_K is not None:
        part = (pedigree_form(data.parents, rows, F), pedigree_K)
    if data.kinship is None:
        assert part is not None
        form, K = part
    else:
        K = data.kinship[np.ix_(rows, rows)]
        positions = np.arange(data.n_candidates)
        sexes = ((positions[data.is_female], data.all_dishes), (positions[~data.is_female], data.all_dishes))
        form = dense_form(K, sexes, pedigree_part=part)
        if living_total > 0:
            means = data.kinship @ data.living / living_total
            with_living = means[rows]
            living_kinship = float(means @ data.living) / living_total
    if with_living is None:
        with_living = np.zeros(data.n_candidates)
    both = living_total + data.young
    a, young, total = data.living_share, data.young, 2.0 * data.all_dishes
    square = (1 - a) / total**2
    linear = np.zeros(data.n_candidates)
    constant = 0.0
    if a > 0 and living_kinship is not None:
        square += a * (young / both / total) ** 2
        linear = 2 * a * young * living_total / (both**2 * total) * with_living
        constant = a * living_kinship * (living_total / both) ** 2
    nf = data.n_females
    return Coefficients(
        K,
        np.ascontiguousarray(K[:nf, nf:]),
        form,
        square,
        linear,
        constant,
        living_kinship,
        with_living,
        _founder_genes(data),
        cases_of(data.scenarios, data.caution, a, living_total, young, square, total),
        part,
    )


def _founder_genes(data: SpawningData) -> FloatArray:
    """Return the expected share of each listed founder in the genes of each candidate."""
    genes = np.zeros((len(data.founders), data.n_candidates))
    if not len(data.founders) or data.parents is None:
        return genes
    from broodstock.pedigree.kernels import hand_down

    for k, founder in enumerate(data.founders):
        share = np.zeros(data.n_fish)
        share[founder] = 1.0
        hand_down(data.parents, share)
        genes[k] = share[data.candidates]
    return genes
