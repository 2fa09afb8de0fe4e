"""The season ahead, the rehearsal and the designs from records: against the core, determinism, files, bad input."""

from __future__ import annotations

import datetime as dt
import json
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.optimise.season.ripening import RipeningModel
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme, open_programme
from planner.tasks.season import season_view
from planner.tasks.season_answer import SeasonAnswer, range_words, version_in
from planner.tasks.season_designs import designs
from planner.tasks.season_fish import morning_risks, ripening_model, ripening_on, season_plan
from planner.tasks.season_rehearsal import rehearsal
from planner.tasks.spawning import NoSpawningPlanError, spawning_plan
from planner.tasks.spawning_files import write_spawning

DAYS = [dt.date(2025, 2, 7), dt.date(2025, 2, 14), dt.date(2025, 2, 21)]


@pytest.fixture(scope="module")
def view(tiny: Programme) -> SeasonAnswer:
    return season_view(tiny, DAYS)


@pytest.fixture(scope="module")
def calm(tiny_folder: Path) -> Programme:
    """The same records in a season that no weather shifts."""
    return open_programme(tiny_folder, {"ripe_shift_days": "0"})


def test_ripening__recorded_chance_holds_on_the_day_in_question(calm: Programme) -> None:
    # Windows that hold the spawning day carry the chance recorded for it; chances of other fish are for a day
    # outside their window.
    ripening = ripening_on(calm, DAYS)
    table = calm.tables["ripeness"]
    asked = pd.Timestamp(calm.settings.day("spawning_day"))
    last = table.sort_values("checked_on").drop_duplicates("fish_id", keep="last").set_index("fish_id")
    held = set(calm.tables["holds"]["subject"])
    checked = 0
    for k, fish in enumerate(ripening.fish):
        row = last.loc[fish]
        if fish not in held and row["window_start"] <= asked <= row["window_end"]:
            assert ripening.chances.mean[k, 1] == pytest.approx(row["probability"])
            checked += 1
    assert checked >= 5


def test_ripening__a_hold_means_no_chance(calm: Programme) -> None:
    ripening = ripening_on(calm, DAYS)
    held = set(calm.tables["holds"].query("subject_kind == 'fish'")["subject"])
    mine = [k for k, f in enumerate(ripening.fish) if f in held]
    assert mine
    assert not ripening.chances.by_shift[:, mine].any()


def test_ripening__days_are_sorted_and_different(tiny: Programme) -> None:
    assert ripening_on(tiny, DAYS[::-1]).days == tuple(DAYS)
    with pytest.raises(UsageError, match="Expected one or more different days"):
        ripening_on(tiny, [DAYS[0], DAYS[0]])
    with pytest.raises(UsageError, match="spawning days: found none"):
        ripening_on(tiny, [])


def test_ripening__old_looks_belong_to_an_earlier_season(tiny: Programme) -> None:
    late = ripening_on(tiny, [dt.date(2026, 2, 14)])
    assert set(late.words) == {"not looked at this season"}
    female = np.array(late.female)
    free = late.chances.mean[:, 0] > 0
    assert late.chances.mean[female & free, 0] == pytest.approx(0.29)
    assert late.chances.mean[~female & free, 0] == pytest.approx(0.88)


def test_settings__reach_the_models(tiny_folder: Path) -> None:
    changed = {
        "ripe_in_window": "0.5",
        "ripe_days_male": "30",
        "no_milt_chance": "0.3",
        "few_eggs_dishes": "1",
    }
    programme = open_programme(tiny_folder, changed)
    assert ripening_model(programme) == RipeningModel(in_window=0.5, male_days=30)
    risks = morning_risks(programme)
    assert (risks.no_milt, risks.few_eggs_dishes) == (0.3, 1)


def test_season__values_fit_together(tiny: Programme, view: SeasonAnswer) -> None:
    values = view.values
    assert values["status"] == "proven"
    assert values["gap"] == pytest.approx(0, abs=1e-6)
    held = [h for h in values["hold"] if h["day"] is not None]
    assert sum(h["expected_made"] for h in held) == pytest.approx(values["expected_made"]["value"])
    for day in values["days"]:
        mine = [h for h in held if h["day"] == day["day"]]
        assert sum(h["dishes"] for h in mine) == day["dishes_held"]
        assert len(mine) == day["females_held"]
    for h in held:
        assert h["dishes"] == sum(m["dishes"] for m in h["males"])
        assert h["expected_made"] <= h["dishes"]
        assert all(m["kinship"] <= tiny.settings["pair_kinship_limit"] for m in h["males"])
    fish = {f["fish_id"]: f for f in values["fish"]}
    for sex, key in (("female", "ripe_females"), ("male", "ripe_males")):
        open_ = [f["chance_ripe"] for f in fish.values() if f["sex"] == sex and not f["barred"]]
        assert [d[key]["value"] for d in values["days"]] == pytest.approx(np.sum(open_, axis=0).tolist())


