"""Explain one PIT code."""

from __future__ import annotations

from typing import Any

from broodstock.tags.codes import Tag, parse_tag


def explain_tag(text: str) -> tuple[list[str], dict[str, Any], bool]:
    """Return lines of words, plain values, and whether the code can be read.

    Parameters
    ----------
    text : str
        The code as written.
    """
    tag = parse_tag(text)
    if not isinstance(tag, Tag):
        from broodstock.findings import Place

        finding = tag.at(Place("the code given"))
        return [finding.text()], {"readable": False, "finding": finding.as_dict()}, False
    data: dict[str, Any] = {"readable": True, "code": tag.code, "kind": tag.kind, "written_as": tag.form}
    lines = [f"code        {tag.code}", f"kind        {_kind(tag)}", f"written as  {tag.form}"]
    if tag.kind == "iso":
        data |= {
            "maker_or_country": tag.maker,
            "number": tag.number,
            "test_code": tag.is_test,
            "hexadecimal": tag.as_hex(),
            "word": tag.as_word(),
            "word_reversed": tag.as_word(reverse=True),
        }
        lines += [
            f"hexadecimal {tag.as_hex()}",
            f"raw word    {tag.as_word()}  (bits reversed {tag.as_word(reverse=True)})",
            "There is no check digit in the fifteen digits: a typing error is another valid-looking tag. Scan.",
        ]
        if tag.is_test:
            lines.append("Code 999 is set apart for tests: never a fish outside practice data.")
    return lines, data, True


def _kind(tag: Tag) -> str:
    if tag.kind == "legacy":
        return "legacy, ten hexadecimal characters; not ISO 11784, 134.2 kHz readers may not see it"
    return f"ISO 11784, maker or country {tag.maker}, number {tag.number}"
