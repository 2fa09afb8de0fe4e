"""The lots of the practice programme: what is believed is scored against what is true."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from broodstock.lots.composition import follow
from broodstock.lots.mixture import MixtureOptions
from broodstock.lots.moves import Move
from broodstock.lots.records import closed_lots, moves_of
from planner.demo.make import demo_in_memory


@pytest.fixture(scope="module")
def full():
    return demo_in_memory("full", with_scans=False)


@pytest.fixture(scope="module")
def moves(full) -> list[Move]:
    return moves_of(full[0].tables["group_moves"])


def scored(moves: list[Move], truth: pd.DataFrame) -> pd.DataFrame:
    """One row per family, lot, place and day: inside its interval, error and width of the share."""
    rows = []
    for on, day in truth.groupby("on"):
        state = follow(moves, on.date(), MixtureOptions(800))
        for (lot, place), here in day.groupby(["lot", "place"]):
            pools = [p for p in state.ledger.pools if p.lot == lot and p.place == place]
            parts = state.composition(pools)
            if not parts.shares.shape[1]:
                continue
            total = int(here["number"].sum())
            for family, n in zip(here["family"], here["number"], strict=True):
                share, e = parts.share(family), parts.number(family)
                rows.append(
                    {
                        "on": on,
                        "lot": lot,
                        "inside": e.low <= n <= e.high,
                        "error": abs(share.value - n / total),
                        "width": share.high - share.low,
                        "absent": parts.absent(family),
                    }
                )
    return pd.DataFrame(rows)


def test_composition__intervals_hold_the_hidden_truth(full, moves):
    """Deaths are known as totals only, and the families of the demo fare far from alike."""
    truth = full[0].lot_truth
    days = ["2023-08-30", "2023-11-23", "2024-02-18", "2024-05-21", "2024-06-06", "2024-09-24"]
    score = scored(moves, truth[truth["on"].isin(pd.to_datetime(days))])
    assert len(score) > 300
    assert score["inside"].mean() > 0.94
    assert score["absent"].mean() < 0.12
    assert score["error"].mean() < 0.06


def test_dna_samples__of_the_demo_narrow_what_is_believed(full, moves):
    truth = full[0].lot_truth
    autumn = truth[truth["on"].eq("2024-09-24")]
    with_dna = scored(moves, autumn)
    without = scored([m for m in moves if m.kind != "dna-sample"], autumn)
    assert with_dna["width"].mean() < 0.8 * without["width"].mean()
    assert with_dna["error"].mean() < 0.8 * without["error"].mean()
    assert with_dna["inside"].mean() > 0.9


def test_lots__end_with_the_tagged_fish_of_their_unit(full, moves):
    """The truth of September is the table of tagged fish, and the ledger counts as many."""
    demo = full[0]
    stock = demo.history.stock
    truth = demo.lot_truth
    autumn = truth[truth["on"].eq("2024-09-24")]
    tagged = (
        pd.Series(1, index=pd.MultiIndex.from_arrays([stock.unit, stock.family])).groupby(level=[0, 1]).sum()
    )
    told = autumn.set_index(["place", "family"])["number"]
    assert told.to_dict() == {(str(u), str(f)): int(n) for (u, f), n in tagged.items()}
    ledger = follow(moves, dt.date(2024, 10, 20), MixtureOptions(100)).ledger
    for unit, n in autumn.groupby("place")["number"].sum().items():
        number, error = ledger.total([k for k, p in enumerate(ledger.pools) if p.place == unit])
        assert abs(number - n) <= 4 * error + 0.5


def test_lots__only_the_planted_lot_does_not_balance(full, moves):
    lots = full[0].tables["lots"]
    state = follow(moves, dt.date(2024, 10, 20), MixtureOptions(100), closed=closed_lots(lots))
    (found,) = state.ledger.differences
    assert (found.kind, found.expected, found.found) == ("more-out", 5000, 5240)
    assert not state.surprises


def test_lots__every_seed_is_sound():
    for seed in range(2):
        demo = demo_in_memory("tiny", seed, with_scans=False)[0]
        moves = moves_of(demo.tables["group_moves"])
        assert len(moves) == len(demo.tables["group_moves"])
        state = follow(moves, options=MixtureOptions(100), closed=closed_lots(demo.tables["lots"]))
        assert [d.kind for d in state.ledger.differences] == ["more-out"]
        assert np.isfinite(state.ledger.mean).all()
