"""Ghost tags: probabilities that mean what they say, and tags that cannot be ghosts."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ValueRangeError
from planner.monitor.ghosts import GhostParameters, site_histories, suspect_ghosts

CONNECTED = np.array([0, 0, 0, 1])


def simulate(rng, n, t=30, phi=0.96, move=0.3, left=0.3, stay=0.98, p=(0.4, 0.3, 0.5, 0.5), pg=0.95):
    s = len(p)
    site = rng.integers(0, s, n)
    release, release_site = rng.integers(0, 4, n), site.copy()
    looked = rng.random((s, t)) < 0.9
    state = np.zeros(n, dtype=int)
    who, when, where, hand = [], [], [], []
    ghost = np.zeros((n, t), dtype=bool)
    for j in range(1, t):
        on = release < j
        dies = on & (state == 0) & (rng.random(n) >= phi)
        fades = on & (state == 1) & (rng.random(n) >= stay)
        state[dies] = np.where(rng.random(n) < left, 1, 2)[dies]
        state[fades] = 2
        moves = on & (state == 0) & (rng.random(n) < move) & (site < 3)
        site[moves] = rng.integers(0, 3, n)[moves]
        chance = np.where(state == 0, np.array(p)[site], np.where(state == 1, pg, 0)) * looked[site, j]
        met = on & (rng.random(n) < chance)
        caught = on & (state == 0) & (rng.random(n) < 0.02)
        for found, by_hand in ((met, False), (caught, True)):
            k = np.nonzero(found)[0]
            who.append(k)
            when.append(np.full(len(k), j))
            where.append(site[k])
            hand.append(np.full(len(k), by_hand))
        ghost[:, j] = state == 1
    arrays = [np.concatenate(x) for x in (who, when, where, hand)]
    return site_histories(*arrays, release, release_site, looked, CONNECTED), ghost


def test_ghosts__probabilities_are_calibrated():
    rng = np.random.default_rng(17)
    h, ghost = simulate(rng, 1500)
    got = suspect_ghosts(h)
    met = (h.scanned_at >= 0) | (h.caught_at >= 0)
    last = met.shape[1] - 1 - np.argmax(met[:, ::-1], axis=1)
    truth = ghost[np.arange(len(last)), last] & met.any(axis=1)
    p = got.at_last_contact
    for low, high in ((0, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1.01)):
        inside = (p >= low) & (p < high)
        if inside.sum() >= 20:
            spread = np.sqrt((p[inside] * (1 - p[inside])).sum()) + 1
            assert abs(truth[inside].sum() - p[inside].sum()) < 3.5 * spread
    assert abs(got.expected.value - truth.sum()) < 0.25 * truth.sum()
    sure = p > 0.9
    assert sure.sum() > 100
    assert truth[sure].mean() > 0.93
    q = got.parameters
    assert q.survival == pytest.approx(0.96, abs=0.01)
    assert q.movement == pytest.approx(0.3, abs=0.05)
    assert q.ghost_scanned == pytest.approx(0.95, abs=0.02)
    np.testing.assert_allclose(q.scanned, [0.4, 0.3, 0.5, 0.5], atol=0.05)


def test_ghosts__moved_or_in_the_hand_is_alive():
    looked = np.ones((2, 12), dtype=bool)
    t = np.arange(1, 12)
    tag = np.concatenate([np.zeros(11), np.ones(11), np.full(11, 2), [3] * 11, [1, 2]]).astype(int)
    when = np.concatenate([t, t, t, t, [11, 11]])
    site = np.concatenate([np.zeros(11), np.zeros(11), np.zeros(11), t % 2, [0, 1]]).astype(int)
    caught = np.zeros(len(tag), dtype=bool)
    caught[-2] = True  # tag 1 in the hand in the last occasion; tag 2 scanned in two waters then
    h = site_histories(tag, when, site, caught, np.zeros(4, int), np.zeros(4, int), looked)
    chances = GhostParameters(0.96, 0.3, np.full(2, 0.5), 0.3, 0.98, np.full(2, 0.4), 0.95)
    got = suspect_ghosts(h, known=chances)
    assert got.at_last_contact[0] > 0.95
    assert got.at_last_contact[1] == 0.0
    assert got.at_last_contact[2] == 0.0
    assert got.at_last_contact[3] < 1e-6
    assert got.since[0] >= 1
    assert got.since[1] == -1


def test_ghosts__relabelled_waters_and_tags_change_nothing():
    h, _ = simulate(np.random.default_rng(2), 200, t=12)
    a = suspect_ghosts(h, most_iterations=30)
    order = np.random.default_rng(1).permutation(200)
    b = suspect_ghosts(
        type(h)(
            h.release[order], h.release_site[order], h.scanned_at[order], h.several[order], h.caught_at[order],
            h.looked, h.connected,
        ),
        most_iterations=30,
    )  # fmt: skip
    np.testing.assert_allclose(a.at_last_contact[order], b.at_last_contact, atol=1e-8)


def test_ghosts__clear_statements():
    none = np.zeros(0, dtype=int)
    looked = np.ones((2, 5), dtype=bool)
    h = site_histories(none, none, none, none.astype(bool), np.zeros(3, int), np.zeros(3, int), looked)
    got = suspect_ghosts(h)
    assert got.reason == "no tag was scanned after its release"
    assert got.expected.text() == "not estimable because no tag was scanned after its release"
    with pytest.raises(ValueRangeError, match="found scans where no reader worked"):
        site_histories([0], [2], [1], [False], [0], [0], np.zeros((2, 5), dtype=bool))
