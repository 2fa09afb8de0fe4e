"""Kinship with founders related by markers, as plans use it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.pedigree.kinship import kinship_matrix
from broodstock.relatedness.blend import founder_block
from planner.tasks.programme import open_programme
from planner.tasks.spawning import spawning_plan
from planner.tasks.spawning_price import price_words

MARKERS = {"kinship_source": "pedigree-and-markers"}


def test_founder_block__is_never_negative_and_always_possible() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        n = int(rng.integers(2, 30))
        noise = rng.normal(0, 0.2, (n, n))
        block, _ = founder_block(0.5 * np.eye(n) + (noise + noise.T) / 2)
        assert block.min() >= 0
        assert np.linalg.eigvalsh(block)[0] >= -1e-10
        assert (np.diag(block) >= 0.5).all()


def test_marker_kinship__adds_to_the_pedigree_and_bounds_from_above(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, MARKERS)
    markers = programme.by_markers
    assert markers is not None
    plain = kinship_matrix(programme.pedigree.parents)
    off = ~np.eye(len(plain), dtype=bool)
    assert (markers.kinship[off] >= plain[off] - 1e-9).all()
    assert (markers.upper >= markers.kinship - 1e-12).all()
    assert np.linalg.eigvalsh(markers.kinship)[0] > -1e-8
    assert "genotyped founders" in markers.words


def test_spawning_plan__keeps_the_limit_at_the_upper_end_of_the_interval(tiny_folder: Path) -> None:
    wide = {"pair_kinship_limit": "0.25", "pair_limit_on": "upper"}
    programme = open_programme(tiny_folder, MARKERS | wide)
    outcome = spawning_plan(programme)
    markers = programme.by_markers
    assert markers is not None
    index = programme.pedigree.index
    for dam, sire in zip(outcome.crosses["dam"], outcome.crosses["sire"], strict=True):
        assert markers.upper[index[dam], index[sire]] <= 0.25 + 1e-9
    share = np.zeros(len(programme.pedigree))
    for fish in [*outcome.crosses["dam"], *outcome.crosses["sire"]]:
        share[index[fish]] += 1
    share /= share.sum()
    assert outcome.plan.measures is not None
    assert share @ markers.kinship @ share == pytest.approx(outcome.plan.measures.cohort_kinship, abs=1e-9)


def test_upper_limit__needs_markers(tiny_folder: Path) -> None:
    with pytest.raises(UsageError, match="has no interval"):
        spawning_plan(open_programme(tiny_folder, {"pair_limit_on": "upper"}))


def test_marker_kinship__needs_genotyped_founders(tmp_path: Path) -> None:
    (tmp_path / "fish.csv").write_text(
        "fish_id,sex,origin,status\nA,female,wild-adult,brood\n", encoding="utf-8"
    )
    with pytest.raises(UsageError, match="found 0 genotyped founders"):
        _ = open_programme(tmp_path, MARKERS).by_markers


def test_price_of_caution__is_said_in_words(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, MARKERS | {"pair_kinship_limit": "0.25"})
    words = price_words(programme, spawning_plan(programme))
    assert "within the limit" in words
    assert "raises the value by" in words or "no price" in words


@pytest.mark.parametrize("caution", ["interval", "sampled"])
def test_kinship_caution__shows_its_price(tiny_folder: Path, caution: str) -> None:
    """Both plans are of one set of rules: caution can only cost by the estimates and gain in what it minds."""
    outcome = spawning_plan(
        open_programme(tiny_folder, {**MARKERS, "kinship_caution": caution, "kinship_draws": "4"})
    )
    price = outcome.caution
    assert price is not None
    assert price.estimate_cautious >= outcome.caution.nominal.bound * (1 - 1e-9)
    assert price.cautious_value <= price.cautious_of_nominal * 1.01
    assert outcome.plan.value == pytest.approx(price.cautious_value)
    labels = dict(outcome.facts())
    assert "by the estimates" in labels["Price and gain of caution"]
    assert outcome.as_dict()["caution"]["words"].startswith("Price of caution: ")
    assert any("upper limits" in note or "4 draws" in note for note in outcome.inputs.notes)


def test_kinship_caution__needs_markers(tiny_folder: Path) -> None:
    with pytest.raises(
        UsageError, match="kinship_caution: found 'sampled' with kinship from the pedigree alone"
    ):
        spawning_plan(open_programme(tiny_folder, {"kinship_caution": "sampled"}))
