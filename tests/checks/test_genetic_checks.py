"""Genotypes against records: simulated families, planted laboratory faults."""

from __future__ import annotations

import copy
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from broodstock.checks.run import run_checks
from broodstock.findings import Finding
from broodstock.genotypes.genotype_set import GenotypeSet

sys.path.insert(0, str(Path(__file__).resolve().parent))
from sound_programme import SETTINGS, TODAY, Rows, frames, sound_genotypes, sound_rows

ROWS = sound_rows()
CALLS = sound_genotypes(ROWS)
GENETIC = (
    "sample-places",
    "call-rates",
    "identities",
    "recorded-parents",
    "sex-by-dna",
    "species",
    "vials",
    "plate-patterns",
)


def found_in(rows: Rows, calls: GenotypeSet) -> list[Finding]:
    return run_checks(frames(rows), {"snps": calls}, SETTINGS, TODAY, only=GENETIC)


def with_calls(change: Callable[[np.ndarray, dict[str, int]], None]) -> GenotypeSet:
    calls = CALLS.calls.copy()
    change(calls, CALLS.index)
    return replace(CALLS, calls=calls)


def codes(found: list[Finding]) -> set[str]:
    return {f.code for f in found}


def test_genetic_checks__sound_genotypes_raise_nothing() -> None:
    assert [f.text() for f in found_in(ROWS, CALLS)] == []
    whole = run_checks(frames(ROWS), {"snps": CALLS}, SETTINGS, TODAY)
    assert [f.text() for f in whole] == []


def test_genetic_checks__same_clip_twice() -> None:
    def twice(calls: np.ndarray, at: dict[str, int]) -> None:
        calls[:, at["BR-005"]] = calls[:, at["BR-003"]]

    found = found_in(ROWS, with_calls(twice))
    assert "genotype-twice" in codes(found)
    clip = next(f for f in found if f.code == "genotype-twice")
    assert clip.where.row == 7
    assert "'BR-005' of 'W-005' and 'BR-003' of 'W-003'" in clip.found
    # The other fish of the pair no longer fits its recorded young.
    assert codes(found) <= {"genotype-twice", "parents-against-dna", "plate-pattern"}


def test_genetic_checks__two_genotypes_of_one_fish() -> None:
    rows = copy.deepcopy(ROWS)
    rows["samples"][4]["fish_id"] = "W-002"
    found = found_in(rows, CALLS)
    assert "fish-two-genotypes" in codes(found)


def test_genetic_checks__replicates_count_as_one_fish() -> None:
    rows = copy.deepcopy(ROWS)
    rows["samples"].append({"sample_id": "RP-1", "group": "replicate", "replicate_of": "BR-000"})
    rows["samples"].append({"sample_id": "RP-2", "group": "replicate", "replicate_of": "RP-1"})
    calls = CALLS.take(samples=[*range(CALLS.n_samples), 0, 0])
    calls = replace(calls, samples=(*CALLS.samples, "RP-1", "RP-2"))
    assert found_in(rows, calls) == []


def test_genetic_checks__controls_are_left_out() -> None:
    rows = copy.deepcopy(ROWS)
    rows["samples"].append({"sample_id": "NC-1", "group": "control", "plate": "PL1", "well": "H12"})
    calls = CALLS.calls[:, :1].copy()
    calls[:] = -1
    whole = replace(
        CALLS, samples=(*CALLS.samples, "NC-1"), calls=np.concatenate([CALLS.calls, calls], axis=1)
    )
    assert found_in(rows, whole) == []


def test_genetic_checks__mothers_swapped() -> None:
    rows = copy.deepcopy(ROWS)
    a, b = rows["families"][0], rows["families"][1]
    a["dam"], b["dam"] = b["dam"], a["dam"]
    found = [f for f in found_in(rows, CALLS) if f.code == "parents-against-dna"]
    young = {s["sample_id"] for s in rows["samples"] if s.get("family") in ("FA-00", "FA-01")}
    assert {f.found.split("'")[1] for f in found} == young
    assert all("dam does not fit" in f.found for f in found)


def test_genetic_checks__sex_on_record_against_dna() -> None:
    rows = copy.deepcopy(ROWS)
    rows["fish"][3]["sex"] = "male"
    (found,) = found_in(rows, CALLS)
    assert found.code == "sex-against-dna"
    assert found.where.row == 5
    assert "female by DNA (0 of 3 loci" in found.found  # one of the four sex loci is not typed
    assert found.others[0].text() == "fish.csv, row 5, sex"