def test_season__is_the_same_twice(tiny: Programme, view: SeasonAnswer) -> None:
    again = season_view(tiny, DAYS)
    assert again.text() == view.text()
    assert again.provenance.mark == view.provenance.mark


def test_season__limits_of_a_day_are_kept(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, {"dishes_per_day_max": "4", "dishes_per_day_min": "2"})
    values = season_view(programme, DAYS).values
    assert all(2 <= d["dishes_held"] <= 4 for d in values["days"])
    tight = open_programme(tiny_folder, {"dishes_per_day_max": "2"})
    found = season_view(tight, DAYS[:2])
    assert any("planned females have no day" in w for w in found.warnings)
    impossible = open_programme(tiny_folder, {"dishes_per_day_max": "4", "dishes_per_day_min": "3"})
    with pytest.raises(UsageError, match="Lower the fewest dishes"):
        season_view(impossible, DAYS)
    closed = open_programme(tiny_folder, {"dishes_per_day_max": "0"})
    with pytest.raises(UsageError, match="room for at most 0 dishes"):
        season_view(closed, DAYS)


def test_season__nobody_ripe_says_so(tiny: Programme, tiny_folder: Path) -> None:
    with pytest.raises(NoPlanError, match=r"found 0 females and \d males that may be crossed") as refused:
        season_view(tiny, [dt.date(2024, 12, 1)])
    assert refused.value.exit_code == 4


def test_season__rules_that_conflict_end_the_search(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, {"female_uses_max": "1", "crosses_wanted": "12"})
    with pytest.raises(NoSpawningPlanError, match="conflict"):
        season_view(programme, DAYS)


def test_rehearsal__same_seed_same_answer_other_seed_another(tiny: Programme, tiny_folder: Path) -> None:
    first, again = rehearsal(tiny, times=200), rehearsal(tiny, times=200)
    assert first.text() == again.text()
    other = rehearsal(open_programme(tiny_folder, {"seed": "5"}), times=200)
    assert other.values["results"] != first.values["results"]


def test_rehearsal__nothing_goes_wrong_when_nothing_can(tiny_folder: Path) -> None:
    sure = {
        "no_milt_chance": "0",
        "death_chance": "0",
        "bad_eggs_chance": "0",
        "few_eggs_chance": "0",
        "dish_fails_chance": "0",
        "thaw_fails_chance": "0",
    }
    programme = open_programme(tiny_folder, sure)
    values = rehearsal(programme, times=300).values
    # Only ripeness is left: what fails as planned must be the planned fish that are not ripe.
    risky = rehearsal(open_programme(tiny_folder), times=300).values
    assert values["results"]["lost"]["high"] == 0
    assert values["results"]["kept"]["value"] >= risky["results"]["kept"]["value"]
    assert values["results"]["failed_males"]["high"] <= risky["results"]["failed_males"]["high"]


def test_rehearsal__plan_file_is_the_plan(tiny: Programme, tmp_path: Path) -> None:
    outcome = spawning_plan(tiny)
    write_spawning(tiny, outcome, tmp_path)
    from_file = rehearsal(tiny, times=100, plan_file=tmp_path / "spawning_plan.json")
    anew = rehearsal(tiny, times=100)
    assert from_file.values["as_planned"] == anew.values["as_planned"]
    assert from_file.values["results"] == anew.values["results"]
    assert "spawning_plan.json, version 1" in from_file.provenance.proof["plan"]


def test_rehearsal__plan_file_with_another_fish_is_refused(tiny: Programme, tmp_path: Path) -> None:
    path = tmp_path / "spawning_plan.json"
    values = {"crosses": [{"dam": "F-09", "sire": "M-06"}], "provenance": {"version": 1}}
    path.write_text(json.dumps(values))
    with pytest.raises(UsageError, match=r"dam: found 'F-09' \(on hold: health"):
        rehearsal(tiny, times=50, plan_file=path)
    path.write_text(json.dumps({"crosses": [], "provenance": {"version": 1}}))
    with pytest.raises(UsageError, match="found no crosses"):
        rehearsal(tiny, times=50, plan_file=path)


def test_designs__rows_and_the_fish_of_the_plan(tiny: Programme) -> None:
    answer = designs(tiny)
    values = answer.values
    outcome = spawning_plan(tiny)
    assert set(values["females"]) == set(outcome.crosses["dam"])
    assert set(values["males"]) == set(outcome.crosses["sire"])
    rows = {r["design"]: r for r in values["designs"]}
    ours = rows["this plan"]
    assert outcome.plan.measures is not None
    assert ours["kinship"] == pytest.approx(outcome.plan.measures.cohort_kinship)
    assert ours["effective"] == pytest.approx(outcome.plan.measures.effective_parents)
    assert ours["dishes"] == len(outcome.crosses)
    assert rows["full factorial"]["dishes"] == len(values["females"]) * len(values["males"])
    assert "does not change the mean kinship" in answer.text()


