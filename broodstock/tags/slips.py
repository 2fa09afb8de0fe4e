"""How a tag code turns into the text that was written: the chance of every slip of hand, eye or spreadsheet.

The slips are those of typed digits (one digit wrong, two neighbours swapped, a digit lost, doubled or too many, two
digits wrong, the end cut off, the country or maker code left out) and those of spreadsheets (rounding to few digits,
shown with an exponent or with noughts; a legacy code with one E in it read as a power of ten). Each kind has a share
of all slips; within a kind every place and every digit is alike. The shares are guesses to be replaced by counts of a
programme's own corrections; the sum over kinds is a proper distribution over texts, so Bayes' theorem may be used.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from math import comb

from broodstock.errors import ValueRangeError
from broodstock.tags.codes import BLANKS, Tag, is_iso, is_legacy, parse_tag

SHARES: Mapping[str, float] = {
    "one digit wrong": 0.40,
    "two digits swapped": 0.20,
    "one digit missing": 0.08,
    "one digit doubled": 0.06,
    "one digit too many": 0.03,
    "two digits wrong": 0.06,
    "end cut off": 0.06,
    "country or maker code left out": 0.03,
    "rounded by a spreadsheet": 0.08,
}
"""Share of each kind among all slips; a guess, no source."""
HEX_SHARE = 0.1
"""Share of readings that were written in hexadecimal when the text has fifteen digits; a guess, no source."""
MOST_CUT = 9
"""Most digits that a cut takes from the end."""
KEPT_DIGITS = (3, 4, 5, 6, 7, 8, 9, 10, 11, 12)
"""Significant digits a spreadsheet may leave; each as likely."""

DECIMAL, HEXADECIMAL = "0123456789", "0123456789ABCDEF"
_EXPONENT = re.compile(r"[0-9]+(?:[.,][0-9]*)?E[+\-]?[0-9]{1,3}")


@dataclass(frozen=True)
class SlipModel:
    """Chance of a slip and the share of its kinds.

    Parameters
    ----------
    rate : float
        Chance that a code is written wrongly. A typed code: a guess of 0.01; a code stored by the reader: nearly 0,
        because the radio telegram carries a check sum.
    shares : mapping of str to float
        Share of each kind among the slips; sums to 1.

    Raises
    ------
    ValueRangeError
        If the rate is not above 0 and below 1, a kind is unknown, or the shares do not sum to 1.
    """

    rate: float = 0.01
    shares: Mapping[str, float] = field(default_factory=lambda: SHARES)

    def __post_init__(self) -> None:
        if not 0 < self.rate < 1:
            raise ValueRangeError(
                f"slip rate: found {self.rate}. Expected a chance above 0 and below 1. Give it as a fraction."
            )
        unknown = sorted(set(self.shares) - set(SHARES))
        total = sum(self.shares.values())
        if unknown or min(self.shares.values(), default=-1) < 0 or abs(total - 1) > 1e-6:
            raise ValueRangeError(
                f"shares of slips: found {'kind ' + repr(unknown[0]) if unknown else f'a sum of {total:g}'}. Expected "
                f"shares of {', '.join(SHARES)} that sum to 1. Correct the shares."
            )


@dataclass(frozen=True, slots=True)
class Reading:
    """The text as read, in the forms in which slips are looked for.

    Parameters
    ----------
    written : str
        As given.
    decimal : str
        Digits or characters of the plain form; empty when the text can only be hexadecimal.
    hexadecimal : str
        Country or maker code (3) and number (10) in hexadecimal without separator; empty when it is not that.
    number : Decimal or None
        The number when the text is one with an exponent.
    decimal_share, hex_share : float
        Share of readings in the one form and in the other.
    """

    written: str
    decimal: str
    hexadecimal: str
    number: Decimal | None
    decimal_share: float
    hex_share: float


def as_reading(text: str) -> Reading:
    """Return a text as a reading.

    Parameters
    ----------
    text : str
        As typed or as it stands in a file; need not be a possible code.
    """
    bare = "".join(c for c in text if c not in BLANKS).upper().lstrip("'")
    tag = parse_tag(text)
    if isinstance(tag, Tag):
        if tag.kind == "legacy":
            return Reading(text, tag.code, tag.code, None, 1 - HEX_SHARE, HEX_SHARE)
        hexadecimal = tag.as_hex().replace(".", "")
        if tag.form == "decimal":
            return Reading(text, tag.code, hexadecimal, None, 1 - HEX_SHARE, HEX_SHARE)
        return Reading(text, "", hexadecimal, None, 0.0, 1.0)
    if _EXPONENT.fullmatch(bare):
        try:
            return Reading(text, "", "", Decimal(bare.replace(",", ".")), 1.0, 0.0)
        except InvalidOperation:  # pragma: no cover - the pattern admits numbers only
            return Reading(text, bare, "", None, 1.0, 0.0)
    plain = re.sub(r"[.\-,]", "", bare)
    if plain.isdigit():
        return Reading(text, plain, "", None, 1.0, 0.0)
    separated = re.fullmatch(r"[0-9A-F]{2,4}[.\-][0-9A-F]{7,12}", bare)
    if separated:
        return Reading(text, "", plain, None, 0.0, 1.0)
    return Reading(text, plain, plain, None, 1 - HEX_SHARE, HEX_SHARE)


def reading_chance(
    reading: Reading, code: str, model: SlipModel, without: frozenset[str] = frozenset()
) -> tuple[float, str]:
    """Return the chance that a code is written as a reading, and the likeliest way.

    Parameters
    ----------
    reading : Reading
        From `as_reading`.
    code : str
        Code in the tag, internal form.
    model : SlipModel
        Chances.
    without : frozenset of str
        Kinds of slips left out of the sum.

    Returns
    -------
    float, str
        Chance summed over every way; ``as read`` or the kind of slip with most of it, empty when there is none.
    """
    ways: dict[str, float] = {}
    if reading.number is not None:
        ways["rounded by a spreadsheet"] = _as_number(reading.number, code) * _share(
            model, "rounded by a spreadsheet"
        )
    if reading.decimal:
        for kind, chance in _text_ways(reading.decimal, code, model):
            ways[kind] = ways.get(kind, 0.0) + chance * (reading.decimal_share if is_iso(code) else 1.0)
    if reading.hexadecimal and is_iso(code):
        tag = Tag(code, "iso", "decimal", code)
        for kind, chance in _text_ways(
            reading.hexadecimal, tag.as_hex().replace(".", ""), model, hexadecimal=True
        ):
            ways[kind] = ways.get(kind, 0.0) + chance * reading.hex_share
    for kind in without:
        ways.pop(kind, None)
    total = sum(ways.values())
    return total, max(ways, key=lambda k: ways[k]) if total > 0 else ""


def _share(model: SlipModel, kind: str) -> float:
    return model.rate * model.shares.get(kind, 0.0)


def _text_ways(
    read: str, code: str, model: SlipModel, *, hexadecimal: bool = False
) -> Iterator[tuple[str, float]]:
    """Yield kinds of slips with the chance that they turn a code into what was read, both in one form."""
    if read == code:
        yield "as read", 1 - model.rate
        return
    letters = len(HEXADECIMAL) if hexadecimal or is_legacy(code) else len(DECIMAL)
    n, gap = len(code), len(read) - len(code)
    if gap == 0:
        differ = [i for i in range(n) if code[i] != read[i]]
        if len(differ) == 1:
            yield "one digit wrong", _share(model, "one digit wrong") / (n * (letters - 1))
        elif len(differ) == 2:
            i, j = differ
            yield "two digits wrong", _share(model, "two digits wrong") / (comb(n, 2) * (letters - 1) ** 2)
            if j == i + 1 and code[i] == read[j] and code[j] == read[i]:
                pairs = sum(code[k] != code[k + 1] for k in range(n - 1))
                yield "two digits swapped", _share(model, "two digits swapped") / pairs
    elif gap == -1:
        ways = sum(code[:i] + code[i + 1 :] == read for i in range(n))
        if ways:
            yield "one digit missing", _share(model, "one digit missing") * ways / n
    elif gap == 1:
        doubled = sum(code[: i + 1] + code[i:] == read for i in range(n))
        if doubled:
            yield "one digit doubled", _share(model, "one digit doubled") * doubled / n
        extra = sum(code[:i] == read[:i] and code[i:] == read[i + 1 :] for i in range(n + 1))
        if extra:
            yield "one digit too many", _share(model, "one digit too many") * extra / ((n + 1) * letters)
    if gap <= -2 and -gap <= MOST_CUT and code.startswith(read):
        yield "end cut off", _share(model, "end cut off") / (MOST_CUT - 1)
    if n in (13, 15) and code[3:] == read:
        yield "country or maker code left out", _share(model, "country or maker code left out")
    if n == 15 and gap == 0 and read.endswith("000"):
        ways = sum(_rounded(code, k) == read for k in KEPT_DIGITS)
        yield (
            "rounded by a spreadsheet",
            _share(model, "rounded by a spreadsheet") * 0.5 * ways / len(KEPT_DIGITS),
        )


def _rounded(code: str, kept: int) -> str:
    """Return fifteen digits rounded to some significant digits, as a whole number of fifteen digits."""
    step = 10 ** (15 - kept)
    return f"{(int(code) + step // 2) // step * step:015d}"


def _as_number(number: Decimal, code: str) -> float:
    """Return the chance that a spreadsheet shows a code as this number with an exponent, given that it rounds."""
    if is_legacy(code):
        hexa = re.fullmatch(r"([0-9]+)E([0-9]{1,2})", code)
        return 1.0 if hexa and Decimal(f"{hexa[1]}E{hexa[2]}") == number else 0.0
    if not is_iso(code) or code.startswith("0"):
        return 0.0
    ways = 0
    for kept in KEPT_DIGITS:
        exact = Decimal(int(code)).scaleb(-14)
        ways += exact.quantize(Decimal(1).scaleb(1 - kept), rounding=ROUND_HALF_UP).scaleb(14) == number
    return 0.5 * ways / len(KEPT_DIGITS)


def near_texts(reading: Reading) -> Iterator[str]:
    """Yield the ISO and legacy codes that one slip of one digit, or a maker code, turns into the reading.

    Every code for which `reading_chance` is not 0 is yielded, or found by `spans_of`, or differs in two digits.
    """
    from broodstock.tags.near import one_slip

    for text, hexa in ((reading.decimal, False), (reading.hexadecimal, True)):
        if not text:
            continue
        yield from _codes(text, hexa)
        for variant, _ in one_slip(text) if not hexa else _one_hex_slip(text):
            yield from _codes(variant, hexa)


def _one_hex_slip(text: str) -> Iterator[tuple[str, str]]:
    from broodstock.tags.near import one_slip

    if text.isdigit():  # the digits alone would look decimal
        yield from one_slip(text)
        for i in range(len(text) + 1):
            for new in "ABCDEF":
                yield text[:i] + new + text[i:], "one digit missing"
                if i < len(text):
                    yield text[:i] + new + text[i + 1 :], "one digit wrong"
        return
    yield from one_slip(text)


def _codes(text: str, hexa: bool) -> Iterator[str]:
    if hexa:
        if re.fullmatch(r"[0-9A-F]{13}", text):
            maker, number = int(text[:3], 16), int(text[3:], 16)
            code = f"{maker:03d}{number:012d}"
            if len(code) == 15 and is_iso(code):
                yield code
    elif is_iso(text) or is_legacy(text):
        yield text


SPAN_KINDS = frozenset({"end cut off", "rounded by a spreadsheet", "country or maker code left out"})
"""Kinds of slips that many codes share, found by `spans_of`."""


def two_wrong(reading: Reading) -> Iterator[str]:
    """Yield the codes that differ from the reading in two characters of one of its forms."""
    for text, hexa in ((reading.decimal, False), (reading.hexadecimal, True)):
        if not text or len(text) not in (10, 13, 15):
            continue
        letters = HEXADECIMAL if hexa or len(text) == 10 else DECIMAL
        for i in range(len(text)):
            for j in range(i + 1, len(text)):
                for a in letters:
                    if a == text[i]:
                        continue
                    head = text[:i] + a + text[i + 1 : j]
                    for b in letters:
                        if b != text[j]:
                            yield from _codes(head + b + text[j + 1 :], hexa)


def spans_of(reading: Reading) -> Iterator[tuple[str, str, str, float]]:
    """Yield spans of fifteen-digit codes that a cut or a rounding turns into the reading.

    Yields
    ------
    str, str, str, float
        First and last code; kind of slip; chance of that reading for each code of the span, within the kind. Spans
        may overlap: the chances of one code add up.
    """
    text = reading.decimal
    if text.isdigit() and 15 - MOST_CUT <= len(text) <= 13:
        lost = 15 - len(text)
        yield text + "0" * lost, text + "9" * lost, "end cut off", 1 / (MOST_CUT - 1)
    if len(text) == 12 and text.isdigit():
        for maker in range(1000):
            yield f"{maker:03d}{text}", f"{maker:03d}{text}", "country or maker code left out", 1.0
    whole = None
    if len(text) == 15 and text.isdigit() and text.endswith("000"):
        whole = int(text)
    elif reading.number is not None and reading.number == reading.number.to_integral_value():
        whole = int(reading.number)
    if whole is None or not 10**14 <= whole < 10**15:
        return
    for kept in KEPT_DIGITS:
        step = 10 ** (15 - kept)
        if whole % step:
            continue
        low, high = max(whole - step // 2, 10**14), min(whole + (step + 1) // 2 - 1, 10**15 - 1)
        yield f"{low:015d}", f"{high:015d}", "rounded by a spreadsheet", 0.5 / len(KEPT_DIGITS)
