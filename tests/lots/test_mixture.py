"""Families through splits, deaths and DNA: against scipy's distributions, and calibrated by simulation."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chisquare, multivariate_hypergeom, poisson

from broodstock.errors import ValueRangeError
from broodstock.lots.closed_form import absence_after_split, dirichlet_multinomial_posterior
from broodstock.lots.composition import LotState, follow
from broodstock.lots.evidence import log_likelihood, systematic_ancestors, tail_chance
from broodstock.lots.ledger import Ledger
from broodstock.lots.mixture import Mixture, MixtureOptions
from broodstock.lots.moves import Move

sys.path.insert(0, str(Path(__file__).resolve().parent))
from lot_events import event, tank

EQUAL_RISK = MixtureOptions(20_000, risk_spread=0.0, sort_correlation=0.0)


def shares_in(state: LotState, lot: str):
    return state.composition(state.pools(lambda p: p.lot == lot))


@pytest.mark.parametrize(
    ("numbers", "taken"), [([50, 50], 50), ([90, 10], 50), ([30, 20, 10, 2], 15), ([400, 5], 200)]
)
def test_split__is_multivariate_hypergeometric(numbers, taken):
    """Exact mean, variance and chance of absence of a random split of known numbers (scipy)."""
    families = {f"F{i}": n for i, n in enumerate(numbers)}
    moves = [
        event(0, "in", to=tank("A"), number=sum(numbers), families=families),
        event(1, "split", "A", taken, tank("B", "T2")),
    ]
    state = follow(moves, options=EQUAL_RISK, seed=3)
    exact = np.diag(np.atleast_2d(multivariate_hypergeom.cov(numbers, taken)))
    absent = absence_after_split(np.array(numbers), taken)
    parts = shares_in(state, "B")
    for i, (f, n) in enumerate(families.items()):
        draws = parts.numbers[parts.families.index(f)]
        assert draws.mean() == pytest.approx(taken * n / sum(numbers), rel=0.02, abs=0.03)
        # Rounding to whole fish widens groups of a few fish by a sixth of a fish.
        assert draws.std() == pytest.approx(np.sqrt(exact[i]), rel=0.06, abs=0.17)
        assert parts.absent(f) == pytest.approx(absent[i], abs=0.02)
    assert (parts.numbers.sum(axis=0) == taken).all()


@pytest.mark.parametrize("n_families", [2, 3, 12])
def test_dna_sample__gives_the_dirichlet_multinomial_posterior(n_families):
    """Negative binomial numbers given their sum are Dirichlet-multinomial; so is what a sample leaves (scipy)."""
    rng = np.random.default_rng(5)
    alpha = np.linspace(1.5, 4.0, n_families)
    number, size = 300, 40
    typed = rng.multinomial(size, rng.dirichlet(alpha))
    mixture, ledger = Mixture(EQUAL_RISK, rng), Ledger()
    ledger.apply(event(0, "in", to=tank("A"), number=number))
    for f in range(n_families):
        fish = rng.negative_binomial(alpha[f], alpha.sum() / (alpha.sum() + number), 20_000)
        mixture.add(0, mixture.family(f"F{f}"), fish)
    sample = event(1, "dna-sample", "A", families={f"F{f}": int(x) for f, x in enumerate(typed)})
    mixture.apply(sample, ledger.apply(sample), ledger.mean)
    mean, variance, absent = dirichlet_multinomial_posterior(alpha, typed, number)
    parts = shares_in(LotState(ledger, mixture, (), None), "A")
    for f in range(n_families):
        draws = parts.numbers[parts.families.index(f"F{f}")]
        assert draws.mean() == pytest.approx(mean[f], rel=0.05, abs=0.6)
        assert draws.std() == pytest.approx(np.sqrt(variance[f]), rel=0.1)
        assert parts.absent(f"F{f}") == pytest.approx(absent[f], abs=0.03)


def test_dna_sample__of_all_fish_leaves_no_doubt():
    moves = [
        event(0, "in", to=tank("A"), number=30, families={"X": 10, "Y": 10, "Z": 10}),
        event(1, "split", "A", 12, tank("B", "T2")),
        event(2, "dna-sample", "B", families={"X": 7, "Y": 5}),
    ]
    state = follow(moves, options=EQUAL_RISK)
    parts = shares_in(state, "B")
    assert {f: (e.low, e.high) for f in "XYZ" if (e := parts.number(f))} == {
        "X": (7, 7),
        "Y": (5, 5),
        "Z": (0, 0),
    }
    rest = shares_in(state, "A")
    assert [rest.number(f).value for f in "XYZ"] == pytest.approx([3, 5, 10], abs=0.01)
    assert parts.absent("Z") == 1.0
    assert rest.absent("Z") == 0.0


def test_dna_sample__of_a_part_tells_about_the_other_part():
    """Families die unequally before the split; a sample of one half then moves both halves the same way."""
    families = {f"F{i}": 300 for i in range(6)}
    moves = [
        event(0, "in", to=tank("A"), number=1800, families=families),
        event(1, "death", "A", 1400),
        event(2, "split", "A", 200, tank("B", "T2")),
    ]
    typed = {"F0": 30, "F1": 6, "F2": 6, "F3": 6, "F4": 6, "F5": 6}
    before = follow(moves)
    after = follow([*moves, event(3, "dna-sample", "B", families=typed)])
    for lot in "AB":
        assert (
            shares_in(after, lot).probabilities()["F0"] > 1.6 * shares_in(before, lot).probabilities()["F0"]
        )
        now, then = shares_in(after, lot).share("F1"), shares_in(before, lot).share("F1")
        assert now.high - now.low < then.high - then.low


def test_intervals__are_calibrated():
    """Simulation-based calibration: the truth is drawn from the stated model, fish by fish where it can be."""
    covered, ranks = calibration(runs=60, particles=1000)
    assert covered == pytest.approx(0.95, abs=0.025)
    counts = np.bincount((ranks * 5).astype(int).clip(max=4), minlength=5)
    assert chisquare(counts).pvalue > 1e-4, counts


@pytest.mark.slow
def test_intervals__are_calibrated_in_many_runs():
    covered, ranks = calibration(runs=600, particles=2000)
    # Intervals of whole fish cover a little more than 95 %.
    assert 0.94 < covered < 0.975
    assert abs(ranks.mean() - 0.5) < 0.02


def calibration(runs: int, particles: int):
    """Return the share of true family numbers inside their intervals, and their ranks among the draws."""
    rng = np.random.default_rng(17)
    options = MixtureOptions(particles, risk_spread=0.5, sort_correlation=0.0)
    inside, ranks = [], []
    for run in range(runs):
        kept = rng.integers(40, 160, 8)
        risk = np.exp(0.5 * rng.standard_normal(8))
        moves = [event(0, "in", to=tank("A"), number=int(kept.sum()), families=named(kept))]
        died = rng.binomial(kept, 1 - 0.5**risk)
        moves.append(event(1, "death", "A", int(died.sum())))
        kept = kept - died
        size = int(kept.sum()) // 3
        part = rng.multivariate_hypergeometric(kept, size)
        moves.append(event(2, "split", "A", size, tank("B", "T2")))
        rest = kept - part
        died = rng.binomial(part, 1 - 0.7**risk)
        moves.append(event(3, "death", "B", int(died.sum())))
        part = part - died
        sample = rng.multivariate_hypergeometric(part, min(30, int(part.sum())))
        wrong = rng.binomial(sample, 0.02)
        typed = sample - wrong
        for f in np.repeat(np.arange(8), wrong):
            typed[rng.choice(np.delete(np.arange(8), f))] += 1
        moves.append(event(4, "dna-sample", "B", families=named(typed), family_error=0.02))
        state = follow(moves, options=options, seed=run)
        for lot, truth in (("A", rest), ("B", part)):
            parts = shares_in(state, lot)
            for f, n in enumerate(truth):
                e = parts.number(f"F{f}")
                inside.append(e.low <= n <= e.high)
                draws = parts.numbers[parts.families.index(f"F{f}")]
                ranks.append((draws < n).mean() + rng.random() * (draws == n).mean())
    return float(np.mean(inside)), np.array(ranks)


def named(numbers) -> dict[str, int]:
    return {f"F{i}": int(n) for i, n in enumerate(numbers)}


def test_families__in_another_order_give_the_same():
    families = {f"F{i}": 20 + 30 * i for i in range(6)}
    typed = {"F5": 9, "F0": 4, "F3": 2}

    def answer(order: list[str]) -> dict[str, float]:
        moves = [
            event(0, "in", to=tank("A"), number=570, families={f: families[f] for f in order}),
            event(1, "death", "A", 200),
            event(2, "dna-sample", "A", families=typed, family_error=0.01),
        ]
        return shares_in(follow(moves, options=MixtureOptions(20_000)), "A").probabilities()

    a, b = answer(sorted(families)), answer(sorted(families, reverse=True))
    assert a == pytest.approx(b, abs=0.006)


def test_split_and_merge__changes_nothing():
    families = {"X": 70, "Y": 20, "Z": 10}
    start = [event(0, "in", to=tank("A"), number=100, families=families)]
    there = [event(1, "split", "A", 40, tank("B", "T2")), event(2, "merge", "B", None, tank("A"))]
    state = follow([*start, *there])
    parts = shares_in(state, "A")
    assert parts.total.value == 100
    assert all((parts.numbers[parts.families.index(f)] == n).all() for f, n in families.items())
    assert not state.pools(lambda p: p.lot == "B")


def test_fish__are_neither_made_nor_lost():
    """Every particle of every family keeps its fish over splits, moves and merges."""
    families = {f"F{i}": 10 * i + 5 for i in range(5)}
    moves = [
        event(0, "in", to=tank("A"), number=125, families=families),
        event(1, "split", "A", 60, tank("B", "T2")),
        event(2, "split", "B", 20, tank("C", "T3")),
        event(3, "move", "A", 30, tank("A", "T4")),
        event(4, "merge", "C", None, tank("A")),
        event(5, "release", "B", 15, tank("B", "T2")._replace(kind="released", place="QL")),
    ]
    mixture = follow(moves, options=MixtureOptions(500)).mixture
    for name, n in families.items():
        f = mixture.families.index(name)
        assert (sum(here[f] for here in mixture.numbers.values() if f in here) == n).all()


def test_known_families__leave_first():
    moves = [
        event(0, "in", to=tank("A"), number=100, families={"X": 60, "Y": 40}),
        event(1, "death", "A", 45, families={"X": 45}),
    ]
    parts = shares_in(follow(moves), "A")
    assert {f: parts.number(f).value for f in "XY"} == pytest.approx({"X": 15, "Y": 40}, abs=0.05)


def test_dead_fish_of_known_family__prove_that_there_were_so_many():
    moves = [
        event(0, "in", to=tank("A"), number=40, families={"X": 20, "Y": 20}),
        event(1, "split", "A", 20, tank("B", "T2")),
        event(2, "death", "B", 14, families={"X": 14}),
    ]
    state = follow(moves, options=EQUAL_RISK)
    exact = multivariate_hypergeom([20, 20], 20)
    weight = np.array([float(exact.pmf([k, 20 - k])) for k in range(14, 21)])
    expected = float(weight @ (20 - np.arange(14, 21)) / weight.sum())
    assert shares_in(state, "A").number("X").value == pytest.approx(expected, abs=0.3)


def test_unknown_family__is_named_by_dna():
    moves = [
        event(0, "in", to=tank("A"), number=400),
        event(1, "dna-sample", "A", families={"X": 30, "Y": 10}, family_error=0.01),
    ]
    parts = shares_in(follow(moves), "A")
    assert parts.probabilities()["X"] == pytest.approx(30 / 41, abs=0.03)
    assert parts.probabilities()[""] < 0.06
    assert "unknown family" in parts.effective_families.note


def test_unexpected_family__is_a_surprise_and_is_believed():
    moves = [
        event(0, "in", to=tank("A"), number=400, families={"X": 300, "Y": 100}),
        event(1, "dna-sample", "A", families={"X": 28, "Y": 9, "W": 8}, family_error=0.01),
    ]
    state = follow(moves)
    assert [(s.family, s.number) for s in state.surprises] == [("W", 8.0)]
    assert state.surprises[0].chance < 1e-6
    assert 0.08 < shares_in(state, "A").share("W").value < 0.3
    one = [moves[0], event(1, "dna-sample", "A", families={"X": 28, "Y": 9, "W": 1}, family_error=0.01)]
    assert follow(one).surprises == []


def test_risk_spread__widens_intervals():
    moves = [
        event(0, "in", to=tank("A"), number=600, families={f"F{i}": 100 for i in range(6)}),
        event(1, "death", "A", 400),
    ]
    width = []
    for spread in (0.0, 0.3, 0.8):
        e = shares_in(follow(moves, options=MixtureOptions(4000, spread)), "A").share("F0")
        width.append(e.high - e.low)
    assert width[0] < width[1] < width[2]


def test_effective_families__of_equal_families_is_their_number():
    moves = [event(0, "in", to=tank("A"), number=600, families={f"F{i}": 100 for i in range(6)})]
    e = shares_in(follow(moves), "A").effective_families
    assert (e.low, e.value, e.high) == pytest.approx((6, 6, 6))
    none = follow([event(0, "in", to=tank("A"), number=9)])
    assert "no fish of known family" in shares_in(none, "A").effective_families.reason


def test_log_likelihood__is_binomial_plus_poisson():
    """Against scipy: every number of right and wrong fish, one by one."""
    from scipy.stats import binom

    there = np.array([0, 1, 3, 10, 40])
    got = np.exp(log_likelihood(4, there, 0.3, 0.5))
    slow = [sum(binom.pmf(k, n, 0.3) * poisson.pmf(4 - k, 0.5) for k in range(5)) for n in there]
    assert got == pytest.approx(slow)
    assert np.isneginf(log_likelihood(4, there, 0.3, 0.0)[:3]).all()
    assert np.exp(log_likelihood(3, np.array([2, 3, 4]), 1.0, 0.0)) == pytest.approx([0, 1, 0])


def test_systematic_ancestors__copies_each_within_one_of_its_share():
    rng = np.random.default_rng(2)
    weight = rng.random(400) ** 3
    copies = np.bincount(systematic_ancestors(weight, rng), minlength=400)
    assert (np.abs(copies - 400 * weight / weight.sum()) < 1).all()


def test_tail_chance__is_that_of_scipy():
    for x, mean in ((0, 1.0), (1, 0.2), (3, 0.5), (8, 0.4)):
        assert tail_chance(x, mean) == pytest.approx(float(poisson.sf(x - 1, mean)), abs=1e-12)
    assert tail_chance(2, 0.0) == 0.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"particles": 10}, r"lots, particles: found 10\. Expected 100 or more"),
        ({"risk_spread": 4.0}, r"lots, risk_spread: found 4\.0\. Expected 0 to 3"),
        ({"sort_correlation": 1.0}, r"lots, sort_correlation: found 1\.0\. Expected 0 to below 1"),
    ],
)
def test_options__raise_outside_their_range(arguments, message):
    with pytest.raises(ValueRangeError, match=message):
        MixtureOptions(**arguments)


def test_follow__same_seed_gives_the_same():
    moves: list[Move] = [
        event(0, "in", to=tank("A"), number=100, families={"X": 60, "Y": 40}),
        event(1, "split", "A", 30, tank("B", "T2")),
    ]
    a, b = (shares_in(follow(moves, seed=4), "B").numbers for _ in range(2))
    assert (a == b).all()