def test_designs__the_best_plan_of_each_and_no_gain_from_crossing_more(tiny: Programme) -> None:
    best = {r["design"]: r for r in designs(tiny).values["best_plans"]}
    own = best["the rules of the settings"]
    assert own["value"] == pytest.approx(spawning_plan(tiny).plan.value, rel=1e-3)
    two, blocks = best["partial factorial, 2 males per female"], best["2 blocks of 2 females x 2 males"]
    pairs = best["single pairs"]["figures"]
    # 4 females and 4 males used equally, unrelated: 1/(8 x 4) + 1/(8 x 4) of the wild founders' own kinship one half
    # in every design (mean kinship of a group with shares c is c'Kc); only what a sterile male costs differs.
    for row in (two, blocks):
        assert (
            (row["figures"]["females"], row["figures"]["males"])
            == (pairs["females"], pairs["males"])
            == (4, 4)
        )
        assert row["figures"]["diversity"] == pytest.approx(pairs["diversity"])
        assert row["figures"]["sterile"]["effective_least"] > pairs["sterile"]["effective_least"]
    assert all(r["gap"] is None or r["gap"] <= 1e-3 + 1e-9 for r in best.values())
    none = best["partial factorial, 3 males per female"]
    assert none["figures"] is None
    assert any("[females-per-male]" in c for c in none["conflicts"])


def test_designs__stopped_by_hand_says_which_are_missing(tiny: Programme) -> None:
    cancel = threading.Event()

    def stop(words: str) -> None:
        if words.startswith("Making the best plan of each design"):
            cancel.set()

    answer = designs(tiny, progress=stop, cancel=cancel)
    assert answer.values["best_plans"] == []
    assert any("the best plans of 7 designs were not looked for" in w for w in answer.warnings)


def test_answers__files_open_and_versions_rise(tiny: Programme, view: SeasonAnswer, tmp_path: Path) -> None:
    assert version_in(tmp_path, "season") == 1
    assert version_in(None, "season") == 1
    written = view.write(tmp_path)
    assert [p.name for p in written] == ["season.html", "season.pdf", "season.json"]
    html = written[0].read_text(encoding="utf-8")
    assert "Pairs to hold" in html
    assert view.provenance.mark in html
    assert "Follow your permit, label, veterinarian and agency rules" in html
    assert written[1].read_bytes().startswith(b"%PDF")
    assert json.loads(written[2].read_text())["hold"]
    again = season_view(tiny, DAYS, out=tmp_path)
    assert again.provenance.version == 2
    assert again.provenance.mark != view.provenance.mark
    (tmp_path / "season.json").write_text("[]")
    with pytest.raises(UsageError, match="not a plan file"):
        season_view(tiny, DAYS, out=tmp_path)


def test_range_words__thousands_and_reasons() -> None:
    from broodstock.estimates import Estimate

    assert range_words(Estimate(49870.0, 20100.0, 95400.0)) == "49 870 (20 100 to 95 400)"
    assert range_words(Estimate(3.0)) == "3"
    assert range_words(Estimate.not_estimable("no fish")) == "not estimable because no fish"


@pytest.mark.slow
def test_full_demo__season_and_rehearsal(full: Programme) -> None:
    values = season_view(full, DAYS).values
    assert sum(d["dishes_held"] for d in values["days"]) == 72
    assert values["status"] == "proven"
    played = rehearsal(full, times=300).values
    results = played["results"]
    assert played["wanted"] == 72
    assert results["laid"]["high"] <= 72
    assert results["effective_parents"]["high"] <= played["as_planned"]["effective_parents"] + 1
    assert results["kinship"]["low"] >= played["as_planned"]["cohort_kinship"] - 1e-4
    assert played["prepare"]["cells"] >= 72


def test_season_plan__wide_candidates_hold_every_planned_fish(full: Programme) -> None:
    plan = season_plan(full, [full.settings.day("spawning_day")], whole_season=False)
    assert plan.planned.sum() == 72
    assert (
        plan.data.n_candidates >= (plan.planned.sum(axis=1) > 0).sum() + (plan.planned.sum(axis=0) > 0).sum()
    )
    assert plan.ripe.shape[1:] == (plan.data.n_candidates, 1)
    frozen = plan.data.straws >= 0
    assert (plan.ripe[:, frozen] == 1).all()
