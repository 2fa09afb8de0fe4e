"""Goals beside the plan: effective founders by an own walk up the pedigree, spread and way from the table of fish."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from planner.tasks.programme import Programme
from planner.tasks.release import ReleaseOutcome, release_plan
from planner.tasks.release_goals import effective_founders


@pytest.fixture(scope="module")
def outcome(tiny: Programme) -> ReleaseOutcome:
    wide = {"release_gap": "0.08", "time_limit": "20", "survivors_share": "0.8"}
    return release_plan(replace(tiny, settings=tiny.settings.with_overrides(wide)))


def slow_shares(programme: Programme, living: dict[str, float]) -> dict[str, float]:
    """Expected founder shares: every fish hands half of itself to each parent, up to those without one."""
    families = programme.tables["families"].set_index("family_id")
    parents = programme.parents_used
    share: dict[str, float] = defaultdict(float)

    def up(fish: str, part: float) -> None:
        dam, sire = parents[fish]
        if not dam and not sire:
            share[fish] += part
            return
        for side, parent in (("dam", dam), ("sire", sire)):
            if parent in parents:
                up(parent, part / 2)
            else:
                share[f"unknown {side} of {fish}"] += part / 2

    for family, number in living.items():
        for side in ("dam", "sire"):
            parent = families.loc[family, side]
            if parent in parents:
                up(parent, number / 2)
            else:
                share[f"unknown {side} of family {family}"] += number / 2
    return share


def test_effective_founders__equal_a_walk_up_the_pedigree(tiny: Programme, outcome: ReleaseOutcome) -> None:
    # Founder equivalents of Lacy 1989, Zoo Biology 8, 111-123: 1 / sum of squared expected shares.
    data, numbers = outcome.inputs.data, outcome.plan.numbers
    assert numbers is not None
    assert outcome.goals is not None
    families = tiny.tables["families"]
    crossed = set(families.loc[families["kind"] == "cross", "family_id"])
    alive = data.living(numbers).sum(axis=1)
    living = {f: float(n) for f, n in zip(data.families.name, alive, strict=True) if f in crossed and n > 0}
    share = np.array(list(slow_shares(tiny, living).values()))
    share /= share.sum()
    found = outcome.goals.founders
    assert found.value == pytest.approx(1 / (share**2).sum(), rel=1e-9)
    assert found.n_used == len(living)
    left_out = 1 - sum(living.values()) / alive.sum()
    assert (f"{left_out:.0%} of the fish" in found.note) == (left_out > 0)
    # Two unrelated founders of one family are two; with a second family beside it no fewer.
    one = np.zeros(data.n_families)
    one[data.families.name.index(next(iter(living)))] = 5.0
    alone = effective_founders(tiny, data, one)
    shares = np.array(list(slow_shares(tiny, {next(iter(living)): 5.0}).values())) / 5.0
    assert alone.value == pytest.approx(1 / (shares**2).sum(), rel=1e-9)


def test_effective_founders__without_known_parents_says_so(tiny: Programme, outcome: ReleaseOutcome) -> None:
    data = outcome.inputs.data
    none = effective_founders(tiny, data, np.zeros(data.n_families))
    assert none.value is None
    assert none.text() == "not estimable because no fish of families with recorded parents live there"


def test_release_goals__spread_and_way_from_the_table_of_fish(
    tiny: Programme, outcome: ReleaseOutcome
) -> None:
    goals = outcome.goals
    assert goals is not None
    sent = outcome.fish.query("site != ''")
    sites = tiny.tables["sites"].set_index("name")
    residents = tiny.tables["residents"].merge(
        tiny.tables["sites"][["site_id", "name"]], on="site_id", how="left"
    )
    there = pd.concat(
        [sent[["family", "site"]], residents.rename(columns={"name": "site"})[["family", "site"]]]
    ).drop_duplicates()
    single = [
        f
        for f, one in zip(outcome.inputs.data.families.name, outcome.inputs.data.families.single, strict=True)
        if one
    ]
    homes = there[there["family"].isin(single)].groupby("family").size()
    assert goals.sites_per_family == pytest.approx(homes.mean())
    assert goals.families_in_one_site == (homes == 1).sum()
    assert goals.families_released == sent.loc[sent["family"].isin(single), "family"].nunique()
    assert tiny.tables["distances"].empty
    far = float(tiny.settings["far_site_km"])
    km = (sites["river_km"] - float(tiny.settings["station_km"])).abs().fillna(far)
    assert goals.mean_km == pytest.approx(sent["site"].map(km).mean())
    assert goals.farthest_km == km[sent["site"].unique()].max()
    labels = [label for label, _ in outcome.facts()]
    assert {
        "Effective founders at all sites",
        "Families sent",
        "Waters of a family, mean",
        "Way of a fish, mean",
        "Farthest water",
    } <= set(labels)
    assert outcome.as_dict()["goals"]["effective_founders"]["value"] == goals.founders.value
