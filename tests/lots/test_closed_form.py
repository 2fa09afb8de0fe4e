"""Closed forms against the distributions of scipy, a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import dirichlet_multinomial, multivariate_hypergeom

from broodstock.errors import ValueRangeError
from broodstock.lots.closed_form import (
    absence_after_split,
    dirichlet_multinomial_posterior,
    split_moments,
)

GROUPS = [([5, 3, 2], 4), ([40, 40, 1], 30), ([1, 0, 7], 8), ([10], 4), ([300, 200, 100, 3], 0)]


@pytest.mark.parametrize(("numbers", "taken"), GROUPS)
def test_split_moments__are_those_of_the_multivariate_hypergeometric(numbers, taken):
    mean, variance = split_moments(np.array(numbers), taken)
    assert mean == pytest.approx(multivariate_hypergeom.mean(numbers, taken))
    assert variance == pytest.approx(np.diag(np.atleast_2d(multivariate_hypergeom.cov(numbers, taken))))


@pytest.mark.parametrize(("numbers", "taken"), GROUPS)
def test_absence_after_split__is_the_chance_of_none(numbers, taken):
    absent = absence_after_split(np.array(numbers), taken)
    for f, n in enumerate(numbers):
        others = sum(numbers) - n
        chance = multivariate_hypergeom.pmf([0, taken], [n, others], taken) if others >= taken else 0.0
        assert absent[f] == pytest.approx(float(chance), abs=1e-12)


def test_dirichlet_multinomial_posterior__moments_are_those_of_scipy():
    alpha, typed, number = np.array([2.0, 0.7, 5.0, 1.1]), np.array([3, 0, 4, 1]), 60
    mean, variance, absent = dirichlet_multinomial_posterior(alpha, typed, number)
    rest = dirichlet_multinomial(alpha + typed, number - typed.sum())
    assert mean == pytest.approx(typed + rest.mean())
    assert variance == pytest.approx(rest.var())
    lone = dirichlet_multinomial([0.7, (alpha + typed).sum() - 0.7], number - typed.sum())
    assert absent == pytest.approx([0.0, lone.pmf([0, number - typed.sum()]), 0.0, 0.0])


def test_dirichlet_multinomial_posterior__follows_from_bayes_rule():
    """Prior over all groups of 6 fish of 2 families, sample of 3: every group weighed one by one."""
    alpha, number, typed = np.array([1.5, 0.8]), 6, np.array([2, 1])
    groups = np.array([[k, number - k] for k in range(number + 1)])
    weight = np.array(
        [
            dirichlet_multinomial.pmf(g, alpha, number) * multivariate_hypergeom.pmf(typed, g, 3)
            if (g >= typed).all()
            else 0.0
            for g in groups
        ]
    )
    weight /= weight.sum()
    mean, variance, _ = dirichlet_multinomial_posterior(alpha, typed, number)
    assert mean == pytest.approx(weight @ groups)
    assert variance == pytest.approx(weight @ groups**2 - (weight @ groups) ** 2)


def test_closed_forms__raise_on_impossible_numbers():
    with pytest.raises(ValueRangeError, match=r"lots, taken: found 9 of 8 fish"):
        split_moments(np.array([5, 3]), 9)
    with pytest.raises(ValueRangeError, match=r"found a negative number"):
        absence_after_split(np.array([5, -3]), 1)
    with pytest.raises(ValueRangeError, match=r"lots, alpha: found a value that is not positive"):
        dirichlet_multinomial_posterior(np.array([1.0, 0.0]), np.array([1, 0]), 5)
    with pytest.raises(ValueRangeError, match=r"lots, typed: found 6 fish of 5"):
        dirichlet_multinomial_posterior(np.array([1.0, 1.0]), np.array([3, 3]), 5)
