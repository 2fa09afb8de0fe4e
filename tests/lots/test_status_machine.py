"""States of a fish: which may follow which, and walks at random."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broodstock.checks.status_machine import IN_CARE, MAY_FOLLOW, forbidden_jumps, may_follow
from broodstock.errors import UsageError
from broodstock.fields import table

STATES = st.sampled_from(sorted(MAY_FOLLOW))


@st.composite
def lives(draw) -> list[str]:
    """A life that keeps the rules, from the egg."""
    states = ["eggs-or-larvae"]
    for _ in range(draw(st.integers(0, 12))):
        nexts = sorted(MAY_FOLLOW[states[-1]])
        if not nexts:
            break
        states.append(draw(st.sampled_from(nexts)))
    return states


@given(lives())
def test_forbidden_jumps__a_life_by_the_rules_has_none(states):
    assert forbidden_jumps(states) == []
    assert "dead" not in states[:-1]
    for before, after in itertools.pairwise(states):
        if before in ("released", "seen") and after in IN_CARE:
            raise AssertionError("back in care without a capture")


@given(st.lists(STATES, max_size=15))
def test_forbidden_jumps__leaving_them_out_leaves_a_life_by_the_rules(states):
    wrong = set(forbidden_jumps(states))
    rest = [s for i, s in enumerate(states) if i not in wrong]
    assert forbidden_jumps(rest) == []
    assert 0 not in wrong


@given(lives(), st.data())
def test_forbidden_jumps__nothing_lives_after_death(states, data):
    alive = [s for s in states if s != "dead"]
    after = data.draw(st.lists(st.sampled_from(sorted(set(MAY_FOLLOW) - {"dead"})), min_size=1, max_size=5))
    dead = [*alive, "dead", *after] if may_follow(alive[-1], "dead") else ["brood", "dead", *after]
    first = len(dead) - len(after)
    assert forbidden_jumps(dead) == list(range(first, len(dead)))


@pytest.mark.parametrize(
    ("before", "after", "may"),
    [
        ("eggs-or-larvae", "juveniles", True),
        ("juveniles", "eggs-or-larvae", False),
        ("juveniles", "brood", False),
        ("individual", "brood", True),
        ("brood", "captured", False),
        ("released", "released", False),
        ("released", "brood", False),
        ("captured", "brood", True),
        ("captured", "captured", True),
        ("dead", "seen", False),
        ("lost", "seen", True),
    ],
)
def test_may_follow__as_the_trade_says(before, after, may):
    assert may_follow(before, after) is may


def test_may_follow__raises_on_an_unknown_state():
    with pytest.raises(UsageError, match=r"status: found 'sold'\. Expected one of eggs-or-larvae, juveniles"):
        may_follow("brood", "sold")


def test_states__cover_the_words_of_the_table_of_fish():
    assert set(table("fish").column("status").choices) <= set(MAY_FOLLOW)
    assert set().union(*MAY_FOLLOW.values()) <= set(MAY_FOLLOW)


def test_status_order__a_fish_moved_by_a_capture_is_no_jump():
    """Released, caught at a backwater, released elsewhere: nothing to report."""
    import sys
    from pathlib import Path

    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "checks"))
    from sound_programme import SETTINGS, TODAY, code, frames

    from broodstock.checks.run import run_checks

    rows = {
        "releases": [
            {"event": "E1", "released_on": "2022-11-12", "site_id": "GW", "tag": code(1)},
            {"event": "E2", "released_on": "2023-04-02", "site_id": "BB", "tag": code(1)},
        ],
        "captures": [{"capture_id": "C1", "captured_on": "2023-04-01", "site_id": "GW", "tag": code(1)}],
    }
    assert run_checks(frames(rows), {}, SETTINGS, TODAY, only=["status-order"]) == []
    rows["captures"] = []
    (found,) = run_checks(frames(rows), {}, SETTINGS, TODAY, only=["status-order"])
    assert found.code == "status-jump"
    assert "released on 2023-04-02 after released on 2022-11-12" in found.found
