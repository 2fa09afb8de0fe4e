"""Shifted columns, exchanged wells, clusters of misplaced wells, recorded parents that do not fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from broodstock.errors import UsageError
from broodstock.genotypes.quality.parent_offspring import recorded_parent_mismatches, worst_loci
from broodstock.genotypes.quality.plates import (
    PlateLayout,
    _hypergeometric_tail,
    check_plates,
    well_name,
    well_position,
)
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

PLACES = [(r, c) for c in range(12) for r in range(8)]


@pytest.fixture(scope="module")
def retyped():
    """A full plate of 96 fish that were all typed before: first 96 samples old, next 96 on the plate."""
    rng = np.random.default_rng(1)
    minor = rng.uniform(0.15, 0.5, 90)
    p = np.stack([1 - minor, minor], axis=1)
    truth = draw_unrelated(p, 96, rng)
    calls = read_with_errors(
        np.concatenate([truth, truth], axis=1), p, ErrorModel.uniform(90, 0.004), 0.03, rng
    )
    return p, truth, calls


def _check(calls, **changes):
    genotypes = genotype_set(calls, 2)
    old, new = genotypes.samples[:96], genotypes.samples[96:192]
    layout = [
        PlateLayout(new[k], "P1", well_name(*place), same_fish=(old[k],)) for k, place in enumerate(PLACES)
    ]
    return check_plates(genotypes, layout, **changes)


def test_wells__names_and_positions():
    for place in PLACES:
        assert well_position(well_name(*place)) == place
    assert well_position("h1") == (7, 0)
    assert well_position("H01") == (7, 0)
    for bad in ("", "Z01", "A", "A00", "12B"):
        with pytest.raises(UsageError, match=r"Expected a letter from A to P and a number"):
            well_position(bad)


def test_plates__clean_plate_raises_nothing(retyped):
    found = _check(retyped[2])
    assert found.misplaced == ()
    assert found.patterns == ()
    assert found.n_checked == {"P1": 96}


def test_plates__one_column_holds_its_neighbour(retyped):
    calls = retyped[2].copy()
    column = [96 + k for k, (_, c) in enumerate(PLACES) if c == 4]
    neighbour = [96 + k for k, (_, c) in enumerate(PLACES) if c == 5]
    calls[:, column] = retyped[2][:, neighbour]
    found = _check(calls)
    assert {w.well for w in found.misplaced} == {well_name(r, 4) for r in range(8)}
    assert all(w.fits_wells == (well_name(r, 5),) for r, w in enumerate(found.misplaced))
    shift = next(p for p in found.patterns if p.kind == "shift")
    assert (shift.rows, shift.columns, len(shift.wells)) == (0, 1, 8)
    assert "8 wells hold the fish expected 1 column right of them" in shift.sentence
    cluster = next(p for p in found.patterns if p.kind == "column cluster")
    assert cluster.sentence == "Plate P1: 8 of the 8 wells that miss their expectation lie in column 5."
    assert not any(p.kind == "row cluster" for p in found.patterns)


def test_plates__shift_from_a_column_to_the_end_of_the_plate(retyped):
    calls = retyped[2].copy()
    for k, (r, c) in enumerate(PLACES):
        if c >= 6:
            calls[:, 96 + k] = retyped[2][:, 96 + PLACES.index((r, c - 1))]
    found = _check(calls)
    shift = next(p for p in found.patterns if p.kind == "shift")
    assert (shift.rows, shift.columns, len(shift.wells)) == (0, -1, 48)
    assert shift.sentence.endswith("and 41 more).")


def test_plates__rows_turned_round(retyped):
    calls = retyped[2].copy()
    for k, (r, c) in enumerate(PLACES):
        if r < 2:
            calls[:, 96 + k] = retyped[2][:, 96 + PLACES.index((1 - r, c))]
    shifts = [p for p in _check(calls).patterns if p.kind == "shift"]
    assert sorted((p.rows, p.columns, len(p.wells)) for p in shifts) == [(-1, 0, 12), (1, 0, 12)]


def test_plates__two_wells_exchanged(retyped):
    calls = retyped[2].copy()
    calls[:, [96 + 3, 96 + 50]] = calls[:, [96 + 50, 96 + 3]]
    found = _check(calls)
    exchange = [p for p in found.patterns if p.kind == "exchange"]
    assert [set(p.wells) for p in exchange] == [{well_name(*PLACES[3]), well_name(*PLACES[50])}]
    assert len(found.misplaced) == 2
    assert not any(p.kind == "shift" for p in found.patterns)


def test_plates__poor_typing_is_not_a_wrong_well(retyped):
    p, truth, calls = retyped
    rng = np.random.default_rng(2)
    poor = calls.copy()
    poor[:, 100] = read_with_errors(truth[:, 4:5], p, ErrorModel.uniform(90, 0.05), 0.2, rng)[:, 0]
    poor[10:, 101] = -1
    assert _check(poor, min_compared=20).misplaced == ()


def test_plates__recorded_parents_show_a_shifted_column():
    rng = np.random.default_rng(3)
    minor = rng.uniform(0.2, 0.5, 150)
    p = np.stack([1 - minor, minor], axis=1)
    parents = draw_unrelated(p, 48, rng)
    pairs = np.array([[k % 24, 24 + (k * 7) % 24] for k in range(96)])
    young = draw_offspring(parents, pairs, rng)
    calls = read_with_errors(
        np.concatenate([parents, young], axis=1), p, ErrorModel.uniform(150, 0.004), 0.03, rng
    )
    straight = calls.copy()
    for k, (r, c) in enumerate(PLACES):
        if c == 8:
            calls[:, 48 + k] = straight[:, 48 + PLACES.index((r, 9))]
    for data, n_odd in ((straight, 0), (calls, 8)):
        genotypes = genotype_set(data, 2)
        names = genotypes.samples
        layout = [
            PlateLayout(
                names[48 + k], "P2", well_name(*place), dam=names[pairs[k, 0]], sire=names[pairs[k, 1]]
            )
            for k, place in enumerate(PLACES)
        ]
        found = check_plates(genotypes, layout)
        assert len(found.misplaced) == n_odd
        assert all(w.evidence == "recorded parents" for w in found.misplaced)
        shifts = [(s.rows, s.columns, len(s.wells)) for s in found.patterns if s.kind == "shift"]
        assert shifts == ([(0, 1, 8)] if n_odd else [])


def test_plates__wells_without_evidence_are_not_checked(retyped):
    genotypes = genotype_set(retyped[2], 2)
    layout = [
        PlateLayout(genotypes.samples[96], "P1", "A01"),
        PlateLayout(genotypes.samples[97], "P1", "B01", same_fish=("not typed",), dam="not typed"),
        PlateLayout("not in the set", "P1", "C01"),
        PlateLayout(genotypes.samples[98], "", ""),
    ]
    found = check_plates(genotypes, layout)
    assert found.n_checked == {"P1": 0}
    assert found.misplaced == ()


def test_plates__two_samples_in_one_well(retyped):
    genotypes = genotype_set(retyped[2], 2)
    layout = [PlateLayout(name, "P1", "A01") for name in genotypes.samples[:2]]
    with pytest.raises(
        UsageError, match=r"well A01: found samples 'S0000' and 'S0001'. Expected one sample per well"
    ):
        check_plates(genotypes, layout)


def test_hypergeometric_tail__equals_scipy():
    for k, drawn, marked, total in ((0, 8, 5, 96), (3, 8, 5, 96), (8, 8, 12, 96), (2, 12, 2, 30)):
        expected = stats.hypergeom.sf(k - 1, total, marked, drawn)
        assert math.isclose(_hypergeometric_tail(k, drawn, marked, total), expected, rel_tol=1e-9)


@pytest.fixture(scope="module")
def recorded():
    rng = np.random.default_rng(4)
    minor = rng.uniform(0.2, 0.5, 160)
    p = np.stack([1 - minor, minor], axis=1)
    parents = draw_unrelated(p, 20, rng)
    pairs = np.array([[k % 10, 10 + (k // 10) % 10] for k in range(100)])
    young = draw_offspring(parents, pairs, rng)
    calls = read_with_errors(
        np.concatenate([parents, young], axis=1), p, ErrorModel.uniform(160, 0.004), 0.03, rng
    )
    genotypes = genotype_set(calls, 2)
    names = genotypes.samples
    return genotypes, [(names[20 + k], names[d], names[s]) for k, (d, s) in enumerate(pairs)]


def test_recorded_parents__right_records_fit(recorded):
    genotypes, claims = recorded
    assert {x.verdict for x in recorded_parent_mismatches(genotypes, claims)} == {"fits"}


def test_recorded_parents__wrong_ones_are_named(recorded):
    genotypes, claims = recorded
    names = genotypes.samples
    child, dam, sire = claims[5]
    other_dam, other_sire = names[6], names[15]
    found = recorded_parent_mismatches(
        genotypes,
        [
            (child, other_dam, sire),
            (child, dam, other_sire),
            (child, other_dam, other_sire),
            (child, other_dam, None),
            (child, None, sire),
            (child, None, None),
            (child, "not typed", None),
            ("nobody", dam, sire),
        ],
    )
    assert [x.verdict for x in found] == [
        "dam does not fit",
        "sire does not fit",
        "neither fits",
        "dam does not fit",
        "fits",
        "not testable",
        "not testable",
        "not testable",
    ]
    assert found[0].mismatches > found[0].allowed
    assert found[3].sire_mismatches is None


def test_recorded_parents__pair_that_fails_only_together():
    calls = np.tile(np.array([[0, 1], [0, 0], [0, 0]], dtype=np.int16), (40, 1, 1))
    calls[:20] = np.array([[0, 1], [0, 1], [0, 1]])
    genotypes = genotype_set(calls, 2)
    found = recorded_parent_mismatches(genotypes, [genotypes.samples])[0]
    assert (found.mismatches, found.dam_mismatches, found.sire_mismatches) == (20, 0, 0)
    assert found.verdict == "pair does not fit"


def test_worst_loci__count_impossible_trios(recorded):
    genotypes, claims = recorded
    trios = [tuple(genotypes.index[x] for x in claim) for claim in claims]
    calls = genotypes.calls.copy()
    calls[7] = np.roll(calls[7], 1, axis=0)
    from dataclasses import replace

    counts = worst_loci(replace(genotypes, calls=calls), trios)
    rate = counts[:, 0] / counts[:, 1]
    assert int(np.argmax(rate)) == 7
    assert np.delete(rate, 7).max() < 0.06
