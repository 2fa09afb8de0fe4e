"""Totals: against conditioning of one large normal distribution, and no fish made or lost."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.lots.composition import balance_totals, follow
from broodstock.lots.ledger import Difference
from broodstock.lots.moves import Move, Pool

sys.path.insert(0, str(Path(__file__).resolve().parent))
from lot_events import START, event, tank


def test_totals__are_those_of_conditioning_a_normal_distribution():
    """The slow way: all errors in one vector, every number linear in it, counts conditioned on together."""
    moves = [
        event(0, "in", to=tank("A"), number=5000, error=0.02),
        event(1, "split", "A", 2000, tank("B", "T2"), error=0.05),
        event(2, "death", "A", 400, error=0.1),
        event(3, "count", "B", 1900, error=0.02),
        event(4, "split", "B", 700, tank("C", "T3"), error=0.05),
        event(5, "count", "A", 2650, error=0.03),
    ]
    ledger = balance_totals(moves)
    # Errors: of the fish in, split, death, count, split, count.
    sd = np.array([100.0, 100.0, 40.0, 38.0, 35.0, 79.5])
    a, b, c = np.zeros((3, 6))
    a[[0, 1, 2]] = 1, -1, -1
    b[[1, 4]] = 1, -1
    c[4] = 1
    b_counted = np.zeros(6)
    b_counted[[1, 3]] = 1, 1
    a_counted = a.copy()
    a_counted[5] = 1
    prior = np.diag(sd**2)
    seen = np.stack([b_counted, a_counted])
    gap = np.array([1900 - 2000, 2650 - 2600])
    gain = prior @ seen.T @ np.linalg.inv(seen @ prior @ seen.T)
    error = gain @ gap
    left = prior - gain @ seen @ prior
    for lot, row, start in (("A", a, 2600), ("B", b, 1300), ("C", c, 700)):
        number, spread = ledger.total(ledger.of_lot(lot))
        assert number == pytest.approx(start + row @ error)
        assert spread == pytest.approx(np.sqrt(row @ left @ row))


def test_count__beyond_its_error_is_a_loss_and_is_believed():
    moves = [
        event(0, "in", to=tank("A"), number=5000, error=0.01),
        event(9, "count", "A", 4000, error=0.01),
    ]
    ledger = balance_totals(moves)
    (loss,) = ledger.differences
    assert (loss.kind, loss.lot, loss.expected, loss.found) == ("loss", "A", 5000, 4000)
    assert loss.z == pytest.approx(-1000 / np.hypot(50, 40))
    assert loss.chance < 1e-12
    assert ledger.total(ledger.of_lot("A")) == pytest.approx((4000, 40))


def test_count__within_its_error_is_no_difference():
    moves = [event(0, "in", to=tank("A"), number=5000, error=0.02), event(9, "count", "A", 4900, error=0.02)]
    ledger = balance_totals(moves)
    assert ledger.differences == []
    assert len(ledger.checked) == 1
    assert ledger.checked[0].chance > 0.1


def test_more_out_than_in__is_found():
    """5 000 in, 5 240 out, both counted to 1 %: 3.3 standard errors."""
    moves = [
        event(0, "in", to=tank("A"), number=5000, error=0.01),
        event(9, "out", "A", 5240, error=0.01),
    ]
    (found,) = balance_totals(moves).differences
    assert (found.kind, found.expected, found.found) == ("more-out", 5000, 5240)
    assert found.standard_error == pytest.approx(np.hypot(50, 52.4))
    assert balance_totals([moves[0], event(9, "out", "A", 5100, error=0.01)]).differences == []


def test_counts__of_the_first_number_learnt_only_once():
    """More fish taken in small parts: the surplus shows when all are out."""
    moves = [event(0, "in", to=tank("A"), number=1000, error=0.01)]
    moves += [event(k, "out", "A", 120, error=0.01) for k in range(1, 11)]
    kinds = {d.kind for d in balance_totals(moves).differences}
    assert kinds == {"more-out", "empty"}


def test_fish_out_of_an_empty_lot__are_found():
    (found,) = balance_totals([event(3, "move", "A", 50, tank("A", "T2"))]).differences
    assert (found.kind, found.lot, found.found) == ("empty", "A", 50)


def test_closed_lot__with_fish_left_is_found():
    moves = [
        event(0, "in", to=tank("A"), number=500, error=0.01),
        event(5, "release", "A", 400, Pool("A", "released", "QL"), error=0.01),
    ]
    closed = {"A": (START + dt.timedelta(6), 2)}
    (found,) = balance_totals(moves, closed=closed).differences
    assert (found.kind, found.expected, found.found) == ("closed", 100, 0)
    assert balance_totals(moves, until=START + dt.timedelta(4), closed=closed).differences == []


def test_place_with_two_lots__is_counted_and_moved_together():
    moves = [
        event(0, "in", to=tank("A", "T1"), number=300, error=0.02),
        event(0, "in", to=tank("B", "T1"), number=100, error=0.02),
        Move("N", START + dt.timedelta(1), "count", place_kind="unit", place="T1", number=396, error=0.01),
        Move("M", START + dt.timedelta(2), "move", place_kind="unit", place="T1", number=40, error=0.0,
             target=Pool("", "unit", "TR-1")),
        Move("R", START + dt.timedelta(3), "release", place_kind="unit", place="TR-1",
             target=Pool("", "released", "QL")),
    ]  # fmt: skip
    state = follow(moves)
    gone = state.pools(lambda p: p.kind == "released")
    assert [p.lot for p in gone] == ["A", "B"]
    assert [round(state.composition([p]).total.value) for p in gone] == [30, 10]
    assert state.ledger.total(state.ledger.of_lot("A"))[0] == pytest.approx(267, abs=3)
    assert not state.pools(lambda p: p.place == "TR-1")


def test_difference__without_error_is_endless():
    assert Difference("surplus", "A", START, 5.0, 6.0, 0.0, 2, "E").z == np.inf
    assert Difference("surplus", "A", START, 5.0, 6.0, 0.0, 2, "E").chance == 0.0


EVENTS = st.lists(
    st.tuples(
        st.sampled_from(["split", "merge", "move", "count", "death", "cull", "release", "out", "in"]),
        st.sampled_from("ABC"),
        st.sampled_from("ABC"),
        st.sampled_from(["T1", "T2"]),
        st.one_of(st.none(), st.integers(0, 400)),
        st.sampled_from([0.0, 0.01, 0.1]),
    ),
    max_size=25,
)


def moves_from(drawn) -> list[Move]:
    moves = [event(0, "in", to=tank("A"), number=1000, error=0.01)]
    for day, (kind, lot, other, unit, number, error) in enumerate(drawn, 1):
        if kind in ("count", "death", "cull", "split", "in") and number is None:
            number = 30
        target = None
        if kind in ("in", "split", "merge"):
            target = tank(other, unit)
        elif kind == "move":
            target = tank(lot, unit)
        elif kind == "release":
            target = Pool(lot, "released", "QL")
        moves.append(event(day, kind, "" if kind == "in" else lot, number, target, error=error))
    return moves


@settings(max_examples=80, deadline=None)
@given(EVENTS)
def test_balance__fish_in_care_are_what_came_less_what_left(drawn):
    """For every lot and any history: its flows add up to what the ledger says is there."""
    ledger = balance_totals(moves_from(drawn))
    for lot, flow in ledger.flows.items():
        there, error = ledger.total(ledger.of_lot(lot))
        assert flow.balance == pytest.approx(there, abs=1e-6)
        assert error >= 0.0
    smallest = np.linalg.eigvalsh(ledger.covariance).min()
    assert smallest > -1e-6 * max(1.0, np.abs(ledger.covariance).max())


@settings(max_examples=25, deadline=None)
@given(EVENTS)
def test_families__fill_every_pool_of_any_history(drawn):
    """Numbers by family add up to the total of the pools, whatever happened."""
    from broodstock.lots.mixture import MixtureOptions

    state = follow(moves_from(drawn), options=MixtureOptions(100))
    for pool in state.pools():
        parts = state.composition([pool])
        if len(parts.families):
            assert (parts.numbers >= 0).all()
            sums = parts.numbers.sum(axis=0)
            low = state.ledger.total([state.ledger.pools.index(pool)])
            assert abs(float(np.median(sums)) - low[0]) <= 3.0 + low[1]
