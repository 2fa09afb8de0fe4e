"""What would change a plan, beside the rules looked at one by one and the objective computed anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.release import explain
from planner.optimise.release.change import STAYS, next_best, would_let_go, would_let_stay_go
from planner.optimise.release.explain import full_sites, kept_back_reasons
from planner.optimise.release.pair_rules import PAIR_RULES, allowed
from planner.optimise.release.recheck_plan import slow_objective
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import more_rules, plain, programme, small_random


@pytest.mark.parametrize("seed", range(30))
def test_would_let_go__names_every_rule_at_the_site_with_fewest(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = more_rules(small_random(rng), rng)
    for g in np.flatnonzero(~allowed(data).any(axis=1)):
        found = would_let_go(data, int(g))
        assert found is not None
        site, words = found
        per_site = [sum(bool(rule.refused(data)[g, s]) for rule in PAIR_RULES) for s in range(data.n_sites)]
        assert len(words) == min(per_site)
        assert per_site[data.sites.name.index(site)] == min(per_site)
        assert all("{" not in w for w in words)


def test_would_let_go__lifting_what_it_names_lets_the_group_go() -> None:
    data = plain(
        available=(4,),
        lengths=280.0,
        groups={"health_hold": True},
        n_sites=2,
        sites={"min_length_mm": [300.0, 0.0], "open": [True, False]},
    )
    found = would_let_go(data, 0)
    assert found == (
        "S0",
        ("clear the health hold on group 'G0' (4 fish)", "lower the minimum length of site 'S0' for 4 fish"),
    )
    lifted = replace(
        data,
        groups=replace(data.groups, health_hold=np.array([False])),
        sites=replace(data.sites, min_length_mm=np.array([0.0, 0.0])),
    )
    assert allowed(lifted)[0].tolist() == [True, False]
    assert "clear the health hold" in would_let_stay_go(data, 0, "no site may take them")
    assert would_let_go(plain(n_sites=0, available=(3,)), 0) is None


def test_stays__every_reason_has_what_would_change_it() -> None:
    # Every reason the explanation can give is a key, or is looked at group by group.
    source = set(explain.kept_back_reasons.__code__.co_consts)
    given = {w for w in source if isinstance(w, str) and (w in STAYS or w == "no site may take them")}
    assert given == {*STAYS, "no site may take them"}


def test_next_best__equals_moving_a_little_of_a_fish() -> None:
    data = programme(2, n_families=16, n_fish=900)
    plan = plan_release(data.with_settings(gap=0.02))
    assert plan.numbers is not None
    found = next_best(data, plan.numbers)
    assert set(found) == {(int(g), int(s)) for g, s in np.argwhere(plan.numbers > 0)}
    free, full = allowed(data), full_sites(data, plan.numbers)
    step, now, looked = 1e-4, slow_objective(data, plan.numbers), 0
    for (g, s), words in list(found.items())[::25]:
        changes = {}
        for k in range(data.n_sites):
            if k != s and free[g, k] and not full[k]:
                moved = plan.numbers.astype(float)
                moved[g, s] -= step
                moved[g, k] += step
                changes[data.sites.name[k]] = (slow_objective(data, moved) - now) / step
        if not changes:
            assert "full" in words or words == "no other water may take these fish"
            continue
        looked += 1
        name = min(changes, key=lambda n: changes[n])
        assert words.startswith(f"next is {name}: ")
        said = float(words.split("goal by ")[1].split(" ")[0])
        assert said == pytest.approx(changes[name], abs=2e-4)
        assert ("keep it here" in words) == (changes[name] < 0)
    assert looked > 3


def test_kept_back__what_would_change_it_in_words() -> None:
    data = plain(available=(5, 5), n_sites=1, sites={"capacity_fish": [8]})
    [(_, _, reason)] = kept_back_reasons(data, np.array([[3], [5]]))
    assert would_let_stay_go(data, 0, reason) == "more room at one of the waters that may take them"
