"""Release plans from records: hard rules kept on the full demo, computed again from the tables alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.programme import Programme, open_programme
from planner.tasks.release import NoReleasePlanError, ReleaseOutcome, release_plan
from planner.tasks.release_files import manifest, write_release


@pytest.fixture(scope="module")
def outcome(full: Programme) -> ReleaseOutcome:
    return release_plan(full)


@pytest.fixture(scope="module")
def sent(outcome: ReleaseOutcome) -> pd.DataFrame:
    return outcome.fish[outcome.fish["site"] != ""]


def test_release_plan__gap_is_proven(outcome: ReleaseOutcome) -> None:
    assert outcome.plan.gap is not None
    assert outcome.plan.gap <= 0.005


def test_release_plan__capacity_numbers_and_order(full: Programme, sent: pd.DataFrame) -> None:
    sites = full.tables["sites"].set_index("name")
    residents = full.tables["residents"].groupby("site_id")["number"].sum()
    arriving = sent.groupby("site").size()
    for name, number in arriving.items():
        site = sites.loc[name]
        assert site["open_for_release"]
        if pd.notna(site["capacity_fish"]):
            assert number + residents.get(site["site_id"], 0) <= site["capacity_fish"]
        if pd.notna(site["wanted"]):
            assert number == site["wanted"]
        if pd.notna(site["max_receive"]):
            assert number <= site["max_receive"]
        assert number >= (0 if pd.isna(site["min_group"]) else site["min_group"])
    assert sent["tag"].is_unique
    assert len(full.tables["stock"]) - len(sent) >= full.settings["keep_back"]


def test_release_plan__small_fish_only_where_no_predators_are(full: Programme, sent: pd.DataFrame) -> None:
    sites = full.tables["sites"].set_index("name")
    day = pd.Timestamp(full.settings.day("release_day"))
    fresh = (day - sites["surveyed_on"]).dt.days <= full.settings["survey_valid_days"]
    safe = (sites["predators"] == "none") & fresh & ~sites["connection"].isin(["open", "seasonal"])
    small = sent[sent["total_length_mm"] < full.settings["predator_min_length_mm"]]
    assert len(small) > 0
    assert small["site"].map(safe).all()
    minimum = sent["site"].map(sites["min_length_mm"]).fillna(0)
    assert (sent["total_length_mm"] >= minimum).all()


def test_release_plan__holds_certificates_and_water_order(full: Programme, sent: pd.DataFrame) -> None:
    stock = full.tables["stock"].set_index("stock_id").loc[sent["stock_id"]]
    day = pd.Timestamp(full.settings.day("release_day"))
    assert not (stock["withdrawal_until"] >= day).any()
    certificates = full.tables["certificates"]
    valid = certificates[
        (certificates["result"] == "clear")
        & (certificates["issued_on"] <= day)
        & (certificates["valid_until"] >= day)
    ]
    assert stock["unit"].isin(valid["unit"]).all()
    expired = set(certificates["unit"]) - set(valid["unit"])
    assert expired, "the demo has a certificate that ends three days before the release"
    risk = full.tables["units"].set_index("unit_id")["water_risk"]
    to = full.tables["sites"].set_index("name")["water_risk"]
    assert (sent["site"].map(to).to_numpy() >= stock["unit"].map(risk).to_numpy()).all()


def test_release_plan__family_cap_spread_and_place_cap(full: Programme, sent: pd.DataFrame) -> None:
    sites = full.tables["sites"].set_index("site_id")
    living = full.tables["residents"].assign(site=lambda t: t["site_id"].map(sites["name"]))
    living = living[living["family"] != ""]
    all_fish = pd.concat(
        [
            sent.groupby(["site", "family"]).size().rename("number").reset_index(),
            living[["site", "family", "number"]],
        ]
    )
    by_family = all_fish.groupby(["site", "family"])["number"].sum()
    bodies = by_family.groupby("site").sum()
    cap = full.settings["family_share_cap"]
    arrivals = sent.groupby(["site", "family"]).size()
    for (site, family), number in arrivals.items():
        kind = full.tables["sites"].set_index("name").loc[site, "kind"]
        if kind != "reservoir-zone":
            assert by_family[site, family] <= max(1, cap * bodies[site] + 1e-9), (site, family, number)
    places = by_family[by_family > 0].reset_index().groupby("family")["site"].nunique()
    stock = full.tables["stock"].groupby("family").size()
    spread = sent.groupby("family").size()
    big = spread[spread >= full.settings["spread_from_size"]].index
    assert (places.loc[big] >= full.settings["families_in_at_least_sites"]).all()
    assert stock.sum() == len(full.tables["stock"])


def test_release_plan__every_fish_that_stays_has_a_reason(outcome: ReleaseOutcome) -> None:
    stays = outcome.fish[outcome.fish["site"] == ""]
    assert len(stays) > 0
    assert (stays["why"] != "").all()


@pytest.mark.slow
def test_release_plan__closed_site_gets_none(full: Programme) -> None:
    outcome = release_plan(full, closed=("QL",), version=2)
    assert "Quern Lagoon" not in set(outcome.fish["site"])


def test_release_plan__unknown_site(full: Programme) -> None:
    with pytest.raises(UsageError, match="found 'XX'"):
        release_plan(full, closed=("XX",))


def test_release_plan__names_the_rules_that_conflict(tiny_folder: Path) -> None:
    impossible = open_programme(tiny_folder, {"release_wanted": "150", "keep_back": "100"})
    with pytest.raises(NoReleasePlanError, match="cannot hold together") as caught:
        release_plan(impossible)
    assert caught.value.exit_code == 4


def test_write_release__manifest_lists_every_tag(tiny: Programme, tmp_path: Path) -> None:
    outcome = release_plan(tiny)
    write_release(tiny, outcome, tmp_path)
    html = (tmp_path / "release_manifest.html").read_text(encoding="utf-8")
    for tag in outcome.fish.loc[outcome.fish["site"] != "", "tag"]:
        assert tag in html
    assert (tmp_path / "release_manifest.pdf").read_bytes().startswith(b"%PDF")
    plan = json.loads((tmp_path / "release_plan.json").read_text())
    numbers = outcome.plan.numbers
    assert numbers is not None
    assert sum(line["number"] for line in plan["lines"]) == numbers.sum()
    assert manifest(tiny, outcome, with_tags=False).mark == plan["provenance"]["mark"]


def test_family_kinship__agrees_with_offspring_put_into_the_pedigree(full: Programme) -> None:
    # Two young of each family are added to the pedigree; their recursive kinship is the oracle.
    from broodstock.pedigree.kinship import kinship_matrix

    families = full.tables["families"].query("kind == 'cross' and dam != '' and sire != ''").head(12)
    names = list(families["family_id"])
    index = full.pedigree.index
    young = [
        [index[d], index[s]] for d, s in zip(families["dam"], families["sire"], strict=True) for _ in range(2)
    ]
    n = len(full.pedigree)
    parents = np.vstack([full.pedigree.parents, np.array(young, dtype=np.int32)])
    kinship = kinship_matrix(parents)[n:, n:]
    ours = full.family_kinship(names)
    for i in range(len(names)):
        for j in range(len(names)):
            assert ours[i, j] == pytest.approx(kinship[2 * i, 2 * j + 1], abs=1e-12)
