"""A spawning morning on the full demo: five things go otherwise than planned, five plans again, the sheet of version 6.

Seven females with three dishes each. One is not ripe, a male has no milt, a female dies after two dishes, a male's
tag cannot be read, a wild female comes in without a tag.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.morning import MorningEvents, plan_again, remembered
from planner.tasks.programme import Programme, open_programme
from planner.tasks.spawning import spawning_plan
from planner.tasks.spawning_data import females_allowed
from planner.tasks.spawning_files import write_spawning

RULES = {
    "crosses_wanted": "21",
    "males_per_female_min": "2",
    "males_per_female_max": "3",
    "female_uses_max": "3",
    "male_uses_max": "3",
    "frozen_sires_max": "0",
}


@pytest.fixture(scope="module")
def morning(full_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, Path]:
    """Seven ripe females and nine ripe males, the plan of the morning written."""
    programme = open_programme(full_folder, RULES)
    first = spawning_plan(programme)
    judged = [c for c in first.inputs.candidates if c.may_cross and not c.frozen]
    females = [c.fish_id for c in judged if c.sex == "female"]
    males = [c.fish_id for c in judged if c.sex == "male"]
    outcome = spawning_plan(programme, not_ripe=[*females[7:], *males[9:]])
    folder = tmp_path_factory.mktemp("morning")
    write_spawning(programme, outcome, folder, {"overrides": RULES})
    return programme, folder


def again(programme: Programme, folder: Path, events: MorningEvents) -> dict[str, object]:
    new = plan_again(programme, folder, events)
    told = remembered(folder, events)
    write_spawning(new.programme, new.outcome, folder, {"events": told, "overrides": RULES})
    return json.loads((folder / "spawning_plan.json").read_text())


def test_story__the_morning_of_five_mishaps(morning: tuple[Programme, Path]) -> None:
    programme, folder = morning
    plan = json.loads((folder / "spawning_plan.json").read_text())
    assert plan["measures"]["effective_parents"] >= 14.0
    assert len(plan["crosses"]) == 21
    uses = Counter(c["dam"] for c in plan["crosses"])
    not_ripe, dies, *_ = uses
    sires = Counter(c["sire"] for c in plan["crosses"])
    no_milt = sires.most_common()[0][0]
    first_labels = {c["dish_id"] for c in plan["crosses"]}

    # 1. A female is not ripe, 2. a wild female comes in and takes her place.
    plan = again(programme, folder, MorningEvents(lost={not_ripe: "not ripe"}, cells=18))
    assert len(plan["crosses"]) == 18
    plan = again(programme, folder, MorningEvents(arrived={"unknown-1": "female"}))
    assert len(plan["crosses"]) == 18
    assert not_ripe not in {c["dam"] for c in plan["crosses"]}

    # 3. A male has no milt: a backup male stands in.
    plan = again(programme, folder, MorningEvents(lost={no_milt: "no milt"}))
    assert no_milt not in {c["sire"] for c in plan["crosses"]}
    assert len(plan["crosses"]) == 18

    # 4. A female dies after two dishes are laid.
    hers = [(c["dam"], c["sire"]) for c in plan["crosses"] if c["dam"] == dies][:2]
    assert len(hers) == 2
    plan = again(programme, folder, MorningEvents(lost={dies: "dead"}, laid=tuple(hers), cells=16))
    assert dies not in {c["dam"] for c in plan["crosses"]}

    # 5. The tag of a male cannot be read.
    unreadable = Counter(c["sire"] for c in plan["crosses"]).most_common()[0][0]
    plan = again(programme, folder, MorningEvents(unreadable=(unreadable,)))
    assert plan["provenance"]["version"] == 6

    laid = [tuple(x) for x in plan["events"]["laid"]]
    assert laid == hers
    done = [(c["dam"], c["sire"]) for c in plan["crosses"]] + laid
    females, males = Counter(d for d, _ in done), Counter(s for _, s in done)
    assert max(females.values()) <= 3
    assert max(males.values()) <= 3
    f, m = (sum(c.values()) ** 2 / sum(n * n for n in c.values()) for c in (females, males))
    assert 4 * f * m / (f + m) >= 13.0
    assert plan["measures"]["effective_parents"] == pytest.approx(4 * f * m / (f + m))
    index = programme.pedigree.index
    kinship = kinship_matrix(programme.pedigree.parents)
    for dam, sire in done:
        if dam in index:
            assert kinship[index[dam], index[sire]] <= 0.0625
    assert len(females) <= females_allowed(programme, programme.settings.day("spawning_day"))
    labels = [c["dish_id"] for c in plan["crosses"]]
    assert len(set(labels)) == len(labels)
    assert first_labels & set(labels), "dishes that stay keep their labels"
    cells = [c["cell"] for c in plan["crosses"]]
    assert len(set(cells)) == len(cells)
    assert "version <b>6</b>" in (folder / "spawning_sheet.html").read_text(encoding="utf-8")


def test_plan_again__refuses_another_day_of_records(morning: tuple[Programme, Path], tiny: Programme) -> None:
    with pytest.raises(UsageError, match="made from other records"):
        plan_again(tiny, morning[1], MorningEvents())


def test_plan_again__names_a_fish_it_does_not_know(morning: tuple[Programme, Path]) -> None:
    programme, folder = morning
    with pytest.raises(UsageError, match=r"found 'M-999'\. Expected a candidate of this plan"):
        plan_again(programme, folder, MorningEvents(lost={"M-999": "no milt"}))
    with pytest.raises(UsageError, match="the name of a fish in the records"):
        plan_again(programme, folder, MorningEvents(arrived={"F-07": "female"}))
