"""Rules of a spawning plan asked for by settings: each reaches the plan, or says why it cannot hold."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.morning import FACTORIAL_BEGUN, MorningEvents, plan_again
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import open_programme
from planner.tasks.spawning import SpawningOutcome, spawning_plan
from planner.tasks.spawning_files import write_spawning

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the tiny demo that a test may spoil."""
    return Path(shutil.copytree(TINY, tmp_path / "records"))


def planned(folder: Path, **settings: str) -> SpawningOutcome:
    return spawning_plan(open_programme(folder, settings))


def pairs(outcome: SpawningOutcome) -> list[tuple[str, str]]:
    return list(zip(outcome.crosses["dam"], outcome.crosses["sire"], strict=True))


def refused(folder: Path, **settings: str) -> str:
    with pytest.raises(NoPlanError) as error:
        planned(folder, **settings)
    assert error.value.exit_code == 4
    return str(error.value)


def spoil(folder: Path, table: str, change: Callable[[pd.DataFrame], None]) -> None:
    path = folder / f"{table}.csv"
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    change(frame)
    frame.to_csv(path, index=False)


def test_defaults__ask_for_nothing_and_leave_no_word(folder: Path) -> None:
    outcome = planned(folder)
    data = outcome.inputs.data
    assert not data.forbidden.any()
    assert not data.unknown.any()
    assert data.factorial is None
    assert (data.least_uses == 0).all()
    assert "never_pairs" not in outcome.provenance.settings


def test_females_per_male__both_ends(folder: Path) -> None:
    few = planned(folder, females_per_male_max="2", crosses_wanted="6")
    assert max(Counter(s for _, s in pairs(few)).values()) <= 2
    many = planned(folder, females_per_male_min="2")
    assert min(Counter(s for _, s in pairs(many)).values()) >= 2
    assert many.provenance.settings["females_per_male_min"] == 2
    said = refused(folder, females_per_male_min="3", females_per_male_max="2")
    assert "[females_per_male_min]" in said
    assert "would help: Lower females_per_male_min to 2." in said


def test_pair_dishes_max__lets_a_pair_have_a_second_dish(folder: Path) -> None:
    asked = {"crosses_wanted": "8", "males_per_female_min": "1", "females_per_male_max": "1"}
    assert "[females-per-male]" in refused(folder, **asked)
    twice = planned(folder, **asked, pair_dishes_max="2")
    assert max(Counter(pairs(twice)).values()) == 2
    assert max(Counter(s for _, s in set(pairs(twice))).values()) == 1


def test_uses_min_and_max__of_named_fish(folder: Path) -> None:
    free = Counter(d for d, _ in pairs(planned(folder)))
    assert max(free.values()) < 4
    forced = Counter(d for d, _ in pairs(planned(folder, uses_min="F-07=4")))
    assert forced["F-07"] == 4
    spared = Counter(d for d, _ in pairs(planned(folder, uses_max="F-07=0, F-08=2", crosses_wanted="6")))
    assert "F-07" not in spared
    assert spared["F-08"] <= 2
    said = refused(folder, uses_min="F-09=1, F-07=1")
    assert "F-09 takes part in at least 1 dishes. [uses_min] It may not be crossed: on hold: health" in said
    assert "F-07" not in said
    said = refused(folder, uses_min="F-07=4", uses_max="F-07=3")
    assert "[least-uses]" in said


def test_never_pairs__in_either_order(folder: Path) -> None:
    first = pairs(planned(folder))
    dam, sire = first[0]
    for text in (f"{dam}={sire}", f" {sire} = {dam} "):
        assert (dam, sire) not in pairs(planned(folder, never_pairs=text))