def test_genetic_checks__hybrid_and_the_dishes_it_was_used_in() -> None:
    diagnostic = [j for j, locus in enumerate(CALLS.loci) if locus.role == "diagnostic"]

    def hybrid(calls: np.ndarray, at: dict[str, int]) -> None:
        calls[diagnostic, at["BR-002"]] = (0, 1)

    found = [f for f in found_in(ROWS, with_calls(hybrid)) if f.code == "hybrid-suspected"]
    assert len(found) == 1
    assert "0.50" in found[0].found
    assert "used in 1 dish(es)" in found[0].found
    assert found[0].others[0].file == "crosses.csv"
    tolerant = run_checks(
        frames(ROWS),
        {"snps": with_calls(hybrid)},
        SETTINGS | {"hybrid_index_max": 0.6},
        TODAY,
        only=["species"],
    )
    assert tolerant == []


def test_genetic_checks__two_fish_in_one_vial() -> None:
    neutral = [j for j, locus in enumerate(CALLS.loci) if locus.role == "neutral"]

    def mixed(calls: np.ndarray, at: dict[str, int]) -> None:
        a, b = calls[:, at["BR-004"]], calls[:, at["BR-011"]]
        both = np.stack(
            [np.minimum(a.min(axis=1), b.min(axis=1)), np.maximum(a.max(axis=1), b.max(axis=1))], axis=1
        )
        both[(a[:, 0] < 0) | (b[:, 0] < 0)] = -1
        calls[neutral, at["BR-004"]] = both[neutral]

    found = [f for f in found_in(ROWS, with_calls(mixed)) if f.code == "two-fish-in-vial"]
    assert [f.found.split("'")[1] for f in found] == ["BR-004"]


def test_genetic_checks__poor_sample_is_a_note() -> None:
    def poor(calls: np.ndarray, at: dict[str, int]) -> None:
        calls[:90, at["BR-004"]] = -1

    found = [f for f in found_in(ROWS, with_calls(poor)) if f.code == "call-rate-low"]
    assert [(f.level, f.where.row) for f in found] == [("note", 6)]
    strict = run_checks(
        frames(ROWS), {"snps": CALLS}, SETTINGS | {"sample_call_rate_min": 1.0}, TODAY, only=["call-rates"]
    )
    assert len(strict) > 20


def test_genetic_checks__plate_column_shifted() -> None:
    """The material of one column of the plate stands in the next: young no longer fit their parents."""
    rows = copy.deepcopy(ROWS)
    release = [i for i, s in enumerate(rows["samples"]) if s["group"] == "release"]

    def shift(calls: np.ndarray, _: dict[str, int]) -> None:
        calls[:, release] = np.roll(calls[:, release], 8, axis=1)

    found = found_in(rows, with_calls(shift))
    assert "plate-pattern" in codes(found)
    assert "parents-against-dna" in codes(found)
    pattern = next(f for f in found if f.code == "plate-pattern")
    assert "shift" in pattern.found


@pytest.mark.parametrize(("well", "code", "row"), [("A01", "well-twice", 3), ("Z99", "well-unreadable", 3)])
def test_genetic_checks__wells(well: str, code: str, row: int) -> None:
    rows = copy.deepcopy(ROWS)
    rows["samples"][1]["well"] = well
    found = found_in(rows, CALLS)
    assert [(f.code, f.where.row) for f in found] == [(code, row)]


def test_genetic_checks__samples_without_a_row_are_named_by_their_file() -> None:
    rows = copy.deepcopy(ROWS)
    rows["samples"] = []

    def twice(calls: np.ndarray, at: dict[str, int]) -> None:
        calls[:, at["BR-005"]] = calls[:, at["BR-003"]]

    found = found_in(rows, with_calls(twice))
    assert [(f.code, f.where.file, f.where.column) for f in found] == [
        ("genotype-twice", "genotypes/snps", "BR-005")
    ]


def test_genetic_checks__empty_sets_raise_nothing() -> None:
    empty = GenotypeSet((), (), (), np.zeros((0, 0, 2), dtype=np.int16))
    assert run_checks(frames({}), {"snps": empty}, {}, TODAY) == []
    assert run_checks(frames(ROWS), {"snps": CALLS.take(loci=[])}, SETTINGS, TODAY) == []
