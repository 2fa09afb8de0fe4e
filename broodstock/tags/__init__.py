"""PIT tag codes: parse, format, near matches and the damage that spreadsheets do to them."""

from broodstock.tags.codes import Tag, TagProblem, parse_tag

__all__ = ["Tag", "TagProblem", "parse_tag"]
