"""PIT codes: exact values of the ISO 11784 bit layout, written forms, problems."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broodstock.findings import Place
from broodstock.tags import Tag, TagProblem, parse_tag
from broodstock.tags.codes import BLANKS, MAX_NUMBER, format_iso, is_iso, is_legacy, reverse_bits

makers = st.integers(0, 999)
numbers = st.integers(0, MAX_NUMBER)


# The bit layout of ISO 11784 (from memory): animal flag, 14 reserved bits, data-block flag, 10 bits of country
# or maker code, 38 bits of number. The expected words below are worked out by hand from it.
@pytest.mark.parametrize(
    ("decimal", "hexadecimal", "word", "reversed_word"),
    [
        ("989001000123456", "3DD.003B9CAC40", "8000F7403B9CAC40", "023539DC02EF0001"),
        ("999009000012345", "3E7.0218714A39", "8000F9C218714A39", None),
    ],
)
def test_parse_tag__exact_values(
    decimal: str, hexadecimal: str, word: str, reversed_word: str | None
) -> None:
    tag = parse_tag(decimal)
    assert isinstance(tag, Tag)
    assert (tag.code, tag.as_hex(), tag.as_word()) == (decimal, hexadecimal, word)
    if reversed_word:
        assert tag.as_word(reverse=True) == reversed_word
    for written in (decimal, hexadecimal, word, tag.as_word(reverse=True), hexadecimal.lower()):
        read = parse_tag(written)
        assert isinstance(read, Tag)
        assert read.code == decimal


@pytest.mark.parametrize(("code", "hexadecimal"), [(900, "384"), (985, "3D9"), (989, "3DD"), (999, "3E7")])
def test_parse_tag__maker_codes_in_hexadecimal(code: int, hexadecimal: str) -> None:
    tag = parse_tag(f"{hexadecimal}.0000000001")
    assert isinstance(tag, Tag)
    assert tag.maker == code
    assert tag.number == 1


def test_parse_tag__largest_number_is_38_bits() -> None:
    assert MAX_NUMBER == 274_877_906_943
    assert isinstance(parse_tag(f"999{MAX_NUMBER:012d}"), Tag)
    problem = parse_tag(f"999{MAX_NUMBER + 1:012d}")
    assert isinstance(problem, TagProblem)
    assert problem.code == "tag-number-too-large"
    assert "274877906943" in problem.expected


@given(makers, numbers)
def test_parse_tag__round_trip_through_every_form(maker: int, number: int) -> None:
    code = format_iso(maker, number)
    tag = parse_tag(code)
    assert isinstance(tag, Tag)
    assert (tag.maker, tag.number) == (maker, number)
    for written in (tag.as_hex(), f"{code[:3]}-{code[3:]}", f" {code}\u200b", f"{code[:3]} {code[3:]}"):
        again = parse_tag(written)
        assert isinstance(again, Tag), written
        assert again.code == code
    for word in (tag.as_word(), tag.as_word(reverse=True)):
        again = parse_tag(word)
        # A word that is a code in both bit orders is refused, never guessed.
        assert again.code in (code, "tag-word-ambiguous")


@given(numbers)
def test_reverse_bits__is_its_own_inverse(number: int) -> None:
    slow = sum(((number >> i) & 1) << (63 - i) for i in range(64))
    assert reverse_bits(number) == slow
    assert reverse_bits(reverse_bits(number)) == number


@given(st.text("0123456789ABCDEF", min_size=10, max_size=10))
def test_parse_tag__legacy_codes_are_kept_as_they_are(code: str) -> None:
    tag = parse_tag(code.lower())
    assert isinstance(tag, Tag)
    assert (tag.code, tag.kind, tag.maker) == (code, "legacy", -1)
    assert tag.number == int(code, 16)
    assert is_legacy(code)
    with pytest.raises(ValueError, match="legacy code has no ISO 11784 word"):
        tag.as_word()


@given(st.text(max_size=30))
def test_parse_tag__any_text_gives_a_tag_or_a_problem_in_words(text: str) -> None:
    found = parse_tag(text)
    if isinstance(found, Tag):
        assert is_iso(found.code) or is_legacy(found.code)
        assert found.written == text
    else:
        words = found.at(Place("fish.csv", 3, "tag")).text()
        assert words.startswith("fish.csv, row 3, tag: found ")
        assert words.endswith(f"[{found.code}]")


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("9.89E+14", "tag-damaged-number", "rounded away"),
        ("9,89E+14", "tag-damaged-number", "rounded away"),
        ("1.234567E+18", "tag-damaged-number", "'1234567E12'"),
        ("3.00E+07", "tag-damaged-number", "'3E7'"),
        ("989001000123456.0", "tag-damaged-number", "989001000123456"),
        ("30000000", "tag-length", "'3E7'"),
        ("98900100012345", "tag-length", "leading nought"),
        ("9890010001234567", "tag-length", "doubled or too many"),
        ("1F74374E6", "tag-length", "missing or too many"),
        ("1F74374EO8", "tag-characters", "typed for the digits 0 and 1"),
        ("'989001000123456", "tag-characters", "Remove the mark"),
        ("3FF.0218714A39", "tag-maker-code", "Scan the fish again"),
        ("0218714A390218CC", "tag-word-unreadable", "fifteen digits"),
        ("8000F9C000028001", "tag-word-ambiguous", "fifteen digits"),
        ("", "tag-empty", "Scan the fish"),
        ("\u00a0", "tag-empty", "Scan the fish"),
    ],
)
def test_parse_tag__says_what_is_wrong(text: str, code: str, words: str) -> None:
    problem = parse_tag(text)
    assert isinstance(problem, TagProblem)
    assert problem.code == code
    assert words in problem.remedy


def test_parse_tag__a_code_of_digits_and_one_e_is_read_when_it_is_still_text() -> None:
    tag = parse_tag("1234567E12")
    assert isinstance(tag, Tag)
    assert tag.kind == "legacy"


def test_parse_tag__test_code() -> None:
    assert parse_tag("999009000012345").is_test
    assert not parse_tag("989001000123456").is_test
    assert not parse_tag("1F74374E68").is_test


@pytest.mark.parametrize(("maker", "number"), [(-1, 0), (1000, 0), (999, -1), (999, MAX_NUMBER + 1)])
def test_format_iso__raises_outside_the_bits(maker: int, number: int) -> None:
    with pytest.raises(ValueError, match="Expected a code of 0 to 999"):
        format_iso(maker, number)


def test_blanks__are_all_removed_around_and_inside() -> None:
    for blank in BLANKS:
        tag = parse_tag(f"9990090{blank}00012345{blank}")
        assert isinstance(tag, Tag), hex(ord(blank))
        assert tag.code == "999009000012345"
