"""Founder groups from records: rules looked up again in the tables, figures computed again from single fish."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.choice_stock import NoChoiceError
from planner.tasks.founder_group import FounderOutcome, FounderWishes, founder_plan, write_founders
from planner.tasks.known_living import known_living
from planner.tasks.programme import Programme


@pytest.fixture(scope="module")
def outcome(tiny: Programme) -> FounderOutcome:
    return founder_plan(tiny, FounderWishes("NP", 20, families=6))


def measure(outcome: FounderOutcome, start: str) -> float:
    value = next(e.value for name, e in outcome.measures if name.startswith(start))
    assert value is not None
    return value


def test_founder_plan__rules_hold_in_the_tables(tiny: Programme, outcome: FounderOutcome) -> None:
    stock = tiny.tables["stock"].set_index("stock_id").loc[outcome.fish["fish"]]
    assert len(stock) == 20
    assert stock.index.is_unique
    assert (stock["total_length_mm"] >= 250).all()
    day = pd.Timestamp(tiny.settings.day("release_day"))
    assert not (stock["withdrawal_until"] >= day).any()
    sizes = stock.groupby("family").size()
    assert len(sizes) >= 6
    assert sizes.between(2, 4).all()
    assert (stock.groupby("family")["sex"].nunique() == 1).all()
    risk = tiny.tables["units"].set_index("unit_id")["water_risk"]
    assert (stock["unit"].map(risk) <= 2).all()


def test_founder_plan__kinship_of_the_single_fish(tiny: Programme, outcome: FounderOutcome) -> None:
    # The crosses' fish as individuals in the pedigree; larval groups by the setting (their unknown parents in
    # the long pedigree only stand in for it).
    living = known_living(tiny)
    row_of = {living.names[i]: i for i in living.alive.tolist()}
    chosen_rows = [row_of[f] for f in outcome.fish["fish"]]
    K = kinship_matrix(living.parents)[np.ix_(chosen_rows, chosen_rows)]
    kinds = tiny.tables["families"].set_index("family_id")["kind"]
    wild = (outcome.fish["family"].map(kinds) != "cross").to_numpy()
    same = outcome.fish["family"].to_numpy()[:, None] == outcome.fish["family"].to_numpy()[None, :]
    K = np.where(same & wild[:, None], tiny.settings["larval_group_kinship"], K)
    K[np.diag_indices(len(K))] = np.where(wild, 0.5, np.diag(K))
    assert outcome.chosen.kinship == pytest.approx(K.mean(), abs=1e-12)
    assert measure(outcome, "Effective founders") == pytest.approx(1 / (2 * K.mean()))
    off = K[~np.eye(len(K), dtype=bool)].mean()
    assert measure(outcome, "Expected inbreeding") == pytest.approx(off)


def test_founder_plan__better_than_without_optimisation(tiny: Programme, outcome: FounderOutcome) -> None:
    assert outcome.chosen.report.gap is not None
    assert outcome.chosen.report.gap <= tiny.settings["gap"] + 1e-12
    assert outcome.chosen.kinship is not None
    assert all(outcome.chosen.kinship < p.kinship for p in outcome.plain)


def test_founder_plan__carries_less_than_unrelated_fish(outcome: FounderOutcome) -> None:
    for p in (0.01, 0.05, 0.1):
        assert (
            0 < measure(outcome, f"Chance to carry a founder allele of frequency {p:g}") < 1 - (1 - p) ** 40
        )


def test_founder_plan__joins_residents(tiny: Programme) -> None:
    made = founder_plan(tiny, FounderWishes("QL", 12, families=4))
    assert made.residents == 9
    assert made.chosen.joint == pytest.approx(made.chosen.report.objective)
    assert any("no fish under 300 mm" in n for n in made.notes)
    lengths = tiny.tables["stock"].set_index("stock_id")["total_length_mm"].loc[made.fish["fish"]]
    assert (lengths >= 300).all()


def test_founder_plan__contradictions_are_named(tiny: Programme) -> None:
    with pytest.raises(NoChoiceError, match=r"at most 2 fish of a family[\s\S]*most \d+ fish") as caught:
        founder_plan(tiny, FounderWishes("NP", 40, families=3, most=2))
    assert caught.value.exit_code == 4
    with pytest.raises(NoChoiceError, match="Nine Posts has room for 80 fish"):
        founder_plan(tiny, FounderWishes("NP", 90, families=3, most=90))
    with pytest.raises(NoChoiceError, match="at least 30 families"):
        founder_plan(tiny, FounderWishes("NP", 60, families=30))


def test_founder_plan__known_sexes(tiny: Programme) -> None:
    made = founder_plan(tiny, FounderWishes("NP", 8, families=2, least=1, known_sex=True))
    sexes = made.fish["sex"].value_counts()
    assert set(sexes.index) == {"female", "male"}
    assert sexes.min() >= 4  # 40 % of 8 is 3.2, whole fish
    ne = next(e for name, e in made.measures if name == "Effective size from the sexes")
    assert ne.value == pytest.approx(4 * sexes["female"] * sexes["male"] / 8)


def test_founder_plan__bad_input(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="--site: found 'XX'"):
        founder_plan(tiny, FounderWishes("XX", 20))
    with pytest.raises(UsageError, match="no least above the most"):
        founder_plan(tiny, FounderWishes("NP", 20, least=5, most=4))
    with pytest.raises(UsageError, match="--class-share"):
        founder_plan(tiny, FounderWishes("NP", 20, class_share=0.0))
    with pytest.raises(UsageError, match="found no fish that may go there"):
        founder_plan(tiny, FounderWishes("NP", 20, min_length_mm=900))


def test_founder_plan__mixes_year_classes_with_a_refuge(tiny: Programme) -> None:
    # A refuge is added to the records: two older families of six fish each.
    from dataclasses import replace

    t = tiny.tables
    older = t["families"].query("kind == 'cross' and year_class < 2024")["family_id"].head(2).tolist()
    refuge = t["sites"][t["sites"]["site_id"] == "NP"].assign(
        site_id="RF", name="Refuge", kind="refuge", water_risk=0
    )
    there = t["residents"].head(2).assign(site_id="RF", family=older, number=6)
    tables = dict(t) | {
        "sites": pd.concat([t["sites"], refuge], ignore_index=True),
        "residents": pd.concat([t["residents"], there], ignore_index=True),
    }
    more = replace(tiny, tables=tables)
    made = founder_plan(more, FounderWishes("NP", 20, families=6, class_share=0.8))
    by_source = made.groups.groupby("source")["number"].sum()
    assert by_source["RF"] >= 4
    assert made.groups.loc[made.groups["source"] == "RF", "number"].max() <= 3
    assert made.groups.groupby("year_class")["number"].sum().max() <= 16
    assert any("at most half of each family" in n for n in made.notes)


def test_write_founders__same_bytes_again(tiny: Programme, outcome: FounderOutcome, tmp_path: Path) -> None:
    again = founder_plan(tiny, FounderWishes("NP", 20, families=6))
    first, second = write_founders(outcome, tmp_path / "a"), write_founders(again, tmp_path / "b")
    assert first[0].read_bytes() == second[0].read_bytes()
    assert first[1].read_bytes() == second[1].read_bytes()
    assert len(json.loads(first[2].read_text())["fish"]) == 20
