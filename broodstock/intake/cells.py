"""One cell of text to one value of a column's kind, or what is wrong with it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from broodstock.fields import Column
from broodstock.findings import Level
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.tags.codes import BLANKS

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_WHOLE = re.compile(r"[+-]?[0-9]+(?:\.0*)?")
_COMMA_DECIMAL = re.compile(r"[+-]?[0-9]{1,3}(?:[.  ][0-9]{3})*,[0-9]+|[+-]?[0-9]+,[0-9]+")
_WITH_UNIT = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?\s*[A-Za-zµ°%\"'/]+[²³.]?")
_QUALIFIED = re.compile(r"[<>~≈±≤≥]\s*[0-9].*|[0-9.]+\s*[?*+±].*|[0-9.]+\s*-\s*[0-9.]+")
_NOT_FINITE = {"nan", "inf", "+inf", "-inf", "infinity", "-infinity", "+infinity"}
_EMPTY_WORDS = {"na", "n/a", "n.a.", "null", "none", "nil", "missing", "unknown", "-", "--", "?", "."}
_ERROR_WORDS = {
    "#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!", "#GETTING_DATA",
    "#ERROR!", "#FIELD!", "#BLOCKED!", "#CONNECT!", "#UNKNOWN!",
}  # fmt: skip
_FORMULA = re.compile(r"[=@].*|[+\-][A-Za-z(].*[(!|].*", re.DOTALL)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass(frozen=True, slots=True)
class CellProblem:
    """What is wrong with one cell, in the words of a finding.

    Parameters
    ----------
    code, found, expected, remedy, level
        As in `broodstock.findings.Finding`.
    keep : bool
        The value is used all the same (warnings and notes).
    """

    code: str
    found: str
    expected: str
    remedy: str
    level: Level = "error"
    keep: bool = False


def expected_words(column: Column) -> str:
    """Return what a cell of a column should hold, as a noun phrase."""
    unit = f" {column.unit}" if column.unit else ""
    words = {
        "text": "text",
        "tag": "a PIT code",
        "choice": f"one of {', '.join(column.choices)}",
        "flag": "yes or no",
        "date": "a date as YYYY-MM-DD",
        "datetime": "a local time as YYYY-MM-DDTHH:MM:SS",
    }
    if column.kind in words:
        return words[column.kind]
    noun = "a whole number" if column.kind == "integer" else "a number"
    limits = range_words(column)
    return f"{noun}{limits}{unit}" if limits else f"{noun}{f' in{unit}' if unit else ''}"


def range_words(column: Column) -> str:
    """Return `` from 40 to 1000``, `` of at least 0`` or nothing."""
    low, high = _plain(column.low), _plain(column.high)
    if low and high:
        return f" from {low} to {high}"
    if low:
        return f" of at least {low}"
    return f" of at most {high}" if high else ""


def spreadsheet_damage(text: str, column: Column) -> CellProblem | None:
    """Return the problem when a cell holds a spreadsheet error or a formula, whatever its column."""
    if text[0] == "#" and (text.upper() in _ERROR_WORDS or set(text) == {"#"}):
        return CellProblem(
            "spreadsheet-error",
            f"'{text}'",
            expected_words(column),
            "A formula failed in the spreadsheet. Look up the value and type it in.",
        )
    if text[0] in "=@+-" and _FORMULA.fullmatch(text):
        return CellProblem(
            "formula-text",
            f"'{text[:60]}', a formula instead of a value",
            expected_words(column),
            "Type in the value itself.",
        )
    return None


def read_number(text: str, column: Column) -> float | CellProblem:
    """Read a number; its unit and range are those of the column.

    Parameters
    ----------
    text : str
        Cell without blanks around it, not empty.
    column : Column
        Column of kind ``number`` or ``integer``.

    Returns
    -------
    float or CellProblem
        The number, or what is wrong. Whole numbers are exact up to 2^53.
    """
    whole = column.kind == "integer"
    if (_WHOLE if whole else _NUMBER).fullmatch(text):
        value = float(text)
        if not math.isfinite(value) or (whole and abs(value) > 2**53):
            return CellProblem("out-of-range", f"'{text}'", expected_words(column), "Correct the number.")
        return _in_range(value, text, column)
    return _number_problem(text, column)


def _in_range(value: float, text: str, column: Column) -> float | CellProblem:
    if column.low is not None and value < column.low:
        if value < 0 <= column.low:
            return CellProblem(
                "negative-number",
                f"'{text}'",
                expected_words(column),
                "Correct the sign or the number; leave the cell empty if it is not known.",
            )
        return _out_of_range(text, column)
    if column.high is not None and value > column.high:
        return _out_of_range(text, column)
    return value


def _out_of_range(text: str, column: Column) -> CellProblem:
    unit = f" Check the unit: it is {column.unit}." if column.unit else ""
    return CellProblem("out-of-range", f"'{text}'", expected_words(column), f"Correct the number.{unit}")


def _number_problem(text: str, column: Column) -> CellProblem:
    """Say why a text is no number."""
    shown, expected = f"'{text[:60]}'", expected_words(column)
    damage = spreadsheet_damage(text, column)
    if damage:
        return damage
    if text.lower() in _NOT_FINITE:
        return CellProblem("not-finite", shown, expected, "Leave the cell empty if the number is not known.")
    if text.lower() in _EMPTY_WORDS:
        return CellProblem(
            "word-for-empty", shown, expected, "Leave the cell empty if the number is not known."
        )
    if _COMMA_DECIMAL.fullmatch(text):
        return CellProblem(
            "decimal-comma",
            f"{shown}, which may be a decimal comma or a mark of thousands",
            expected,
            f"Write the number with a decimal point and without marks of thousands, for example {_pointed(text)}.",
        )
    if column.kind == "integer" and _NUMBER.fullmatch(text):
        return CellProblem("not-an-integer", shown, expected, "Correct the number.")
    if _QUALIFIED.fullmatch(text):
        return CellProblem(
            "number-qualified",
            shown,
            expected,
            "Write the number alone and put the remark in the note column.",
        )
    if _WITH_UNIT.fullmatch(text):
        unit = f"The column is in {column.unit}; convert" if column.unit else "Convert"
        return CellProblem(
            "number-with-unit", shown, expected, f"{unit} if needed and write the number alone."
        )
    return CellProblem(
        "not-a-number", shown, expected, "Correct the cell, or leave it empty if it is not known."
    )


def read_choice(text: str, column: Column) -> str | CellProblem:
    """Read one of the words of a choice column; words count only in the exact spelling."""
    if text in column.choices:
        return text
    damage = spreadsheet_damage(text, column)
    if damage:
        return damage
    near = near_word(text, column.choices)
    return CellProblem(
        "unknown-choice",
        f"'{text[:60]}'",
        expected_words(column),
        f"{did_you_mean(near)}Use one of the words as spelt here.",
    )


def read_flag(text: str, column: Column) -> bool | CellProblem:
    """Read yes or no."""
    if text in ("yes", "no"):
        return text == "yes"
    damage = spreadsheet_damage(text, column)
    if damage:
        return damage
    low = text.lower()
    near = (
        "yes"
        if low in ("y", "true", "1", "t", "yes", "x")
        else "no"
        if low in ("n", "false", "0", "f", "no")
        else ""
    )
    return CellProblem("not-a-flag", f"'{text[:60]}'", "yes or no", f"{did_you_mean(near)}Write yes or no.")


def read_text(text: str, column: Column, *, identifier: bool) -> str | CellProblem:
    """Read free text or an identifier.

    Parameters
    ----------
    text : str
        Cell without blanks around it, not empty.
    column : Column
        The column.
    identifier : bool
        The cell names something: words such as ``null`` are then doubtful.
    """
    damage = spreadsheet_damage(text, column)
    if damage:
        return damage
    if _CONTROL.search(text):
        return CellProblem(
            "control-character",
            f"{text[:60]!r}",
            "text without control characters",
            "Type the cell anew; it was damaged on the way.",
        )
    if identifier and text.lower() in ("nan", "null", "none", "n/a", "#n/a", "nil"):
        return CellProblem(
            "word-for-empty",
            f"'{text}'",
            "an empty cell when nothing is known",
            "Empty the cell.",
        )
    return text


def without_blanks(text: str) -> str:
    """Return a text without the seen and hidden blanks around it."""
    return text.strip(BLANKS)


def _pointed(text: str) -> str:
    whole, _, part = text.rpartition(",")
    return f"{re.sub(r'[^0-9+-]', '', whole)}.{part}"


def _plain(x: float | None) -> str:
    if x is None:
        return ""
    return str(int(x)) if float(x).is_integer() else str(x)
