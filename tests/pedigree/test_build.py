"""Records to pedigree: order, names, faults."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import PedigreeError, ShapeError, ValueRangeError
from broodstock.pedigree.build import build_pedigree, check_pedigree, sex_codes
from broodstock.pedigree.kinship import kinship_matrix


def test_build_pedigree__keeps_rows_but_puts_parents_first():
    p = build_pedigree(["c", "x", "a", "b", "d"], ["a", "", "", "", "c"], ["b", "", "", "", "x"])
    assert p.ids == ("a", "b", "c", "x", "d")
    assert p.parents.tolist() == [[-1, -1], [-1, -1], [0, 1], [-1, -1], [2, 3]]
    assert p.parents.dtype == np.int32
    assert p.sex.tolist() == [0, 1, 0, 1, -1]


def test_build_pedigree__any_order_of_records_gives_the_same_kinship():
    rng = np.random.default_rng(4)
    females, males = [f"F{i}" for i in range(30)], [f"M{i}" for i in range(30)]
    records = {}
    for i in range(30):
        for name in (females[i], males[i]):
            records[name] = ("", "") if i < 4 else (females[rng.integers(i)], males[rng.integers(i)])
    names = list(records)
    reference = build_pedigree(names, *zip(*records.values(), strict=True))
    k = kinship_matrix(reference.parents)
    for _ in range(5):
        order = rng.permutation(len(names))
        shuffled = [names[i] for i in order]
        p = build_pedigree(shuffled, *zip(*[records[f] for f in shuffled], strict=True))
        rows = p.rows(names)
        np.testing.assert_allclose(
            kinship_matrix(p.parents)[np.ix_(rows, rows)], k[np.ix_(*[reference.rows(names)] * 2)], atol=1e-14
        )


def test_build_pedigree__adds_unlisted_parents_as_founders():
    p = build_pedigree(["c"], ["a"], ["b"], ["unknown"], add_unlisted=True)
    assert p.ids == ("a", "b", "c")
    assert p.sex.tolist() == [0, 1, -1]
    with pytest.raises(PedigreeError, match=r"2 parent\(s\) that are not listed: 'a', 'b'"):
        build_pedigree(["c"], ["a"], ["b"])


def test_build_pedigree__empty():
    p = build_pedigree([], [], [])
    assert len(p) == 0
    assert p.parents.shape == (0, 2)


def test_build_pedigree__recorded_sex_stays():
    p = build_pedigree(["a", "b", "c"], ["", "", "a"], ["", "", "b"], ["male", "unknown", "female"])
    assert p.sex.tolist() == [1, 1, 0]


@pytest.mark.parametrize(
    ("ids", "dams", "sires", "message", "fish"),
    [
        (["a", "b", "a"], ["", "", ""], ["", "", ""], "listed more than once: 'a'", ("a",)),
        (["a", ""], ["", ""], ["", ""], "fish number 1: found an empty identifier", ()),
        (["a"], ["a"], [""], "own parent: 'a'", ("a",)),
        (["a", "b", "c"], ["", "a", ""], ["", "", "a"], "a dam and a sire: 'a'", ("a",)),
        (["a", "b"], ["", "a"], ["", "a"], "a dam and a sire: 'a'", ("a",)),
        (
            ["k", "n", "m", "x"],
            ["m", "", "n", ""],
            ["", "k", "x", ""],
            "each fish a parent of the next: k -> n -> m -> k",
            ("k", "n", "m"),
        ),
    ],
)
def test_build_pedigree__raises_and_names_the_fish(ids, dams, sires, message, fish):
    with pytest.raises(PedigreeError, match=message) as caught:
        build_pedigree(ids, dams, sires)
    assert caught.value.fish == fish


def test_build_pedigree__raises_on_lengths_and_sexes():
    with pytest.raises(ShapeError, match="found 1 fish, 0 dams, 1 sires"):
        build_pedigree(["a"], [], [""])
    with pytest.raises(ValueRangeError, match=r"found 'F'\. Expected 'female'"):
        build_pedigree(["a"], [""], [""], ["F"])
    assert sex_codes([0, 1, -1], 3).tolist() == [0, 1, -1]
    with pytest.raises(ValueRangeError, match="found 2"):
        sex_codes([2], 1)


def find(findings, code):
    return [f for f in findings if f.code == code]


def test_check_pedigree__clean_records_give_nothing():
    years = [2012, 2012, 2016]
    found = check_pedigree(
        ["a", "b", "c"],
        ["", "", "a"],
        ["", "", "b"],
        ["female", "male", "unknown"],
        birth_years=years,
        min_age_female=4,
        min_age_male=3,
    )
    assert found == []


def test_check_pedigree__names_every_fault():
    ids = ["EM-01", "EM-02", "EM-03", "EM-04", "EM-05", "EM-06", "EM-07", "EM-02", "EM-08", "EM-09"]
    dams = ["", "", "EM-01", "EM-06", "EM-04", "EM-05", "EM-02", "", "EM-08", "EM-10"]
    sires = ["", "", "EM-02", "EM-02", "", "", "EM-02", "", "", ""]
    sexes = ["female", "male", "male", "female", "female", "female", "", "male", "female", ""]
    years = [2015, 2014, 2015, 2018, 2018, 2018, 2016, None, 2018, 2018]
    found = check_pedigree(
        ids, dams, sires, sexes, file="fish.csv", birth_years=years, min_age_female=3, min_age_male=3
    )
    assert find(found, "duplicate-id")[0].text().startswith("fish.csv, row 9, fish_id: found 'EM-02' again.")
    assert find(found, "duplicate-id")[0].others[0].row == 3
    assert [f.where.text() for f in find(found, "self-parent")] == ["fish.csv, row 10, dam"]
    loop = find(found, "pedigree-loop")
    assert len(loop) == 1
    assert "EM-04 -> EM-05 -> EM-06 -> EM-04" in loop[0].found
    assert [p.row for p in (loop[0].where, *loop[0].others)] == [5, 6, 7]
    two = find(found, "two-sex-parent")
    assert [f.found for f in two] == ["'EM-02' as both parents of one fish (dam of 1 and sire of 3 fish)"]
    sex = find(found, "parent-sex")
    assert [f.where.text() for f in sex] == ["fish.csv, row 8, dam"]
    assert sex[0].others[0].text() == "fish.csv, row 3, sex"
    age = find(found, "parent-age")
    assert [(f.where.row, f.where.column, f.level) for f in age] == [
        (4, "dam", "error"),
        (5, "dam", "error"),
        (6, "dam", "error"),
        (7, "dam", "error"),
        (8, "dam", "warning"),
        (4, "sire", "warning"),
        (8, "sire", "warning"),
    ]
    assert "of the same year class as its offspring" in age[0].found
    assert age[4].expected == "a female of at least 3 years"
    unknown = find(found, "parent-unknown")
    assert len(unknown) == 1
    assert (
        unknown[0]
        .text()
        .startswith(
            "fish.csv, row 11, dam: found 'EM-10'. Expected a fish_id in fish.csv or the register. Did you mean 'EM-01'?"
        )
    )


def test_check_pedigree__younger_parent():
    found = check_pedigree(["a", "b"], ["", "a"], ["", ""], ["", ""], birth_years=[2019, 2017])
    assert [f.found for f in found] == ["'a' of year class 2019, younger than its offspring of 2017"]


def test_check_pedigree__parents_known_elsewhere():
    arguments = (["c"], ["a"], ["b"], [""])
    assert [f.code for f in check_pedigree(*arguments)] == ["parent-unknown"] * 2
    assert [f.found for f in check_pedigree(*arguments, known_elsewhere={"a"})] == ["'b'"]
    assert check_pedigree(*arguments, report_unknown=False) == []


def test_check_pedigree__suggests_only_the_right_sex():
    found = check_pedigree(
        ["RS-0421", "RS-0413", "RS-0500"], ["", "", "RS-0412"], [""] * 3, ["female", "male", "female"]
    )
    assert "Did you mean 'RS-0421'?" in found[0].remedy
    far = check_pedigree(["RS-0421"], ["QQQQ"], [""], ["female"])
    assert "Did you mean" not in far[0].remedy


def test_check_pedigree__raises_on_lengths():
    with pytest.raises(ShapeError, match=r"lengths \[1, 2\]"):
        check_pedigree(["a"], ["", ""], [""], [""])
