"""Spawning plans from records: rules kept on the full demo, versions, what changes on the morning."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.candidates import candidates_on
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme, open_programme
from planner.tasks.spawning import NoSpawningPlanError, SpawningOutcome, spawning_plan
from planner.tasks.spawning_files import planned_version, sheet_of, write_spawning


@pytest.fixture(scope="module")
def outcome(full: Programme) -> SpawningOutcome:
    return spawning_plan(full)


def test_spawning_plan__keeps_the_settings_of_the_full_demo(
    full: Programme, outcome: SpawningOutcome
) -> None:
    crosses = outcome.crosses
    females, males = Counter(crosses["dam"]), Counter(crosses["sire"])
    assert len(crosses) == full.settings["crosses_wanted"] == 72
    assert max(females.values()) <= full.settings["female_uses_max"]
    assert max(males.values()) <= full.settings["male_uses_max"]
    mates = crosses.groupby("dam")["sire"].nunique()
    assert mates.between(full.settings["males_per_female_min"], full.settings["males_per_female_max"]).all()
    assert (crosses["kinship"] <= full.settings["pair_kinship_limit"] + 1e-12).all()
    frozen = {c.fish_id for c in outcome.inputs.candidates if c.frozen}
    assert len(set(males) & frozen) <= full.settings["frozen_sires_max"]
    assert outcome.plan.gap is not None
    assert outcome.plan.gap <= 0.001


def test_spawning_plan__value_is_that_of_the_dense_kinship_matrix(
    full: Programme, outcome: SpawningOutcome
) -> None:
    # The value is computed again from the recursive kinship of all pairs, not from gene flow.
    kinship = kinship_matrix(full.pedigree.parents)
    share = np.zeros(len(full.pedigree))
    for dam, sire in zip(outcome.crosses["dam"], outcome.crosses["sire"], strict=True):
        share[full.pedigree.index[dam]] += 1
        share[full.pedigree.index[sire]] += 1
    share /= share.sum()
    measures = outcome.plan.measures
    assert measures is not None
    assert share @ kinship @ share == pytest.approx(measures.cohort_kinship, abs=1e-12)


def test_spawning_plan__is_better_than_plans_without_optimisation(outcome: SpawningOutcome) -> None:
    ours = outcome.plan.measures
    assert ours is not None
    for _, other in outcome.others:
        assert other.measures is not None
        assert ours.goal < other.measures.goal


def test_spawning_plan__is_the_same_twice(full: Programme, outcome: SpawningOutcome) -> None:
    again = spawning_plan(full)
    assert again.crosses.equals(outcome.crosses)
    assert again.provenance.mark == outcome.provenance.mark


def test_spawning_plan__leaves_out_the_planted_hybrid_and_the_fish_of_the_wrong_sex(
    full_folder: Path, full: Programme, outcome: SpawningOutcome
) -> None:
    import pandas as pd

    planted = pd.read_csv(full_folder / "truth" / "planted.csv")
    fish = full.tables["fish"]
    wrong_sex = fish.loc[planted.loc[planted["number"] == 11, "row"].iloc[0], "fish_id"]
    hybrid = planted.loc[planted["number"] == 17, "what"].iloc[0].split()[0]
    why = {c.fish_id: c.why_not for c in outcome.inputs.candidates}
    assert "by DNA" in why[wrong_sex]
    assert "other species by DNA" in why[hybrid]
    assert {wrong_sex, hybrid}.isdisjoint({*outcome.crosses["dam"], *outcome.crosses["sire"]})


def test_spawning_plan__female_found_not_ripe_is_replaced(full: Programme, outcome: SpawningOutcome) -> None:
    absent = outcome.crosses["dam"].iloc[0]
    again = spawning_plan(full, not_ripe=[absent], version=2)
    assert absent not in set(again.crosses["dam"])
    assert len(again.crosses) == 72
    assert again.provenance.mark != outcome.provenance.mark


def test_spawning_plan__unknown_fish_of_the_morning(full: Programme) -> None:
    with pytest.raises(UsageError, match=r"found 'F-0777'\. Expected a living broodfish"):
        spawning_plan(full, not_ripe=["F-0777"])


@pytest.mark.slow
def test_spawning_plan__names_the_rules_that_conflict(full_folder: Path) -> None:
    strict = open_programme(full_folder, {"female_uses_max": "1", "males_per_female_min": "2"})
    with pytest.raises(NoSpawningPlanError, match="conflict") as caught:
        spawning_plan(strict)
    assert caught.value.exit_code == 4
    assert "would help" in str(caught.value)


@pytest.mark.slow
def test_spawning_plan__more_dishes_than_cells(full_folder: Path) -> None:
    with pytest.raises(NoPlanError, match="72 crosses wanted and 60 cells free") as caught:
        spawning_plan(open_programme(full_folder, {"cells": "60"}))
    assert caught.value.exit_code == 4


def test_write_spawning__files_open_and_version_rises(tiny: Programme, tmp_path: Path) -> None:
    assert planned_version(tmp_path) == 1
    outcome = spawning_plan(tiny)
    files = write_spawning(tiny, outcome, tmp_path)
    assert (tmp_path / "spawning_sheet.pdf").read_bytes().startswith(b"%PDF")
    html = (tmp_path / "spawning_sheet.html").read_text(encoding="utf-8")
    for fish in {*outcome.crosses["dam"], *outcome.crosses["sire"]}:
        assert fish in html
    assert outcome.provenance.mark in html
    assert "Follow your permit, label, veterinarian and agency rules" in html
    plan = json.loads((tmp_path / "spawning_plan.json").read_text())
    assert len(plan["crosses"]) == len(outcome.crosses)
    assert planned_version(tmp_path) == 2
    assert not [p for p in tmp_path.iterdir() if p not in files], "nothing half-written is left"


def test_sheet__same_plan_gives_the_same_pdf_bytes(tiny: Programme) -> None:
    from planner.reports.pdf import sheet_pdf

    outcome = spawning_plan(tiny)
    assert sheet_pdf(sheet_of(tiny, outcome), outcome.day) == sheet_pdf(sheet_of(tiny, outcome), outcome.day)


def test_candidates__every_broodfish_is_judged_with_a_reason(full: Programme) -> None:
    judged = candidates_on(full, full.settings.day("spawning_day"))
    brood = full.tables["fish"].query("status == 'brood'")
    assert {c.fish_id for c in judged if not c.frozen} >= set(brood["fish_id"])
    assert all(c.why_not for c in judged if not c.may_cross)
    assert all(not c.why_not for c in judged if c.may_cross)


def test_living_group__counts_residents_through_their_parents(full: Programme) -> None:
    from planner.tasks.spawning_data import living_group

    weights, notes = living_group(full)
    families = full.tables["families"].query("kind == 'cross'")
    index = full.pedigree.index
    both = families[families["dam"].isin(index) & families["sire"].isin(index)]
    residents = full.tables["residents"]
    counted = residents[residents["family"].isin(both["family_id"])]["number"].sum()
    assert weights.sum() == pytest.approx(len(full.living_rows) + counted)
    assert str(counted) in notes[0]


def test_spawning_plan__nearly_as_good_plans_use_other_fish(tiny: Programme) -> None:
    outcome = spawning_plan(tiny, near_best=3, within=0.2)
    best = outcome.plan.value
    assert best is not None
    for plan in outcome.near_best:
        assert plan.value is not None
        assert best - 1e-12 <= plan.value <= best * 1.2 + 1e-12
        assert set(plan.pairs[:, :2].ravel().tolist()) != set(outcome.plan.pairs[:, :2].ravel().tolist())
    assert len(outcome.near_best_rows()[1]) == len(outcome.near_best)