def test_repeat_pairs_and_lifetime_uses__count_earlier_seasons(folder: Path) -> None:
    first = pairs(planned(folder))
    dam, sire = first[0]

    def earlier(frame: pd.DataFrame) -> None:
        old = frame.iloc[0].copy()
        old[["cross_id", "season", "made_on", "dam", "sire"]] = ["X-old", "2023", "2023-02-14", dam, sire]
        frame.loc[len(frame)] = old

    spoil(folder, "crosses", earlier)
    assert (dam, sire) not in pairs(planned(folder, repeat_pairs="no"))
    data = planned(folder).inputs.data
    names = [data.name(i) for i in range(data.n_candidates)]
    past = dict(zip(names, data.past_uses.tolist(), strict=True))
    assert past[dam] >= 1
    limit = past[dam] + 1
    asked = {"female_lifetime_uses_max": str(limit), "crosses_wanted": "4", "males_per_female_min": "1"}
    used = Counter(d for d, _ in pairs(planned(folder, **asked)))
    assert all(used[d] + past[d] <= limit for d in used)
    assert "[lifetime-uses]" in refused(folder, female_lifetime_uses_max="1", crosses_wanted="6")


def test_mates_from__one_building(folder: Path) -> None:
    dam = pairs(planned(folder))[0][0]
    units = pd.read_csv(folder / "units.csv", dtype=str, keep_default_na=False)
    fish = pd.read_csv(folder / "fish.csv", dtype=str, keep_default_na=False)
    home = fish.set_index("fish_id")["unit"]
    away = next(
        u for u in units["unit_id"] if u not in set(home[fish.loc[fish["status"] == "brood", "fish_id"]])
    )

    def elsewhere(frame: pd.DataFrame) -> None:
        frame.loc[frame["unit_id"] == away, "building"] = "a house of its own"

    spoil(folder, "units", elsewhere)
    spoil(folder, "fish", lambda f: f.__setitem__("unit", f["unit"].where(f["fish_id"] != dam, away)))
    outcome = planned(folder, mates_from="one-building", crosses_wanted="6")
    frozen = {c.fish_id for c in outcome.inputs.candidates if c.frozen}
    assert {s for d, s in pairs(outcome) if d == dam} <= frozen
    assert "[same-place]" in refused(
        folder, mates_from="one-building", uses_min=f"{dam}=4", frozen_sires_max="0"
    )


def test_safe_mates__fish_without_genotype(folder: Path) -> None:
    dam = pairs(planned(folder))[0][0]
    spoil(
        folder,
        "samples",
        lambda f: f.__setitem__("fish_id", f["fish_id"].where(f["fish_id"] != dam, "")),
    )
    outcome = planned(folder, safe_mates="no-genotype", crosses_wanted="6")
    data = outcome.inputs.data
    names = [data.name(i) for i in range(data.n_candidates)]
    assert data.unknown[names.index(dam)]
    assert any(f"Fish that need a safe mate (no-genotype): {dam}" in n for n in outcome.inputs.notes)
    from planner.optimise.spawning.coefficients import coefficients

    K = coefficients(data).pair_kinship
    for mate in {s for d, s in pairs(outcome) if d == dam}:
        assert K[:, names.index(mate) - data.n_females].max() <= 0.0
    known = open_programme(folder).parents_used
    with_parents = planned(folder, safe_mates="no-genotype-or-parents", crosses_wanted="6").inputs.data
    assert with_parents.unknown[names.index(dam)] == (not any(known.get(dam, ("", ""))))


def test_eggs__leave_each_dish_its_share(folder: Path) -> None:
    dam = max(Counter(d for d, _ in pairs(planned(folder))).items(), key=lambda x: (x[1], x[0]))[0]
    outcome = planned(folder, eggs_per_dish_min="4000", eggs_expected=f"{dam}=5000", males_per_female_min="1")
    assert Counter(d for d, _ in pairs(outcome))[dam] <= 1


