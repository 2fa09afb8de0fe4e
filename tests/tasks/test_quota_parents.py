"""Parents behind the larvae of a season from genotypes alone: families made by DNA, then the accumulation curve."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd

from planner.tasks.programme import Programme
from planner.tasks.quota import quota_report

YEAR, PER_FAMILY, FAMILIES = 2024, 6, 4


def with_larvae(programme: Programme, seed: int) -> Programme:
    """Add larvae of four couples with no parent in common; the parents are typed founders, transmission by Mendel."""
    rng = np.random.default_rng(seed)
    held = programme.genotypes["snps"]
    loci = held.n_loci
    known = programme.tables["samples"]
    founders = [held.index[s] for s in known.loc[known["group"] == "founder", "sample_id"] if s in held.index]
    parents = held.calls.transpose(1, 0, 2)[rng.choice(founders, 2 * FAMILIES, replace=False)]
    calls = np.stack(
        [
            np.stack([parents[2 * f + s, np.arange(loci), rng.integers(0, 2, loci)] for s in (0, 1)], axis=1)
            for f in range(FAMILIES)
            for _ in range(PER_FAMILY)
        ],
        axis=1,
    ).astype(np.int16)
    calls[(calls == -1).any(axis=2)] = -1
    names = tuple(f"L-{k:03d}" for k in range(FAMILIES * PER_FAMILY))
    typed = dataclasses.replace(held, calls=np.concatenate([held.calls, calls], axis=1), samples=(*held.samples, *names))  # fmt: skip
    samples = programme.tables["samples"]
    samples = samples[~((samples["group"] == "larva") & (samples["year_class"] == YEAR))]
    new = samples.iloc[[0] * len(names)].copy()
    new["sample_id"], new["group"], new["year_class"] = list(names), "larva", YEAR
    night = np.datetime64("2024-04-01") + np.arange(len(names)) % 3
    new["collected_on"] = night.astype(samples["collected_on"].dtype)
    tables = {**programme.tables, "samples": pd.concat([samples, new], ignore_index=True)}
    return dataclasses.replace(programme, tables=tables, genotypes={**programme.genotypes, "snps": typed})


def test_quota__counts_parents_of_larvae_from_their_genotypes(tiny: Programme) -> None:
    report = quota_report(with_larvae(tiny, 5), YEAR)
    assert set(report.parents) == {"larvae", "nights"}
    found = report.parents["larvae"]
    assert found.observed.low <= 2 * FAMILIES <= found.observed.high
    values = [c.parents.value for c in found.curve]
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(values))
    assert found.coverage.value > 0.9  # each couple has six larvae: hardly a parent of these is left to find
    assert any("By larvae, families found from DNA" in n for n in report.notes)
    assert report.as_dict()["parents"]["larvae"]["curve"]
