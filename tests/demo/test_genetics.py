"""Genes are dropped down the real pedigree, and the laboratory errs as often as it says."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from planner.demo.gene_drop import drop_strands, gametes
from planner.demo.laboratory import shift_columns
from planner.demo.loci import make_panel
from planner.demo.parameters import TRUTH
from planner.demo.scale import FULL
from planner.demo.true_fish import CROSS, MALE, OLD, TrueFish


def naive_kinship(dam, sire, i, j) -> Fraction:
    """Kinship by the recursive definition: expand the younger fish (parents come first)."""
    if i < 0 or j < 0:
        return Fraction(0)
    if i < j:
        i, j = j, i
    if i == j:
        inbreeding = naive_kinship(dam, sire, dam[i], sire[i]) if dam[i] >= 0 else Fraction(0)
        return (1 + inbreeding) / 2
    if dam[i] < 0:
        return Fraction(0)
    return (naive_kinship(dam, sire, dam[i], j) + naive_kinship(dam, sire, sire[i], j)) / 2


def test_drop__identity_by_descent_approaches_kinship():
    """Unique founder genes dropped at many free loci: shared genes between fish give their kinship."""
    rng = np.random.default_rng(11)
    fish = TrueFish()
    none = np.full(6, -1)
    fish.add(none, none, np.arange(6) % 2, np.zeros(6), OLD, foreign=0.0)
    for _ in range(12):
        n = len(fish)
        dam = rng.choice(np.flatnonzero(fish.sex == 0), 1)
        sire = rng.choice(np.flatnonzero(fish.sex == 1), 1)
        fish.add(dam, sire, np.array([n % 2]), np.array([n]), CROSS)
    rows = np.arange(len(fish))
    n_loci = 6000
    strands = np.zeros((len(fish), 2, n_loci), dtype=np.int16)
    strands[:6] = np.arange(12).reshape(6, 2, 1)
    haplotype = np.where(rows < 6, rows, -1).astype(np.int16)
    drop_strands(fish, rows, strands, haplotype, np.full(n_loci, 0.5), rng)
    for i in range(len(fish)):
        for j in range(i):
            # Two genes drawn from fish i and fish j: the four combinations at every locus.
            same = [(strands[i, a] == strands[j, b]).mean() for a in (0, 1) for b in (0, 1)]
            expected = float(naive_kinship(fish.dam, fish.sire, i, j))
            error = 4 * np.sqrt(max(expected, 0.02) / n_loci)
            assert np.mean(same) == pytest.approx(expected, abs=error), (i, j)
    mother = rows.copy()
    while (fish.dam[mother] >= 0).any():
        mother = np.where(fish.dam[mother] >= 0, fish.dam[mother], mother)
    assert (haplotype == mother).all()


def test_gametes__recombine_by_haldane():
    """Two loci d Morgan apart recombine with chance (1 - exp(-2d)) / 2 (Haldane 1919, J. Genet. 8:299, from memory)."""
    rng = np.random.default_rng(5)
    n, d = 40_000, 0.3
    parents = np.stack([np.zeros((n, 2)), np.ones((n, 2))], axis=1).astype(np.int16)
    expected = 0.5 * (1 - np.exp(-2 * d))
    out = gametes(parents, np.array([0.5, expected]), rng)
    recombined = (out[:, 0] != out[:, 1]).mean()
    assert recombined == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / n))
    assert out[:, 0].mean() == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(n))


def test_panel__switch_follows_the_map():
    panel = make_panel(FULL, np.random.default_rng(2))
    for k in range(1, panel.n_snps):
        a, b = panel.loci[k - 1], panel.loci[k]
        if a.linkage_group != b.linkage_group:
            assert panel.switch[k] == 0.5
        else:
            d = (b.position - a.position) / 1e6 * TRUTH.morgan_per_megabase
            assert panel.switch[k] == pytest.approx(0.5 * (1 - np.exp(-2 * d)))
    assert (panel.switch[panel.n_snps :] == 0.5).all()


def test_panel__minor_frequencies_are_neutral():
    """Density 1/x on 0.05 to 0.5 means the logarithm is uniform: a third of the loci below 0.05 x 10^(1/3)."""
    rng = np.random.default_rng(3)
    minor = []
    for _ in range(20):
        panel = make_panel(FULL, rng)
        neutral = [f for f, x in zip(panel.frequency, panel.loci, strict=True) if x.role == "neutral"]
        minor += [min(f) for f in neutral[: FULL.n_neutral]]
    minor = np.array(minor)
    assert minor.min() >= 0.05
    cuts = 0.05 * 10 ** (np.arange(1, 3) / 3)
    for k, cut in enumerate(cuts, start=1):
        share = (minor < cut).mean()
        assert share == pytest.approx(k / 3, abs=4 * np.sqrt(0.23 / len(minor)))


def test_genes__fit_parents_everywhere(full):
    """Error-free genotypes: one gene of each fish is its dam's, the other its sire's."""
    demo = full[0]
    fish, genes = demo.history.fish, demo.genes
    young = genes.rows[fish.dam[genes.rows] >= 0]
    me = genes.strands[genes.place(young)]
    for side, parents in ((0, fish.dam[young]), (1, fish.sire[young])):
        theirs = genes.strands[genes.place(parents)]
        fits = (me[:, side] == theirs[:, 0]) | (me[:, side] == theirs[:, 1])
        assert fits.all()
    handed_on = genes.haplotype[genes.place(young)] == genes.haplotype[genes.place(fish.dam[young])]
    assert handed_on.all()


def test_genes__show_sex_and_species(full):
    demo = full[0]
    fish, genes = demo.history.fish, demo.genes
    sex = np.flatnonzero(demo.panel.roles == "sex")
    copies = genes.strands[:, :, sex].sum(axis=1)
    males = fish.sex[genes.rows] == MALE
    assert (copies[males] == 1).all()
    assert (copies[~males] == 0).all()
    diagnostic = np.flatnonzero(demo.panel.roles == "diagnostic")
    share = genes.strands[:, :, diagnostic].mean(axis=(1, 2))
    foreign = fish.foreign[genes.rows]
    assert (share[foreign == 0] == 0).all()
    first = (foreign == 0.5) & (fish.foreign[np.maximum(fish.sire[genes.rows], 0)] == 1.0)
    assert first.sum() > 3
    assert (share[first] == 0.5).all()
    assert (foreign > 0).mean() < 0.05


def test_laboratory__rates_are_those_stated(full):
    demo = full[0]
    filled = demo.wells.row >= 0
    typed = demo.snps.typed[:, filled]
    by_sample = 1 - typed.mean(axis=0)
    # Samples differ in quality: the error of the mean follows from their spread.
    error = by_sample.std() / np.sqrt(filled.sum())
    assert typed.mean() == pytest.approx(0.97, abs=max(4 * error, 0.002))
    assert by_sample.max() > 0.2
    assert demo.snps.typed[:, ~filled].mean() < 0.05
    seen, true = demo.snps.calls[:, filled][typed], demo.true_snps.calls[:, filled][typed]
    wrong = (np.sort(seen, axis=1) != np.sort(true, axis=1)).any(axis=1).mean()
    assert wrong == pytest.approx(0.004, abs=4 * np.sqrt(0.004 / len(seen)))


def test_laboratory__replicates_agree(full):
    demo = full[0]
    table = demo.samples.table
    index = demo.snps.index
    pairs = table[table["replicate_of"] != ""]
    rates = []
    for sample, first in zip(pairs["sample_id"], pairs["replicate_of"], strict=True):
        a, b = index[sample], index[first]
        if demo.wells.row[a] != demo.wells.row[b]:
            continue
        x, y = demo.snps.calls[:, a], demo.snps.calls[:, b]
        both = (x[:, 0] >= 0) & (y[:, 0] >= 0)
        rates.append((x[both] != y[both]).any(axis=1).mean())
    assert len(rates) > 200
    assert np.mean(rates) == pytest.approx(2 * 0.004, abs=0.002)


def test_shift_columns__moves_a_column_and_nothing_else():
    plate = np.array(["A"] * 16 + ["B"] * 16)
    well = np.array([f"{'ABCDEFGH'[i % 8]}{i // 8 % 2 + 1:02d}" for i in range(32)])
    row = np.arange(32)
    out = shift_columns(row, plate, well, "A", [1, 2])
    assert out[:8].tolist() == list(range(8, 16))
    assert out[8:16].tolist() == list(range(8))
    assert out[16:].tolist() == list(range(16, 32))


def test_wild_larvae__of_one_night_are_full_of_sibs(full):
    """Two larvae of one night and zone share a mother far oftener than two of the year class."""
    demo = full[0]
    fish = demo.history.fish
    ratios = []
    for takes in demo.history.rearing.takes.values():
        dams = fish.dam[takes.larvae]
        whole = same_parent(dams)
        within = [
            same_parent(dams[takes.take == t]) for t in np.unique(takes.take) if (takes.take == t).sum() > 30
        ]
        ratios.append(np.mean(within) / whole)
    assert np.median(ratios) > 3


def same_parent(labels) -> float:
    """Chance that two different young have the same label."""
    counts = np.unique(labels, return_counts=True)[1].astype(float)
    n = counts.sum()
    return float((counts * (counts - 1)).sum() / (n * (n - 1)))


def test_wild_adults__are_mildly_related(full):
    """Sibs exist among the wild founders, and few: mean kinship by the real parents is below one in a hundred."""
    fish, rows = full[0].history.fish, full[0].history.founders.rows
    dam, sire = fish.dam[rows], fish.sire[rows]
    shared = ((dam[:, None] == dam[None, :]).astype(int) + (sire[:, None] == sire[None, :])) / 8
    np.fill_diagonal(shared, 0)
    mean = shared.sum() / (len(rows) * (len(rows) - 1))
    assert 0.0002 < mean < 0.01
