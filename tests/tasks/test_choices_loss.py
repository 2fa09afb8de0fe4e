"""What a lost place takes: against pairs of fish one by one, genes counted one by one, and hand cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.gene_drop import drop_genes
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.known_living import KnownLiving, known_living
from planner.tasks.loss import LossReport, loss_report, read_load, write_loss
from planner.tasks.programme import Programme


@pytest.fixture(scope="module")
def living(tiny: Programme) -> KnownLiving:
    return known_living(tiny)


@pytest.fixture(scope="module")
def report(tiny: Programme) -> LossReport:
    return loss_report(tiny, sites=("QL",))


def frame(table: pd.DataFrame, records: list[dict[str, object]]) -> pd.DataFrame:
    """A table with other rows and the same columns, texts empty where nothing is given."""
    out = pd.DataFrame(records, columns=list(table.columns))
    for column in table.columns:
        if column not in records[0]:
            out[column] = "" if pd.api.types.is_string_dtype(table[column]) else pd.NaT
    return out


def programme_of(tiny: Programme, stock: list[tuple[str, str, str]]) -> Programme:
    """Four unrelated broodfish that are no longer alive, two families of them, and some young in units."""
    t = tiny.tables
    fish = [
        {"fish_id": f, "sex": sex, "status": "dead", "dam": "", "sire": "", "family": "", "unit": ""}
        for f, sex in (("F1", "female"), ("M1", "male"), ("F2", "female"), ("M2", "male"))
    ]
    families = [
        {"family_id": "A", "kind": "cross", "year_class": 2024, "dam": "F1", "sire": "M1"},
        {"family_id": "B", "kind": "cross", "year_class": 2024, "dam": "F2", "sire": "M2"},
    ]
    young = [{"stock_id": s, "tag": s, "family": f, "year_class": 2024, "unit": u} for s, f, u in stock]
    units = [{"unit_id": u, "building": "Hall"} for u in ("U1", "U2", "U3")]
    tables = dict(t) | {
        "fish": frame(t["fish"], fish),
        "families": frame(t["families"], families),
        "stock": frame(t["stock"], young),
        "units": frame(t["units"], units),
        "residents": t["residents"].iloc[:0],
        "parent_claims": t["parent_claims"].iloc[:0],
        "frozen_milt": t["frozen_milt"].iloc[:0],
    }
    return replace(tiny, tables=tables)


def test_loss__hand_case(tiny: Programme) -> None:
    # Family A (2 fish) in U1, family B 1 in U1 and 2 in U2. Kinship 1/2 self, 1/4 sibs, 0 between.
    small = programme_of(
        tiny, [("a1", "A", "U1"), ("a2", "A", "U1"), ("b1", "B", "U1"), ("b2", "B", "U2"), ("b3", "B", "U2")]
    )
    made = loss_report(small, units=("U1",))
    assert made.families_gone == ["A"]
    assert made.lines_gone == ["F1", "M1"]
    now = 1 - (5 * 0.5 + 2 * 0.25 + 6 * 0.25) / 25
    left = 1 - (2 * 0.5 + 2 * 0.25) / 4
    assert made.gene_diversity_now == pytest.approx(now)
    assert made.loss is not None
    assert made.loss.gene_diversity_left == pytest.approx(left)
    assert made.loss.gene_diversity_lost == pytest.approx(now - left)
    # Genes of A's parents: each of four genes is in none of two sibs with chance 1/4, so 3 are carried, all in U1.
    # Of B's four genes each is in b1 and neither b2 nor b3 with chance 1/8. Half of 3 + 1/2 genes: 1.75 genomes.
    genomes = made.loss.founder_genomes_lost
    assert genomes.low is not None
    assert genomes.high is not None
    assert genomes.value == pytest.approx(1.75, abs=2 * (genomes.high - genomes.low))
    b = made.families.set_index("family").loc["B"]
    assert (b["lost"], b["left"], b["left_at"]) == (1, 2, "unit U2: 2")


def test_loss__all_in_one_place_is_refused(tiny: Programme) -> None:
    small = programme_of(tiny, [("a1", "A", "U1"), ("b1", "B", "U1")])
    with pytest.raises(UsageError, match="one place only"):
        loss_report(small, units=("U1",))


def test_loss__whole_building_leaves_none(tiny: Programme) -> None:
    small = programme_of(tiny, [("a1", "A", "U1"), ("b1", "B", "U2")])
    made = loss_report(small, buildings=("Hall",))
    assert made.loss is not None
    assert made.loss.gene_diversity_left is None
    assert made.families_gone == ["A", "B"]
    assert ("Gene diversity now, afterwards", "0.75000, no fish left") in made.facts()


def test_loss__gene_diversity_is_that_of_all_pairs(living: KnownLiving, report: LossReport) -> None:
    K = kinship_matrix(living.parents)
    alive = living.alive
    assert report.gene_diversity_now == pytest.approx(1 - K[np.ix_(alive, alive)].mean(), abs=1e-12)
    rest = alive[living.place[alive] != living.places.index("site QL")]
    assert report.loss is not None
    assert report.loss.gene_diversity_left == pytest.approx(1 - K[np.ix_(rest, rest)].mean(), abs=1e-12)


def test_loss__genes_counted_one_by_one(living: KnownLiving, report: LossReport) -> None:
    alive = living.alive
    dropped = drop_genes(living.parents, alive, 400, 7).genes
    there = living.place[alive] == living.places.index("site QL")
    lost = [len(set(g[there].ravel()) - set(g[~there].ravel())) / 2 for g in dropped]
    assert report.loss is not None
    genomes = report.loss.founder_genomes_lost
    error = np.std(lost) / len(lost) ** 0.5
    assert genomes.value == pytest.approx(np.mean(lost), abs=5 * error + 0.02)


def test_known_living__counts_every_fish_once(tiny: Programme, living: KnownLiving) -> None:
    t = tiny.tables
    residents = t["residents"]
    brood = t["fish"]["status"].isin(["brood", "hold"]).sum()
    known = residents.loc[residents["family"] != "", "number"].sum()
    assert len(living.alive) == len(t["stock"]) + brood + known
    assert sum(living.uncounted.values()) == residents.loc[residents["family"] == "", "number"].sum()
    assert (living.parents < np.arange(len(living.parents))[:, None]).all()


def test_known_living__a_larval_group_has_its_kinship(tiny: Programme) -> None:
    # Enough fish that all pairs of the 25 unknown parents occur about equally often.
    stock = [(f"x{i}", "L", "U1") for i in range(600)]
    small = programme_of(tiny, stock)
    living = known_living(small)
    K = kinship_matrix(living.parents)[np.ix_(living.alive, living.alive)]
    n = len(K)
    between = (K.sum() - np.trace(K)) / (n * (n - 1))
    assert between == pytest.approx(tiny.settings["larval_group_kinship"], rel=0.05)


def test_loss__a_truck_with_all_fish_of_a_unit(tiny: Programme) -> None:
    stock = tiny.tables["stock"]
    by_unit = loss_report(tiny, units=("P-02",))
    aboard = stock.loc[stock["unit"] == "P-02"]
    for load in (list(aboard["stock_id"]), list(aboard["tag"])):
        by_truck = loss_report(tiny, load=load)
        assert by_truck.loss is not None
        assert by_unit.loss is not None
        assert by_truck.loss.fish == by_unit.loss.fish == len(aboard)
        assert by_truck.loss.gene_diversity_left == pytest.approx(by_unit.loss.gene_diversity_left)
        assert by_truck.families_gone == by_unit.families_gone


def test_loss__ranking_holds_every_place_and_the_single_loss(tiny: Programme, report: LossReport) -> None:
    ranking = report.ranking.set_index("place")
    assert len(ranking) == len(known_living(tiny).places)
    assert report.ranking["founder_genomes_lost"].is_monotonic_decreasing
    row = ranking.loc["site QL"]
    assert row["families_gone"] == len(report.families_gone)
    assert row["lines_gone"] == len(report.lines_gone)
    assert report.loss is not None
    assert row["gene_diversity_lost"] == pytest.approx(report.loss.gene_diversity_lost)
    assert loss_report(tiny).facts() == ()


def test_loss__more_places_never_leave_more(tiny: Programme, report: LossReport) -> None:
    both = loss_report(tiny, units=("P-01",), sites=("QL",))
    assert set(report.families_gone) <= set(both.families_gone)
    assert set(report.lines_gone) <= set(both.lines_gone)


def test_loss__same_input_same_bytes(tiny: Programme, report: LossReport, tmp_path: Path) -> None:
    again = loss_report(tiny, sites=("QL",))
    for a, b in zip(write_loss(report, tmp_path / "a"), write_loss(again, tmp_path / "b"), strict=True):
        assert a.read_bytes() == b.read_bytes()


def test_loss__bad_input(tiny: Programme, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="unit lost: found 'P-99'"):
        loss_report(tiny, units=("P-99",))
    with pytest.raises(UsageError, match="site lost: found 'ZZ'"):
        loss_report(tiny, sites=("ZZ",))
    with pytest.raises(UsageError, match="load: found 'nobody'"):
        loss_report(tiny, load=("nobody",))
    empty = loss_report(tiny, sites=("NP",))
    assert "no living fish of known family is there" in empty.what
    wrong = tmp_path / "load.csv"
    wrong.write_text("colour\nred\n")
    with pytest.raises(UsageError, match="Expected a column stock_id or tag"):
        read_load(wrong)
    wrong.write_text("tag,site\n1,NP\n")
    assert read_load(wrong) == ["1"]