def test_founder_shares__are_reached(folder: Path) -> None:
    from planner.optimise.spawning.coefficients import coefficients

    programme = open_programme(folder)
    founders = [
        f
        for f, p in zip(programme.pedigree.ids, programme.pedigree.parents.tolist(), strict=True)
        if max(p) < 0
    ]
    shares = {}
    for founder in founders:
        outcome = planned(folder, founder_shares=f"{founder}=0")
        c = outcome.plan.contributions
        shares[founder] = float(coefficients(outcome.inputs.data).founder_genes[0] @ c / c.sum())
    founder = max((f for f in founders if 0 < shares[f] < 0.2), key=lambda f: shares[f])
    more = shares[founder] + 0.03
    outcome = planned(folder, founder_shares=f"{founder}={more}")
    c = outcome.plan.contributions
    assert float(coefficients(outcome.inputs.data).founder_genes[0] @ c / c.sum()) >= more - 1e-9
    assert "[founder-share]" in refused(folder, founder_shares=f"{founder}=0.9")


def test_mating_design__single_pairs_factorial_and_blocks(folder: Path) -> None:
    single = pairs(planned(folder, mating_design="single-pairs", crosses_wanted="4"))
    assert len({d for d, _ in single}) == len({s for _, s in single}) == 4
    full = pairs(
        planned(
            folder,
            mating_design="full-factorial",
            block_females="3",
            block_males="2",
            crosses_wanted="6",
        )
    )
    assert set(full) == {(d, s) for d in {d for d, _ in full} for s in {s for _, s in full}}
    assert (len({d for d, _ in full}), len({s for _, s in full})) == (3, 2)
    blocks = planned(folder, mating_design="blocks", crosses_wanted="8")
    mates = {d: frozenset(s for f, s in pairs(blocks) if f == d) for d, _ in pairs(blocks)}
    assert sorted(Counter(mates.values()).values()) == [2, 2]
    said = refused(folder, mating_design="blocks", crosses_wanted="9")
    assert "9 crosses wanted and 2 females x 2 males in a block" in said
    assert "would help: Set crosses_wanted to 8." in said
    assert "would help: Set crosses_wanted to 12." in said
    assert "Set crosses_wanted to 4." in refused(folder, mating_design="full-factorial")


def test_replan__of_a_factorial_that_has_begun(folder: Path, tmp_path: Path) -> None:
    settings = {"mating_design": "blocks"}
    programme = open_programme(folder, settings)
    outcome = spawning_plan(programme)
    write_spawning(programme, outcome, tmp_path / "plan", {"overrides": settings})
    laid = pairs(outcome)[0]
    lost = next(s for _, s in pairs(outcome) if s != laid[1])
    again = plan_again(programme, tmp_path / "plan", MorningEvents(lost={lost: "no milt"}, laid=(laid,)))
    assert FACTORIAL_BEGUN in again.outcome.inputs.notes
    assert len(again.outcome.crosses) == 7
    assert lost not in {s for _, s in pairs(again.outcome)}
    whole = plan_again(programme, tmp_path / "plan", MorningEvents(lost={lost: "no milt"}))
    assert FACTORIAL_BEGUN not in whole.outcome.inputs.notes
    assert np.unique(list(Counter(d for d, _ in pairs(whole.outcome)).values())).tolist() == [2]


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"uses_min": "F-07"}, "setting uses_min: found 'F-07'. Expected fish that must be used"),
        (
            {"uses_min": "F-77=1"},
            "setting uses_min: found 'F-77'. Expected a fish_id in fish.csv. Did you mean 'F-07'?",
        ),
        ({"uses_max": "F-07=1.5"}, "setting uses_max, F-07: found '1.5'. Expected a whole number from 0 on."),
        ({"never_pairs": "F-07=M-99"}, "setting never_pairs: found 'M-99'"),
        (
            {"founder_shares": "F-01=2"},
            "setting founder_shares, F-01: found 2. Expected a share from 0 to 1.",
        ),
        (
            {"eggs_expected": "F-07=many"},
            "setting eggs_expected, F-07: found 'many'. Expected a number from 0 on.",
        ),
        (
            {"mating_design": "heaps"},
            "setting mating_design: found 'heaps'. Expected one of limits, single-pairs",
        ),
    ],
)
def test_bad_settings__name_place_and_remedy(folder: Path, settings: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError) as error:
        planned(folder, **settings)
    assert said in str(error.value)
