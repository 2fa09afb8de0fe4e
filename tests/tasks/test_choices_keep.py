"""The fish to keep, from records: numbers, rules and figures computed again from the tables alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.choice_stock import NoChoiceError, form_of, line_shares, living_kinship, stock_families
from planner.tasks.future_broodstock import KeepOutcome, KeepWishes, keep_plan, write_keep
from planner.tasks.programme import Programme


@pytest.fixture(scope="module")
def outcome(tiny: Programme) -> KeepOutcome:
    return keep_plan(tiny, KeepWishes(40, per_family=8))


def test_stock_families__agree_with_young_put_into_the_pedigree(tiny: Programme) -> None:
    # Young are added to the pedigree; recursive kinship is the oracle for kinship, inbreeding and the living group.
    table = tiny.tables["families"].query("kind == 'cross'")
    index = tiny.pedigree.index
    table = table[table["dam"].isin(index) & table["sire"].isin(index)].head(8)
    names = list(table["family_id"])
    young = [[index[d], index[s]] for d, s in zip(table["dam"], table["sire"], strict=True) for _ in range(2)]
    n = len(tiny.pedigree)
    K = kinship_matrix(np.vstack([tiny.pedigree.parents, np.array(young, dtype=np.int32)]))
    families = stock_families(tiny, names)
    own = K[n:, n:]
    assert families.kinship == pytest.approx(own[0::2, 1::2], abs=1e-12)
    assert families.self_kinship == pytest.approx(np.diag(own)[0::2], abs=1e-12)
    t = np.arange(len(names)) + 1
    assert form_of(tiny, families).value(t) == pytest.approx(float(t @ families.kinship @ t))
    number, near, mean = living_kinship(tiny, families)
    living = tiny.living_rows
    assert number == len(living)
    assert near == pytest.approx(K[n::2][:, living].mean(axis=1), abs=1e-12)
    assert mean == pytest.approx(K[np.ix_(living, living)].mean(), abs=1e-12)


def test_line_shares__add_to_one(tiny: Programme) -> None:
    names = sorted(set(tiny.tables["stock"]["family"]))
    lines, shares = line_shares(tiny, stock_families(tiny, names))
    assert shares.sum(axis=1) == pytest.approx(np.ones(len(names)))
    assert len(set(lines)) == len(lines)


def test_keep_plan__numbers_and_rules(tiny: Programme, outcome: KeepOutcome) -> None:
    kept = outcome.fish[outcome.fish["kept"]]
    assert len(kept) == 40
    assert kept["fish"].is_unique
    assert kept.groupby("family").size().max() <= 8
    counts = kept.groupby("family").size()
    by_family = outcome.families.set_index("family")["kept"]
    assert counts.to_dict() == by_family[by_family > 0].to_dict()
    held = tiny.tables["holds"].query("subject_kind == 'fish' and until_date.isna()")["subject"]
    assert not set(held) & set(kept["fish"])


def test_keep_plan__every_line_is_kept(tiny: Programme, outcome: KeepOutcome) -> None:
    names = list(outcome.families["family"])
    lines, shares = line_shares(tiny, stock_families(tiny, names))
    copies = outcome.families["kept"].to_numpy() @ shares
    there = outcome.families["available"].to_numpy() @ shares
    assert (copies >= np.minimum(1.0, there) - 1e-6).all()
    assert outcome.lines == len(lines)


def test_keep_plan__kinship_of_the_single_fish(tiny: Programme, outcome: KeepOutcome) -> None:
    # Every kept fish as an individual: pairs of the same family have the family's kinship, a fish its own.
    families = stock_families(tiny, sorted(set(outcome.fish["family"])))
    at = outcome.fish.loc[outcome.fish["kept"], "family"].map(families.position()).to_numpy()
    K = families.kinship[np.ix_(at, at)].copy()
    np.fill_diagonal(K, families.self_kinship[at])
    assert outcome.chosen.kinship == pytest.approx(K.mean(), abs=1e-12)
    assert outcome.chosen.report.gap is not None
    assert outcome.chosen.report.gap <= tiny.settings["gap"]
    assert all(outcome.chosen.report.objective <= p.objective for p in outcome.plain)


def test_keep_plan__must_and_must_not(tiny: Programme) -> None:
    stock = tiny.tables["stock"]
    family = stock["family"].value_counts().index[0]
    other = stock["family"].value_counts().index[1]
    fish = stock.loc[stock["family"] == family, "stock_id"].iloc[3]
    made = keep_plan(tiny, KeepWishes(30, line_copies=0, must=(fish, f"{family}=7"), must_not=(other,)))
    kept = made.fish[made.fish["kept"]]
    assert fish in set(kept["fish"])
    assert (kept["family"] == family).sum() >= 7
    assert other not in set(kept["family"])


def test_keep_plan__among_broodfish(tiny: Programme) -> None:
    made = keep_plan(tiny, KeepWishes(6, among="brood", line_copies=0, least_females=2, least_males=2))
    kept = list(made.fish.loc[made.fish["kept"], "fish"])
    rows = tiny.pedigree.rows(kept)
    K = kinship_matrix(tiny.pedigree.parents)
    assert made.chosen.kinship == pytest.approx(K[np.ix_(rows, rows)].mean(), abs=1e-12)
    sexes = made.fish.loc[made.fish["kept"], "sex"].value_counts()
    assert sexes["female"] >= 2
    assert sexes["male"] >= 2


def test_keep_plan__contradictions_are_named(tiny: Programme) -> None:
    with pytest.raises(NoChoiceError, match="allow at most 146 fish") as caught:
        keep_plan(tiny, KeepWishes(1000))
    assert caught.value.exit_code == 4
    with pytest.raises(NoChoiceError, match="at least 140 females"):
        keep_plan(tiny, KeepWishes(140, least_females=140))


def test_keep_plan__bad_names(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="--not: found 'nothing'"):
        keep_plan(tiny, KeepWishes(5, must_not=("nothing",)))
    with pytest.raises(UsageError, match="--must: found 'nothing'"):
        keep_plan(tiny, KeepWishes(5, must=("nothing",)))
    with pytest.raises(UsageError, match="Expected FAMILY=NUMBER"):
        keep_plan(tiny, KeepWishes(5, must=("nothing=3",)))


def test_write_keep__same_bytes_again(tiny: Programme, outcome: KeepOutcome, tmp_path: Path) -> None:
    again = keep_plan(tiny, KeepWishes(40, per_family=8))
    first, second = write_keep(outcome, tmp_path / "a"), write_keep(again, tmp_path / "b")
    assert first[1].read_bytes() == second[1].read_bytes()
    plan = json.loads(first[2].read_text())
    assert len(plan["fish"]) == 40
    assert pd.read_csv(first[0])["kept"].sum() == 40
