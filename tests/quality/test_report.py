"""The whole report: planted faults are found, clean data stay clean, nothing is NaN."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import Locus
from broodstock.genotypes.quality.plates import PlateLayout, well_name
from broodstock.genotypes.quality.report import quality_report
from broodstock.genotypes.quality.thresholds import QualityThresholds, SampleRecords
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

N_NEUTRAL, N_DIAGNOSTIC, N_SEX = 120, 12, 4


def _build(seed=1, n_founders=80, n_young=40, n_repeats=12):
    """A small programme: founders, young of recorded crosses, repeats of the first founders, two blanks."""
    rng = np.random.default_rng(seed)
    minor = rng.uniform(0.15, 0.5, N_NEUTRAL)
    p = np.stack([1 - minor, minor], axis=1)
    founders = draw_unrelated(p, n_founders, rng)
    pairs = np.array([[k % 20, 20 + (k * 3) % 20] for k in range(n_young)])
    truth = np.concatenate([founders, draw_offspring(founders, pairs, rng)], axis=1)
    truth = np.concatenate([truth, truth[:, :n_repeats]], axis=1)
    n = truth.shape[1]
    neutral = read_with_errors(truth, p, ErrorModel.uniform(N_NEUTRAL, 0.003), 0.02, rng)
    diagnostic = np.zeros((N_DIAGNOSTIC, n, 2), np.int16)
    male = np.zeros(n, bool)
    male[20:40] = True
    male[60:n_founders] = True
    male[n_founders : n_founders + n_young : 2] = True
    sex = np.zeros((N_SEX, n, 2), np.int16)
    sex[:, male, 1] = 1
    calls = np.concatenate([neutral, diagnostic, sex])
    calls = np.concatenate([calls, np.full((len(calls), 2, 2), -1, np.int16)], axis=1)
    names = (
        [f"F{i:02d}" for i in range(n_founders)]
        + [f"Y{i:02d}" for i in range(n_young)]
        + [f"F{i:02d}-again" for i in range(n_repeats)]
        + ["blank-1", "blank-2"]
    )
    loci = [Locus(f"N{k:03d}") for k in range(N_NEUTRAL)]
    loci += [Locus(f"D{k:02d}", role="diagnostic", foreign_allele="2") for k in range(N_DIAGNOSTIC)]
    loci += [Locus(f"X{k}", role="sex", male_allele="2") for k in range(N_SEX)]
    genotypes = replace(genotype_set(calls, 2, names), loci=tuple(loci))
    records = SampleRecords(
        fish_of={name: name.removesuffix("-again") for name in names if not name.startswith("blank")},
        sex={name: "male" if m else "female" for name, m in zip(names[:n], male, strict=True)},
        parents=[(f"Y{k:02d}", f"F{d:02d}", f"F{s:02d}") for k, (d, s) in enumerate(pairs)],
        reference=names[:n_founders],
        blanks=("blank-1", "blank-2"),
    )
    return genotypes, records


def _put(genotypes, name, calls):
    changed = genotypes.calls.copy()
    changed[:, genotypes.index[name]] = calls
    return replace(genotypes, calls=changed)


def _of(genotypes, name):
    return genotypes.calls[:, genotypes.index[name]].copy()


def _assert_no_nan(report):
    for table in (
        report.samples,
        report.loci,
        report.duplicates,
        report.linked,
        report.parents,
        report.wells,
    ):
        for column in table.columns:
            values = table[column].dropna()
            if pd.api.types.is_float_dtype(table[column]):
                assert np.isfinite(values.to_numpy(dtype=float)).all()


def test_report__clean_programme_leaves_out_repeats_and_blanks_only():
    genotypes, records = _build()
    report = quality_report(genotypes, records)
    _assert_no_nan(report)
    assert report.notices == ()
    assert report.excluded("locus") == ()
    reasons = {e.name: e.reason for e in report.exclusions}
    assert len(reasons) == 14
    assert reasons["blank-1"] == "negative control"
    repeats = [name for name in reasons if not name.startswith("blank")]
    assert {name.removesuffix("-again") for name in repeats} == {f"F{i:02d}" for i in range(12)}
    assert all("is kept" in reasons[name] for name in repeats)
    kept = report.apply(genotypes)
    assert kept.n_samples == 120
    assert report.replicates.error_rate.value < 0.01
    assert report.summary().startswith(
        "134 samples and 136 loci checked; 14 samples and 0 loci left out; 0 points"
    )


def test_report__finds_every_planted_fault():
    genotypes, records = _build(seed=2)
    original = genotypes
    mixed = _of(genotypes, "F50")
    other = _of(genotypes, "F51")
    het = ((mixed != other).any(axis=1)) & (mixed[:, 0] >= 0) & (other[:, 0] >= 0)
    mixed[het] = (0, 1)
    genotypes = _put(genotypes, "F50", mixed)
    genotypes = _put(genotypes, "F45", _of(original, "F44"))
    foreign = _of(genotypes, "F47")
    foreign[N_NEUTRAL : N_NEUTRAL + N_DIAGNOSTIC] = (0, 1)
    genotypes = _put(genotypes, "F47", foreign)
    genotypes = _put(genotypes, "F03-again", _of(original, "F60"))
    poor = _of(genotypes, "F70")
    poor[:60] = -1
    genotypes = _put(genotypes, "F70", poor)
    blank = _of(original, "F71")
    genotypes = _put(genotypes, "blank-2", blank)
    bad_locus = genotypes.calls.copy()
    bad_locus[5, ::2] = -1
    bad_locus[6] = np.where(bad_locus[6] >= 0, 0, -1)
    homozygous = bad_locus[7, :80].copy()
    homozygous[:, 1] = homozygous[:, 0]
    bad_locus[7, :80] = homozygous
    genotypes = replace(genotypes, calls=bad_locus)
    records = replace(
        records,
        sex={**records.sex, "F01": "male"},
        parents=[(o, "F09" if o == "Y05" else d, s) for o, d, s in records.parents],
    )
    report = quality_report(genotypes, records)
    _assert_no_nan(report)
    by_code: dict = {}
    for notice in report.notices:
        by_code.setdefault(notice.code, []).append(notice.names)
    assert by_code.pop("two-fish") == [("F50",)]
    assert by_code.pop("same-genotype") == [("F44", "F45"), ("F60", "F03-again")]
    assert by_code.pop("foreign-species") == [("F47",)]
    assert by_code.pop("replicate-differs") == [("F03", "F03-again")]
    assert by_code.pop("blank-typed") == [("blank-2",)]
    assert by_code.pop("sex-differs") == [("F01",), ("F03-again",)]
    assert by_code.pop("parents-mismatch")[0][0] == "Y05"
    assert by_code.pop("null-alleles") == [("N007",)]
    assert by_code == {}
    reasons = {e.name: e.reason for e in report.exclusions}
    assert reasons["F70"].startswith("typed at 5")
    assert "at least 80% asked for" in reasons["N005"]
    assert reasons["N006"] == "fewer than two alleles are seen in the samples kept"
    assert "two fish in one vial" in reasons["F50"]
    row = report.samples.set_index("sample").loc["F47"]
    assert row["hybrid_word"] == "first-generation hybrid"
    assert bool(row["kept"])


def test_report__switches_decide_what_is_left_out():
    genotypes, records = _build(seed=3)
    calls = genotypes.calls.copy()
    calls[N_NEUTRAL : N_NEUTRAL + N_DIAGNOSTIC, 47] = (0, 1)
    calls[7, :80, 1] = calls[7, :80, 0]
    genotypes = replace(genotypes, calls=calls)
    kept = quality_report(genotypes, records, QualityThresholds(exclude_replicates=False))
    assert kept.excluded("sample") == ("blank-1", "blank-2")
    assert kept.excluded("locus") == ()
    strict = quality_report(
        genotypes, records, QualityThresholds(exclude_hybrids=True, exclude_hardy_weinberg=True)
    )
    assert "F47" in strict.excluded("sample")
    assert strict.excluded("locus") == ("N007",)


def test_report__plate_shift_reaches_the_notices():
    genotypes, records = _build(seed=4, n_repeats=40)
    names = [f"F{i:02d}-again" for i in range(40)]
    layout = [
        PlateLayout(name, "P1", well_name(k % 8, k // 8), same_fish=(name.removesuffix("-again"),))
        for k, name in enumerate(names)
    ]
    calls = genotypes.calls.copy()
    at = [genotypes.index[n] for n in names]
    calls[:, at[8:16]] = genotypes.calls[:, at[16:24]]
    report = quality_report(replace(genotypes, calls=calls), replace(records, layout=layout))
    sentences = [n.sentence for n in report.notices if n.code == "plate-pattern"]
    assert any("8 wells hold the fish expected 1 column right of them" in s for s in sentences)
    assert len(report.wells) == 8


def test_report__same_answer_when_samples_and_loci_are_shuffled():
    genotypes, records = _build(seed=5)
    rng = np.random.default_rng(1)
    shuffled = genotypes.take(rng.permutation(genotypes.n_samples), rng.permutation(genotypes.n_loci))
    one, two = quality_report(genotypes, records), quality_report(shuffled, records)
    columns = ["call_rate", "heterozygosity_z", "hybrid_index", "dna_sex"]
    left = one.samples.set_index("sample")[columns].sort_index()
    right = two.samples.set_index("sample")[columns].sort_index()
    pd.testing.assert_frame_equal(left, right)
    assert {n.code for n in one.notices} == {n.code for n in two.notices}


@pytest.mark.parametrize(
    "case", ["nothing typed", "one fish", "one allele", "no samples", "no loci", "60 alleles"]
)
def test_report__degenerate_sets(case):
    rng = np.random.default_rng(6)
    calls = {
        "nothing typed": np.full((12, 6, 2), -1),
        "one fish": rng.integers(0, 2, (12, 1, 2)),
        "one allele": np.zeros((12, 6, 2)),
        "no samples": np.zeros((12, 0, 2)),
        "no loci": np.zeros((0, 6, 2)),
        "60 alleles": rng.integers(0, 60, (12, 40, 2)),
    }[case].astype(np.int16)
    report = quality_report(genotype_set(calls, 60 if case == "60 alleles" else 2))
    _assert_no_nan(report)
    assert len(report.samples) == calls.shape[1]
    assert len(report.loci) == calls.shape[0]
    report.apply(genotype_set(calls, 60 if case == "60 alleles" else 2))
    assert report.replicates.error_rate.text().startswith("not estimable because")
    assert "not estimable" in report.summary()


def test_report__raises_on_unchecked_samples_and_bad_thresholds():
    genotypes, records = _build(seed=7)
    report = quality_report(genotypes.take(samples=range(50)), records)
    with pytest.raises(UsageError, match=r"found sample 'F50', which was not checked"):
        report.apply(genotypes)
    with pytest.raises(UsageError, match=r"min_sample_call_rate: found 80. Expected a share from 0 to 1"):
        quality_report(genotypes, records, QualityThresholds(min_sample_call_rate=80))
    with pytest.raises(UsageError, match=r"min_compared: found 0"):
        quality_report(genotypes, records, QualityThresholds(min_compared=0))
