"""Rules of a release that come from optional columns, permits and settings: each changes the plan as it says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.optimise.release.explain import refused_groups
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme
from planner.tasks.release import NoReleasePlanError, release_plan
from planner.tasks.release_data import release_inputs


@pytest.fixture(scope="module")
def quick(tiny: Programme) -> Programme:
    """The tiny programme, satisfied with a wide gap: the rules are looked at here, not the proof."""
    return told(tiny, release_gap="0.08", time_limit="20")


def changed(programme: Programme, table: str, column: str, values: Any) -> Programme:
    """The programme with one column of one table replaced."""
    frame = programme.tables[table].copy()
    frame[column] = values
    return replace(programme, tables={**programme.tables, table: frame})


def told(programme: Programme, **settings: str) -> Programme:
    """The programme with settings changed."""
    return replace(programme, settings=programme.settings.with_overrides(settings))


def test_permit__limits_the_whole_release_and_is_named_when_nothing_fits(quick: Programme) -> None:
    permits = quick.tables["permits"]
    used = permits["used"].where(permits["activity"] != "release", permits["limit_number"] - 85)
    outcome = release_plan(changed(quick, "permits", "used", used))
    assert outcome.inputs.data.settings.permit_left == 85
    assert (outcome.fish["site"] != "").sum() <= 85
    over = permits["used"].where(permits["activity"] != "release", permits["limit_number"] - 5)
    with pytest.raises(NoReleasePlanError, match=r"\[permit\]"):
        release_plan(changed(quick, "permits", "used", over))


def test_permit__none_valid_on_the_day(quick: Programme) -> None:
    past = changed(quick, "permits", "valid_until", pd.Timestamp("2024-01-01"))
    inputs = release_inputs(past, quick.settings.day("release_day"))
    assert inputs.data.settings.permit_left == 0
    assert any("No permit to release is valid on 2024-11-12" in note for note in inputs.notes)
    none = changed(quick, "permits", "activity", "spawn")
    inputs = release_inputs(none, quick.settings.day("release_day"))
    assert inputs.data.settings.permit_left == -1
    assert any("No permit to release in the records" in note for note in inputs.notes)


def test_season__site_closed_in_the_month_gets_none(quick: Programme) -> None:
    sites = quick.tables["sites"]
    shut = changed(quick, "sites", "closed_months", np.where(sites["site_id"] == "NP", "3 4 11", ""))
    assert "Nine Posts" in set(release_plan(quick).fish["site"])
    assert "Nine Posts" not in set(release_plan(shut).fish["site"])
    with pytest.raises(UsageError, match="site 'NP': found '13'"):
        release_plan(changed(quick, "sites", "closed_months", np.where(sites["site_id"] == "NP", "13", "")))


def test_temperature__needs_tempering_above_the_step(quick: Programme) -> None:
    warm = changed(quick, "units", "water_temperature_c", 14.0)
    cold = np.where(quick.tables["sites"]["site_id"] == "NP", 9.0, 13.0)
    warm = changed(warm, "sites", "water_temperature_c", cold)
    assert "Nine Posts" in set(release_plan(warm).fish["site"])
    stepped = told(warm, temperature_step_c="3")
    assert "Nine Posts" not in set(release_plan(stepped).fish["site"])
    assert "Nine Posts" in set(release_plan(changed(stepped, "sites", "tempering", True)).fish["site"])
    unknown = told(quick, temperature_step_c="3")
    notes = release_inputs(unknown, quick.settings.day("release_day")).notes
    assert any(note.startswith("Water temperature not recorded for 5 sites") for note in notes)


def test_species__hold_of_a_family_keeps_it_at_the_station(quick: Programme) -> None:
    family = release_plan(quick).fish.query("site != ''")["family"].value_counts().index[0]
    holds = quick.tables["holds"]
    row = dict.fromkeys(holds.columns, pd.NA) | {
        "subject": family,
        "subject_kind": "family",
        "reason": "species",
        "from_date": pd.Timestamp("2024-10-01"),
        "until_date": pd.NaT,
        "note": "",
    }
    held = pd.concat([holds, pd.DataFrame([row])], ignore_index=True).astype(holds.dtypes.to_dict())
    outcome = release_plan(replace(quick, tables={**quick.tables, "holds": held}))
    assert family not in set(outcome.fish.loc[outcome.fish["site"] != "", "family"])
    refused = [r for r in outcome.plan.refused if r.family == family]
    assert refused
    assert all("flagged as another species" in r.text() for r in refused)


def test_species__young_of_a_parent_of_another_species(quick: Programme) -> None:
    families = quick.tables["families"]
    crossed = families[
        families["family_id"].isin(set(quick.tables["stock"]["family"])) & (families["sire"] != "")
    ]
    sire, family = crossed.iloc[0][["sire", "family_id"]]
    fish = quick.tables["fish"]
    foreign = changed(quick, "fish", "species", np.where(fish["fish_id"] == sire, "Lychnogila pallens", ""))
    inputs = release_inputs(foreign, quick.settings.day("release_day"))
    flagged = set(inputs.fish.loc[inputs.fish["other_species"], "family"])
    assert family in flagged
    assert flagged <= set(families.loc[families["sire"] == sire, "family_id"])


def test_sex_window__holds_at_backwaters_where_enough_are_known(quick: Programme) -> None:
    n = len(quick.tables["stock"])
    sexed = changed(quick, "stock", "sex", np.where(np.arange(n) % 3 == 0, "male", "female"))
    windowed = told(sexed, female_share_min="0.4", female_share_max="0.6", sex_known_from="5")
    outcome = release_plan(windowed)
    kinds = quick.tables["sites"].set_index("name")["kind"]
    sent = outcome.fish[outcome.fish["site"] != ""]
    seen = 0
    for site, here in sent.groupby("site"):
        if kinds[site] == "isolated-backwater" and len(here) >= 5:
            share = (here["sex"] == "female").mean()
            assert 0.4 - 1e-9 <= share <= 0.6 + 1e-9, (site, share)
            seen += 1
    assert seen > 0
    with pytest.raises(NoPlanError, match=r"setting female_share_min: found 0\.7, above") as caught:
        release_plan(told(sexed, female_share_min="0.7", female_share_max="0.6"))
    assert caught.value.exit_code == 4


def test_partner_shares__are_kept(quick: Programme) -> None:
    sites = quick.tables["sites"]
    owned = changed(quick, "sites", "partner", np.where(sites["site_id"] == "GW", "North", "South"))
    outcome = release_plan(told(owned, partner_shares="North: 0.33-0.36; South: 0-1"))
    sent = outcome.fish[outcome.fish["site"] != ""]
    assert 0.33 <= (sent["site"] == "Lake: Glasswater").mean() <= 0.36
    with pytest.raises(UsageError, match="found the partner 'East'"):
        release_plan(told(owned, partner_shares="East: 0.1-0.5"))
    with pytest.raises(UsageError, match=r"setting partner_shares: found 'North 0\.1'"):
        release_plan(told(owned, partner_shares="North 0.1"))


def test_dna__fish_with_genes_of_the_other_species_stay_with_the_reason(quick: Programme) -> None:
    """The screen is that of broodfish: a sample of a fish of the stock speaks for that fish alone."""
    from planner.tasks.dna_screens import stock_objections

    by_dna = stock_objections(quick)
    assert by_dna.species
    outcome = release_plan(quick)
    row = outcome.fish.set_index("stock_id")
    for fish, words in by_dna.species.items():
        assert row.loc[fish, "site"] == ""
        assert row.loc[fish, "why"] == words
    same_family = row[row["family"].isin(row.loc[list(by_dna.species), "family"])]
    assert (same_family["site"] != "").any(), "the rest of the family may go"
    assert any("genes from the other species by DNA" in note for note in outcome.inputs.notes)


def test_dna__fish_of_another_sex_than_recorded_stay(
    quick: Programme, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.tasks import dna_screens
    from planner.tasks.dna_screens import DnaObjections

    fish = quick.tables["stock"]["stock_id"].iloc[0]
    found = DnaObjections({fish: "recorded female, male by DNA (sample S-1): look at the fish again"}, {})
    monkeypatch.setattr(dna_screens, "stock_objections", lambda _: found)
    inputs = release_inputs(replace(quick), quick.settings.day("release_day"))
    row = inputs.fish.set_index("stock_id").loc[fish]
    assert row["sex_doubt"]
    assert not row["health_hold"], "nothing is wrong with its health"
    group = int(row["group"])
    assert inputs.data.groups.name[group].split(" of doubtful sex")[0] != inputs.data.groups.name[group]
    refused = {r.group: dict(r.reasons) for r in refused_groups(inputs.data)}[inputs.data.groups.name[group]]
    assert refused["another sex by DNA than recorded"] == ("every site",)
    assert "health hold" not in refused
    assert row["dna"].startswith("recorded female, male by DNA")
    assert any("1 fish of the stock stay: another sex by DNA than recorded" in note for note in inputs.notes)


def test_dna__without_samples_of_the_stock_nothing_is_held(quick: Programme) -> None:
    from planner.tasks.dna_screens import stock_objections

    bare = changed(quick, "samples", "stock_id", "")
    assert stock_objections(bare) == stock_objections(replace(quick, genotypes={}))
    assert not stock_objections(bare).species
