"""The hidden history is possible: parents live and are grown, truth and records tell the same story."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from planner.demo.breeders import breeders_of, breeders_of_shares, hidden_losses
from planner.demo.days import NEVER, day
from planner.demo.parameters import TRUTH
from planner.demo.sampling import choose_weighted, split_in_proportion, split_total


@pytest.mark.parametrize("size", ["tiny", "full"])
def test_parents__are_grown_and_alive(size, request):
    fish = request.getfixturevalue(size)[0].history.fish
    young = np.flatnonzero(fish.dam >= 0)
    for parent, sex, least in ((fish.dam[young], 0, 2.6), (fish.sire[young], 1, 1.85)):
        assert (parent < young).all()
        assert (fish.sex[parent] == sex).all()
        age = (fish.hatched[young] - fish.hatched[parent]) / 365.25
        assert age.min() >= least
        assert age.max() <= 43
        # Eggs hatch within weeks; larvae of a mother that died in spring may hatch after her.
        assert (fish.died[parent] > fish.hatched[young] - 100).all()
    assert (fish.died > fish.hatched).all()


@pytest.mark.parametrize("size", ["tiny", "full"])
def test_crosses__use_fish_in_care(size, request):
    history = request.getfixturevalue(size)[0].history
    brood, dishes = history.brood, history.dishes
    for i in range(len(dishes)):
        for parent, sex in ((dishes.dam[i], 0), (dishes.sire[i], 1)):
            assert brood.entered[parent] < dishes.made_on[i] < brood.left[parent]
            assert history.fish.sex[brood.rows[parent]] == sex
            assert brood.ready[parent] <= dishes.season[i]
    steps = zip(dishes.eggs, dishes.fertilised, dishes.hatched, dishes.swim_up, dishes.kept, strict=True)
    assert all(a >= b >= c >= d >= e for a, b, c, d, e in steps)


def test_crosses__avoid_kin(full):
    brood, dishes = full[0].history.brood, full[0].history.dishes
    kin = [brood.related(d, s) for d, s in zip(dishes.recorded_dam, dishes.sire, strict=True)]
    assert np.mean(kin) < 0.01


@pytest.mark.parametrize("size", ["tiny", "full"])
def test_recorded_parents__differ_from_the_truth_only_where_planted(size, request):
    demo, truth, _, planted = request.getfixturevalue(size)
    recorded = demo.tables["fish"].set_index("fish_id")
    real = truth["parents"].query("kind == 'fish'").set_index("name")
    born = recorded.index[recorded["origin"] == "hatchery"]
    differ = {f for f in born if (recorded.loc[f, ["dam", "sire"]] != real.loc[f, ["dam", "sire"]]).any()}
    swapped = {p.what.split("; ")[-1] for p in planted if p.number == 15 and p.file == "samples.csv"}
    missing = {p.key for p in planted if p.number == 16}
    assert len(missing) == 1
    assert swapped
    assert differ == swapped | missing


def test_hidden_truth__sex_differs_from_the_record_only_where_planted(full):
    demo, truth, _, planted = full
    recorded = demo.tables["fish"].set_index("fish_id")["sex"]
    real = truth["parents"].query("kind == 'fish'").set_index("name")["sex"]
    known = recorded[recorded != "unknown"]
    assert set(known.index[known != real[known.index]]) == {p.key for p in planted if p.number == 11}


def test_breeders_of__published_cases():
    """Family sizes and values: males 30, 10, 10 and five females of 10; five pairs of 10 (Crow & Denniston 1988 form)."""
    dams = np.repeat(np.arange(5), 10)
    sires = np.repeat(np.arange(3), [30, 10, 10])
    found = breeders_of(dams, sires)
    assert found.males == pytest.approx(2.333333, abs=1e-6)
    assert found.females == pytest.approx(5.444444, abs=1e-6)
    assert found.both == pytest.approx(6.533333, abs=1e-6)
    assert breeders_of(dams, dams).both == pytest.approx(10.888889, abs=1e-6)


def test_breeders_of__is_the_chance_to_share_a_parent():
    """One over the effective number of a sex is the share of pairs of young that have that parent in common."""
    rng = np.random.default_rng(4)
    for _ in range(5):
        dams, sires = rng.integers(0, 6, 40), rng.integers(0, 4, 40)
        found = breeders_of(dams, sires)
        pairs = list(itertools.combinations(range(40), 2))
        assert 1 / found.females == pytest.approx(np.mean([dams[a] == dams[b] for a, b in pairs]))
        assert 1 / found.males == pytest.approx(np.mean([sires[a] == sires[b] for a, b in pairs]))
        assert found.both == pytest.approx(4 * found.females * found.males / (found.females + found.males))


def test_breeders_of__raises_on_one_young():
    with pytest.raises(ValueError, match=r"found 1 young\. Expected at least two"):
        breeders_of(np.array([1]), np.array([2]))


def test_breeders_of_shares__planned_season():
    """24 females with three males each, 26 males used two or three times: 49.37."""
    dams = np.repeat(np.arange(24), 3)
    sires = np.concatenate([np.tile(np.arange(26), 2), np.arange(20)])
    assert breeders_of_shares(np.ones(72), dams, sires) == pytest.approx(49.37, abs=0.005)


def test_hidden_losses__end_at_the_target():
    rng = np.random.default_rng(8)
    dams, sires = np.repeat(np.arange(24), 3), rng.integers(0, 26, 72)
    share, steps, pooled = hidden_losses(dams, sires, np.arange(72) > 5, 49.0, 31.0, rng)
    assert steps[-1].breeders == pytest.approx(31.0, abs=1e-6)
    assert breeders_of_shares(share, dams, sires) == pytest.approx(31.0, abs=1e-6)
    assert (share[:6] == 0).all()
    assert (share[6:] > 0).all()
    assert len(pooled) >= 3
    assert all(a.breeders >= b.breeders - 1e-9 for a, b in itertools.pairwise(steps))


def test_truth__breeders_of_the_stock_are_31_where_the_plan_said_49(full):
    demo, truth, *_ = full
    row = truth["breeders"].query("year_class == 2024 and line == 'hatchery'").iloc[0]
    assert row["effective_breeders"] == pytest.approx(31, abs=1.0)
    losses = truth["losses"].set_index("step")["effective_breeders"]
    assert losses["planned"] == 49
    assert losses["pond"] == pytest.approx(31, abs=0.01)
    # The same from the table of parents alone.
    stock = truth["parents"].query("kind == 'stock'")
    bred = demo.tables["stock"]["family"].str.startswith("H").to_numpy()
    dams = stock["true_dam"].to_numpy()[bred]
    sires = stock["true_sire"].to_numpy()[bred]
    shared = [pd.Series(x).value_counts().to_numpy(dtype=float) for x in (dams, sires)]
    chance = sum((k * (k - 1)).sum() / (len(dams) * (len(dams) - 1)) for k in shared) / 4
    assert row["effective_breeders"] == pytest.approx(1 / chance, rel=1e-4)


def test_truth__every_year_class_has_breeders(full):
    breeders = full[1]["breeders"]
    wild = breeders[breeders["line"] == "wild-larvae"].set_index("year_class")
    assert set(wild.index) == set(range(2012, 2025))
    # Skewed success: far fewer effective than parents that left young.
    assert (wild["effective_breeders"] < 0.5 * (wild["n_dams"] + wild["n_sires"])).all()
    assert (wild["effective_breeders"] > 30).all()


def test_survival__follows_the_true_curve(full):
    """Fish alive after a year against the sum of their true chances, lake events together and one by one."""
    table = full[1]["survival"].dropna(subset=["alive_after_a_year"])
    lake = table[table["site_id"].isin(["UN", "GW", "BB", "DP"])]
    expected = lake["n"] * lake["true_chance"]
    error = np.sqrt((lake["n"] * lake["true_chance"] * (1 - lake["true_chance"])).sum())
    assert lake["alive_after_a_year"].sum() == pytest.approx(expected.sum(), abs=4 * error)
    one = (lake["alive_after_a_year"] - expected) / np.sqrt(expected * (1 - lake["true_chance"]))
    assert one.abs().max() < 4.5
    by_season = lake.groupby("season")["true_chance"].mean()
    assert by_season["summer"] < 0.5 * by_season["autumn"]


def test_survival__doubles_from_300_to_350_mm(full):
    curve = full[1]["curves"].query("site_id == 'BB' and season == 'autumn'").set_index("total_length_mm")
    assert curve.loc[350, "first_year"] / curve.loc[300, "first_year"] > 1.9
    assert curve.loc[200, "first_year"] < 0.03


def test_tag_loss__is_as_stated(full):
    released = full[0].history.released
    life, on = released.life, released.on
    year_on = np.minimum(life.died, NEVER) > on + 365
    seen = year_on & (on + 365 <= day("2024-10-20"))
    shed = (life.lost_tag[seen] <= on[seen] + 365).mean()
    rate = TRUTH.tag_loss_first_year
    assert shed == pytest.approx(rate, abs=4 * np.sqrt(rate * (1 - rate) / seen.sum()) + 0.01)


def test_wild_stock__declines_without_recruits(full):
    adults = full[1]["adults"].set_index("year")
    assert 1700 <= adults.loc[2012, "wild"] <= 2500
    assert adults["wild"].is_monotonic_decreasing
    assert adults.loc[2024, "repatriates"] > 2 * adults.loc[2024, "wild"]


def test_choose_weighted__counts_and_zero_weights():
    rng = np.random.default_rng(1)
    weights = np.array([0.0, 1.0, 3.0, 0.0, 6.0])
    first = np.zeros(5)
    for _ in range(4000):
        chosen = choose_weighted(rng, weights, 1)
        first[chosen] += 1
    assert first[[0, 3]].sum() == 0
    assert first / 4000 == pytest.approx(weights / 10, abs=0.035)
    with pytest.raises(ValueError, match=r"found 3 to choose from\. Expected at least 4"):
        choose_weighted(rng, weights, 4)


def test_split__totals_are_exact():
    rng = np.random.default_rng(1)
    parts = split_total(rng, np.array([1.0, 2.0, 5.0]), 100, at_least=10)
    assert parts.sum() == 100
    assert parts.min() >= 10
    assert split_in_proportion(np.array([1.0, 1.0, 1.0]), 10).tolist() == [4, 3, 3]
    with pytest.raises(ValueError, match="found a total of 5"):
        split_total(rng, np.ones(3), 5, at_least=2)
