"""Near codes, bought ranges, damage of whole columns."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from broodstock.tags.columns import read_column
from broodstock.tags.damage import hex_read_as_number, rounded_digits
from broodstock.tags.near import NearTag, TagRanges, near_matches, suggestion

CODE = "999009000012345"
codes = st.integers(0, 99_999).map(lambda n: f"9990090000{n:05d}")


def edit_distance(a: str, b: str) -> int:
    """Edit distance with swaps of neighbours counting one (optimal string alignment), by its recursion."""
    table = [[0] * (len(b) + 1) for _ in range(len(a) + 1)]
    for i in range(len(a) + 1):
        for j in range(len(b) + 1):
            if not i or not j:
                table[i][j] = i + j
                continue
            best = min(table[i - 1][j] + 1, table[i][j - 1] + 1, table[i - 1][j - 1] + (a[i - 1] != b[j - 1]))
            if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
                best = min(best, table[i - 2][j - 2] + 1)
            table[i][j] = best
    return table[-1][-1]


def test_near_matches__names_the_slip() -> None:
    def slip_of(read: str) -> str:
        (near,) = near_matches(read, {CODE})
        assert near.code == CODE
        assert near.known
        return near.slip

    assert slip_of("999090000012345") == "two digits swapped"
    assert slip_of("999009000012346") == "one digit wrong"
    assert slip_of("99900900012345") == "one digit missing"
    assert slip_of("9990090000123445") == "one digit doubled"
    assert slip_of("9990090000123475") == "one digit too many"


@given(st.lists(codes, min_size=1, max_size=12, unique=True), codes, st.randoms(use_true_random=False))
def test_near_matches__are_those_at_edit_distance_one(known: list[str], read: str, rng) -> None:  # type: ignore[no-untyped-def]
    if rng.random() < 0.5:
        at = rng.randrange(len(read))
        read = read[:at] + read[at + 1 :]
    found = {n.code for n in near_matches(read, set(known), limit=20)}
    assert found == {k for k in known if k != read and edit_distance(read, k) == 1}


def test_near_matches__bought_codes_come_after_known_ones_and_only_when_few() -> None:
    ranges = TagRanges.sorted_from([("999009000000000", "999009000034229", "B1", "fish")])
    assert near_matches("989009000012345", set(), ranges) == [NearTag(CODE, "one digit wrong", False)]
    both = near_matches("999009000112345", {CODE}, ranges)
    assert both[0] == NearTag(CODE, "one digit wrong", True)
    assert near_matches("99900900001234", set(), ranges) == []  # a lost last digit: ten codes, no help
    assert suggestion(both[:1]) == f"Did you mean '{CODE}' (one digit wrong)?"
    assert suggestion([]) == ""


def test_near_matches__legacy_codes() -> None:
    assert near_matches("1F74374E86", {"1F74374E68"}) == [NearTag("1F74374E68", "two digits swapped", True)]


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 60)), max_size=8),
    st.lists(st.integers(0, 500), max_size=20),
)
def test_tag_ranges__membership_is_that_of_the_plain_search(
    spans: list[tuple[int, int]], asked: list[int]
) -> None:
    rows = [(f"999{a:012d}", f"999{a + n:012d}", "B", "fish") for a, n in spans]
    ranges = TagRanges.sorted_from(rows)
    for number in asked:
        code = f"999{number:012d}"
        assert (code in ranges) == any(a <= code <= b for a, b, _, _ in rows)
    assert "1F74374E68" not in ranges
    assert len(ranges) == len(spans)


def test_hex_read_as_number__finds_the_text_again() -> None:
    assert "1234567E12" in hex_read_as_number(Decimal("1.234567E+18"))
    assert hex_read_as_number(Decimal("3E7"))[-1] == "3E7"
    assert hex_read_as_number(Decimal("0.5")) == []
    assert hex_read_as_number(Decimal("NaN")) == []
    assert hex_read_as_number(Decimal(-5)) == []


@given(st.integers(0, 9_999_999), st.integers(0, 99))
def test_hex_read_as_number__every_candidate_has_the_value(mantissa: int, power: int) -> None:
    text = f"{mantissa:07d}E{power:02d}"
    value = Decimal(text)
    candidates = hex_read_as_number(value)
    assert all(Decimal(c) == value for c in candidates)
    if mantissa:
        assert text in candidates


def test_rounded_digits__one_in_a_thousand_is_no_suspicion() -> None:
    assert rounded_digits(["999009000012000", *(f"9990090000{n:05d}" for n in range(1, 200))]) == []
    assert rounded_digits(["999009000000000"]) == ["999009000000000"]
    many = [f"99900900001{n}000" for n in range(5)]
    assert rounded_digits(many) == many
    assert rounded_digits(["1F7437E000"]) == []


def test_read_column__reads_by_different_text() -> None:
    column = read_column([CODE, "", "3E7.0218714A39", f"{CODE} ", "9.99E+14", CODE])
    assert column.codes.tolist() == [CODE, "", CODE, CODE, "", CODE]
    assert [column.values[i] for i in column.problems] == ["9.99E+14"]
    assert [column.values[i] for i in np.flatnonzero(column.hidden_blank)] == [f"{CODE} "]
    assert [column.values[i] for i in np.flatnonzero(column.converted)] == ["3E7.0218714A39"]
    assert math.prod(column.codes.shape) == 6


def test_read_column__accepts_nothing() -> None:
    assert read_column([]).codes.shape == (0,)
