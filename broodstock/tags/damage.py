"""The damage that spreadsheets and typing do to PIT codes, and what the code may have been."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal

from broodstock.tags.codes import TagProblem

_SCIENTIFIC = re.compile(r"[+\-]?[0-9]+(?:[.,][0-9]*)?E[+\-]?[0-9]{1,3}")
_WHOLE_DECIMAL = re.compile(r"[0-9]+[.,]0+")
_EXPECTED = "a PIT code: fifteen digits, 3DD.003B9CAC40, a 64-bit word, or ten hexadecimal characters"
_AS_TEXT = "Set the column to text, then scan or paste the codes again."


def diagnose(text: str, bare: str) -> TagProblem:
    """Say what is wrong with a text that is no PIT code.

    Parameters
    ----------
    text : str
        Original text.
    bare : str
        The text in capitals without blanks.

    Returns
    -------
    TagProblem
        With one of the codes tag-damaged-number, tag-length, tag-characters, tag-empty.
    """
    if not bare:
        return TagProblem(
            "tag-empty", text, f"'{text}', only blanks", _EXPECTED, "Scan the fish, or empty the cell."
        )
    if _SCIENTIFIC.fullmatch(bare) or _WHOLE_DECIMAL.fullmatch(bare):
        return damaged_number(Decimal(bare.replace(",", ".")), text)
    if bare.startswith("'") and len(bare) > 1:
        return TagProblem(
            "tag-characters",
            text,
            f'"{text}", with a quotation mark in front',
            _EXPECTED,
            "Remove the mark; it only tells a spreadsheet that the cell is text.",
        )
    if bare.isascii() and bare.isdigit():
        return _wrong_length(text, bare)
    wrong = sorted({c for c in bare if c not in "0123456789ABCDEF"})
    if wrong:
        looks_like = "".join(c for c in wrong if c in "OIL")
        also = " The letters O, I and L are often typed for the digits 0 and 1." if looks_like else ""
        return TagProblem(
            "tag-characters",
            text,
            f"'{text}', with {' '.join(repr(c) for c in wrong[:5])}",
            _EXPECTED,
            f"Scan the fish again.{also}",
        )
    return TagProblem(
        "tag-length",
        text,
        f"'{text}', {len(bare)} hexadecimal characters",
        _EXPECTED,
        "A character is missing or too many. Scan the fish again.",
    )


def damaged_number(value: Decimal, text: str) -> TagProblem:
    """Say what a tag may have been that a spreadsheet turned into a number.

    Parameters
    ----------
    value : Decimal
        The number.
    text : str
        The cell as shown.

    Returns
    -------
    TagProblem
        With code tag-damaged-number; the remedy names the codes it may have been, never picks one.
    """
    digits = f"{value:f}".split(".")[0] if value.is_finite() and abs(value.adjusted()) < 40 else ""
    hints = []
    if len(digits) == 15:
        lost = len(digits) - len(digits.rstrip("0"))
        if lost >= 3:
            hints.append(f"The last {lost} digits are noughts and were probably rounded away: they are lost.")
        else:
            hints.append(f"The digits may have been {digits}; nothing in the file proves it.")
    else:
        possible = hex_read_as_number(value)
        whole = sorted((h for h in possible if len(h) == 10), key=lambda h: h[0] == "0")
        spellings = [h for h in possible if len(h) == 3] + whole[:1]
        if spellings:
            shown = " or ".join(f"'{h}'" for h in spellings)
            hints.append(f"It may have been the hexadecimal text {shown}, read as a power of ten.")
    hints.append(_AS_TEXT)
    return TagProblem(
        "tag-damaged-number",
        text,
        f"'{text}', a number made by a spreadsheet",
        "the PIT code as text",
        " ".join(hints),
    )


def hex_read_as_number(value: Decimal) -> list[str]:
    """Return the hexadecimal texts of digits and one E that a spreadsheet would read as this number.

    ``1234567E12`` (a legacy code) is read as 1.234567E+18; ``3E7`` (the start of a code with separator) as
    30000000.

    Parameters
    ----------
    value : Decimal
        The number.

    Returns
    -------
    list of str
        Possible ten-character codes, then possible three-character starts.
    """
    if not value.is_finite() or value <= 0 or value != value.to_integral_value():
        return []
    sign, digits, exponent = value.normalize().as_tuple()
    if sign or not isinstance(exponent, int):
        return []
    mantissa = int("".join(map(str, digits)))
    found = []
    for length in (10, 3):
        for tail in (1, 2):
            room = length - 1 - tail
            for power in range(10**tail):
                shift = exponent - power
                if shift < 0 or len(str(mantissa)) + shift > room:
                    continue
                found.append(f"{mantissa * 10**shift:0{room}d}E{power:0{tail}d}")
    return found


def rounded_digits(codes: Sequence[str]) -> list[str]:
    """Return the fifteen-digit codes that look rounded by a spreadsheet.

    Six or more noughts at the end of a code happen once in a million tags; three happen once in a thousand,
    so they count only when at least three different codes of a list, and more than one in twenty, have them.

    Parameters
    ----------
    codes : sequence of str
        Different codes of one column, internal form.

    Returns
    -------
    list of str
        Suspicious codes, in the order given.
    """
    iso = [c for c in codes if len(c) == 15]
    three = [c for c in iso if c.endswith("000")]
    many = len(three) >= 3 and len(three) > 0.05 * len(iso)
    return three if many else [c for c in three if c.endswith("000000")]


def _wrong_length(text: str, bare: str) -> TagProblem:
    n = len(bare)
    if n in (13, 14):
        remark = f"Either {15 - n} leading nought(s) were lost in a spreadsheet or a digit is missing."
    elif n == 16:
        remark = "A digit is doubled or too many."
    elif 5 <= n <= 9:
        spellings = hex_read_as_number(Decimal(bare))
        remark = (
            f"It may have been the hexadecimal start '{spellings[-1]}', read as a number by a spreadsheet."
            if spellings and len(spellings[-1]) == 3
            else "The code is cut short, or leading noughts of a legacy code were lost in a spreadsheet."
        )
    else:
        remark = "The code is cut short or has digits too many."
    return TagProblem(
        "tag-length",
        text,
        f"'{text}', {n} digits",
        _EXPECTED,
        f"{remark} Scan the fish again; keep the column as text.",
    )
