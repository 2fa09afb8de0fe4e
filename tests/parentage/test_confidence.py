"""Critical values and false-assignment rates from simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from broodstock.errors import UsageError
from broodstock.genotypes.quality.proportions import binomial_share
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.confidence import SimulatedCandidates, simulate_confidence
from broodstock.parentage.results import AssignmentSettings

SETTINGS = AssignmentSettings(0.8, 0.8)


def _frequencies(n_loci, seed=1):
    minor = np.random.default_rng(seed).uniform(0.1, 0.5, n_loci)
    return np.stack([1 - minor, minor], axis=1)


def test_simulate_confidence__more_loci_give_more_certain_answers():
    rates = [
        simulate_confidence(
            _frequencies(n), SimulatedCandidates(40, 40), n_offspring=150, settings=SETTINGS, missing=0.03
        ).certain_rate.value
        for n in (25, 60, 150)
    ]
    assert rates[0] < rates[1] < rates[2]
    assert rates[2] > 0.97


def test_simulate_confidence__calibrated_and_critical_values_keep_their_promise():
    found = simulate_confidence(
        _frequencies(50), SimulatedCandidates(60, 60), n_offspring=500, settings=SETTINGS, seed=3
    )
    for bin_ in found.calibration:
        if bin_.n >= 30:
            spread = 4 * math.sqrt(max(bin_.mean_posterior * (1 - bin_.mean_posterior), 0.002) / bin_.n)
            assert abs(bin_.right - bin_.mean_posterior) < spread
    margins = [c.margin for c in found.critical]
    assert None not in margins
    assert margins == sorted(margins)
    answered = [c.answered for c in found.critical]
    assert answered == sorted(answered, reverse=True)
    assert found.false_assignment_rate.value <= 0.03
    assert found.false_assignment_rate.high < 0.05


def test_simulate_confidence__critical_margin_transfers_to_other_data(make_families):
    """Answers above the simulated 95 % margin are right about as often as promised in a fresh data set."""
    f = make_families(75, 75, 400, 45, sampled=0.8, missing=0.0, seed=31)
    found = simulate_confidence(
        f.frequencies, SimulatedCandidates(60, 60), f.error, n_offspring=600, settings=SETTINGS, seed=4
    )
    run = assign_parents(
        f.genotypes,
        f.offspring,
        f.candidates,
        f.sex,
        frequencies=f.frequencies,
        error=f.error,
        settings=SETTINGS,
    )
    critical = found.critical[1].margin
    right = [
        (a.dam, a.sire) == f.true_names(i) for i, a in enumerate(run.assignments) if a.margin >= critical
    ]
    assert len(right) > 100
    assert np.mean(right) > 0.95 - 3 * math.sqrt(0.95 * 0.05 / len(right))


def test_simulate_confidence__sibs_of_parents_mislead_weak_markers():
    half = AssignmentSettings(0.5, 0.5)
    plain, sibs = (
        simulate_confidence(
            _frequencies(60), SimulatedCandidates(40, 40, sib_share=x), n_offspring=400, settings=half, seed=2
        )
        for x in (0.0, 0.5)
    )
    assert sibs.dam_right.value < plain.dam_right.value
    assert sibs.false_assignment_rate.value > plain.false_assignment_rate.value


def test_simulate_confidence__unknown_sexes_and_repeatable_seed():
    arguments = (_frequencies(80), SimulatedCandidates(20, 20, sexes_known=False))
    one = simulate_confidence(*arguments, n_offspring=80, seed=6)
    two = simulate_confidence(*arguments, n_offspring=80, seed=6)
    assert one == two
    assert one.dam_right.value > 0.85


def test_simulate_confidence__one_allele_is_no_evidence():
    found = simulate_confidence(
        np.tile([1.0, 0.0], (10, 1)), SimulatedCandidates(5, 5), n_offspring=30, settings=SETTINGS
    )
    assert found.certain_rate.value == 0.0
    assert not found.false_assignment_rate.estimable
    assert "there are no answers to count" in found.false_assignment_rate.reason
    assert found.critical[1].margin is None


def test_simulate_confidence__raises_on_bad_numbers():
    with pytest.raises(UsageError, match=r"Expected at least one of each"):
        simulate_confidence(_frequencies(5), SimulatedCandidates(0, 5))
    with pytest.raises(UsageError, match=r"sib_share: found 0.7"):
        simulate_confidence(_frequencies(5), SimulatedCandidates(5, 5, sib_share=0.7))


@pytest.mark.parametrize(("k", "n"), [(0, 12), (3, 12), (12, 12)])
def test_binomial_share__equals_scipy_exact_interval(k, n):
    found = binomial_share(k, n, "x", "fish")
    reference = stats.binomtest(k, n).proportion_ci(method="exact")
    assert (found.value, found.low, found.high) == pytest.approx(
        (k / n, reference.low, reference.high), abs=1e-10
    )
