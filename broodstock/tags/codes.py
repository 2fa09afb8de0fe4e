"""PIT tag codes as text: the ISO 11784 code in its written forms, and the legacy ten-character code.

An ISO 11784 code word has 64 bits. Counted from the first: bit 1 animal flag, bits 2-15 reserved, bit 16
flag of a following data block, bits 17-26 country or maker code, bits 27-64 identification number. The usual
written form is fifteen decimal digits: three of the country or maker code, twelve of the number. The written
digits carry no check digit, so a typing error is another valid-looking tag.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from broodstock.findings import Finding, Level, Place

MAX_NUMBER = 2**38 - 1
"""Largest identification number: 38 bits, 274 877 906 943."""
MAX_CODE = 999
"""Largest country or maker code in the decimal form (the 10 bits would allow 1023)."""
TEST_CODE = 999
"""Code set apart for tests; never on a tag that was sold for fish."""
FIRST_MAKER_CODE = 900
"""Codes from 900 are makers; smaller ones are numeric country codes."""

Form = Literal["decimal", "hex-separated", "word", "word-reversed", "legacy"]

BLANKS = "\u0009\u000a\u000b\u000c\u000d\u0020\u0085\u00a0\u00ad\u1680\u180e\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u200b\u200c\u200d\u200e\u200f\u2028\u2029\u202f\u205f\u2060\u3000\ufeff"
"""Characters that show nothing on a screen but make two codes different."""

_STRIP_BLANKS = {ord(c): None for c in BLANKS}
_DECIMAL = re.compile(r"[0-9]{15}")
_GROUPED = re.compile(r"([0-9]{3})[.\-]([0-9]{12})")
_HEX_SEPARATED = re.compile(r"([0-9A-F]{3})[.\-]([0-9A-F]{10})")
_WORD = re.compile(r"(?:0X)?([0-9A-F]{16})")
_LEGACY = re.compile(r"[0-9A-F]{10}")


@dataclass(frozen=True, slots=True)
class Tag:
    """One readable PIT code.

    Parameters
    ----------
    code : str
        The one internal form: fifteen digits, or ten upper-case hexadecimal characters.
    kind : {'iso', 'legacy'}
        ISO 11784 code, or a legacy code of a 125 or 400 kHz tag, which cannot be converted.
    form : {'decimal', 'hex-separated', 'word', 'word-reversed', 'legacy'}
        How it was written.
    written : str
        The original text.
    """

    code: str
    kind: Literal["iso", "legacy"]
    form: Form
    written: str

    @property
    def maker(self) -> int:
        """Country or maker code of an ISO tag; -1 for a legacy tag."""
        return int(self.code[:3]) if self.kind == "iso" else -1

    @property
    def number(self) -> int:
        """Identification number of an ISO tag; the value of the ten characters for a legacy tag."""
        return int(self.code[3:]) if self.kind == "iso" else int(self.code, 16)

    @property
    def is_test(self) -> bool:
        """True for the ISO test code 999."""
        return self.kind == "iso" and self.maker == TEST_CODE

    def as_hex(self) -> str:
        """Return ``3DD.003B9CAC40``: code and number in hexadecimal; the code itself if legacy."""
        return f"{self.maker:03X}.{self.number:010X}" if self.kind == "iso" else self.code

    def as_word(self, *, reverse: bool = False) -> str:
        """Return the 64-bit code word (animal flag set) as sixteen hexadecimal characters.

        Parameters
        ----------
        reverse : bool
            Give the bits in the other order, the first bit last.

        Raises
        ------
        ValueError
            For a legacy tag, which has no such word.
        """
        if self.kind != "iso":
            raise ValueError(f"tag {self.code!r}: a legacy code has no ISO 11784 word. Give an ISO tag.")
        word = (1 << 63) | (self.maker << 38) | self.number
        return f"{reverse_bits(word) if reverse else word:016X}"


@dataclass(frozen=True, slots=True)
class TagProblem:
    """Why a text is not a usable PIT code, in the words of a finding.

    Parameters
    ----------
    code : str
        Finding code.
    written : str
        The original text.
    found, expected, remedy : str
        As in `broodstock.findings.Finding`.
    level : {'error', 'warning', 'note'}
        As in `broodstock.findings.Finding`.
    """

    code: str
    written: str
    found: str
    expected: str
    remedy: str
    level: Level = "error"

    def at(self, where: Place) -> Finding:
        """Return the finding at a place."""
        return Finding(self.code, where, self.found, self.expected, self.remedy, self.level)


def parse_tag(text: str) -> Tag | TagProblem:
    """Read one PIT code in any written form.

    Parameters
    ----------
    text : str
        Fifteen digits; three and twelve digits, or three and ten hexadecimal characters, with a full stop,
        dash or blank between; the raw 64-bit word as sixteen hexadecimal characters in either bit order;
        or the ten hexadecimal characters of a legacy tag.

    Returns
    -------
    Tag or TagProblem
        The tag, or what is wrong with the text. Blanks, seen or hidden, do not hinder reading; use
        `has_hidden_blank` to report them.

    References
    ----------
    .. [1] ISO 11784, Radio frequency identification of animals - Code structure (bit layout from memory).

    Examples
    --------
    >>> parse_tag("999 009000012345").code
    '999009000012345'
    >>> parse_tag("99900900001234").code
    'tag-length'
    """
    from broodstock.tags.damage import diagnose

    bare = text.translate(_STRIP_BLANKS).upper()
    if _DECIMAL.fullmatch(bare):
        return _iso(int(bare[:3]), int(bare[3:]), "decimal", text)
    grouped = _GROUPED.fullmatch(bare)
    if grouped:
        return _iso(int(grouped[1]), int(grouped[2]), "decimal", text)
    separated = _HEX_SEPARATED.fullmatch(bare) or _HEX_SEPARATED.fullmatch(
        text.strip(BLANKS).upper().replace(" ", ".", 1)
    )
    if separated:
        return _iso(int(separated[1], 16), int(separated[2], 16), "hex-separated", text)
    if _LEGACY.fullmatch(bare):
        return Tag(bare, "legacy", "legacy", text)
    word = _WORD.fullmatch(bare)
    if word:
        reading = _from_word(int(word[1], 16), text)
        if isinstance(reading, Tag) or reading.code == "tag-word-ambiguous" or not bare.isdigit():
            return reading
    return diagnose(text, bare)


def has_hidden_blank(text: str) -> bool:
    """Return True when a text holds a blank of any kind, seen or unseen."""
    return text.translate(_STRIP_BLANKS) != text


def format_iso(maker: int, number: int) -> str:
    """Return the fifteen-digit form of a country or maker code and an identification number.

    Raises
    ------
    ValueError
        If the code is outside 0 to 999 or the number outside 0 to 2^38 - 1.
    """
    if not 0 <= maker <= MAX_CODE or not 0 <= number <= MAX_NUMBER:
        raise ValueError(
            f"tag: found code {maker} and number {number}. Expected a code of 0 to {MAX_CODE} and a number "
            f"of 0 to {MAX_NUMBER}. Check the digits."
        )
    return f"{maker:03d}{number:012d}"


def reverse_bits(word: int) -> int:
    """Return a 64-bit word with its bits in the other order."""
    return int(f"{word:064b}"[::-1], 2)


def is_iso(code: str) -> bool:
    """Return True when a text is the internal form of a possible ISO tag."""
    return _DECIMAL.fullmatch(code) is not None and int(code[3:]) <= MAX_NUMBER


def is_legacy(code: str) -> bool:
    """Return True when a text is the internal form of a legacy tag."""
    return _LEGACY.fullmatch(code) is not None


def _iso(maker: int, number: int, form: Form, text: str) -> Tag | TagProblem:
    if number > MAX_NUMBER:
        return TagProblem(
            "tag-number-too-large",
            text,
            f"'{text}', identification number {number}",
            f"at most {MAX_NUMBER} (38 bits)",
            "No tag carries this code: a digit is wrong. Scan the fish again.",
        )
    if maker > MAX_CODE:
        return TagProblem(
            "tag-maker-code",
            text,
            f"'{text}', country or maker code {maker}",
            f"a code of 0 to {MAX_CODE}",
            "No tag carries this code: a character is wrong. Scan the fish again.",
        )
    return Tag(f"{maker:03d}{number:012d}", "iso", form, text)


def _from_word(word: int, text: str) -> Tag | TagProblem:
    """Read a raw code word; the flags and the empty reserved bits tell the bit order."""
    readings = []
    for value, form in ((word, "word"), (reverse_bits(word), "word-reversed")):
        animal, reserved, maker = value >> 63, (value >> 49) & 0x3FFF, (value >> 38) & 0x3FF
        if animal and not reserved and maker <= MAX_CODE:
            tag = _iso(maker, value & MAX_NUMBER, "word" if form == "word" else "word-reversed", text)
            if isinstance(tag, Tag):
                readings.append(tag)
    if len(readings) == 1 or (readings and readings[0].code == readings[1].code):
        return readings[0]
    if readings:
        return TagProblem(
            "tag-word-ambiguous",
            text,
            f"'{text}', a 64-bit word that is {readings[0].code} in one bit order and {readings[1].code} "
            "in the other",
            "the fifteen digits of the tag",
            "Write the fifteen digits, as the reader shows them in its decimal setting.",
        )
    return TagProblem(
        "tag-word-unreadable",
        text,
        f"'{text}', sixteen hexadecimal characters that are not an animal code in either bit order",
        "a 64-bit word with the animal flag set and no reserved bit set, or fifteen digits",
        "Scan the fish again and write the fifteen digits.",
    )
