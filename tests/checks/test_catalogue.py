"""The catalogue of findings: complete, without dead entries, and every entry raised by a test."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from broodstock.checks.run import CHECKS
from broodstock.findings import LEVELS
from broodstock.findings_catalogue import CATALOGUE, explain

ROOT = Path(__file__).resolve().parents[2]
SOURCES = [p for part in ("broodstock", "planner") for p in (ROOT / part).rglob("*.py")]
SOURCES = [p for p in SOURCES if "findings_catalogue" not in p.parts]
TESTS = [*(ROOT / "tests").rglob("*.py"), ROOT / "data_examples" / "broken" / "expected.csv"]
ADDERS = {"add", "Finding", "CellProblem", "TagProblem", "report", "_duplicates", "more", "_count_more"}
FORM = re.compile(r"[a-z0-9]+(-[a-z0-9]+)+")


def literals(path: Path) -> set[str]:
    """Return all text literals of a module."""
    return {
        n.value
        for n in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }


def raised_in(path: Path) -> set[str]:
    """Return the codes that a module gives to the functions which make findings, and to variables named code."""
    out = set()
    functions = [
        n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.FunctionDef)
    ]
    for node in (n for f in functions for n in ast.walk(f)):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in ADDERS:
                known_first = [a for a in node.args[:5] if isinstance(a, ast.Constant)][:1]
                known_first += [
                    k.value for k in node.keywords if k.arg == "code" and isinstance(k.value, ast.Constant)
                ]
                out |= {a.value for a in known_first if isinstance(a.value, str) and FORM.fullmatch(a.value)}
        if isinstance(node, ast.Assign) and any(getattr(t, "id", "") == "code" for t in node.targets):
            inside = {
                n.value
                for n in ast.walk(node.value)
                if isinstance(n, ast.Constant) and isinstance(n.value, str)
            }
            out |= {v for v in inside if FORM.fullmatch(v)}
    return out


def test_catalogue__every_code_raised_is_listed() -> None:
    missing = {code: p.name for p in SOURCES for code in raised_in(p) if code not in CATALOGUE}
    assert missing == {}


def test_catalogue__every_code_of_the_checks_is_listed() -> None:
    assert {c for check in CHECKS for c in check.codes} <= set(CATALOGUE)


def test_catalogue__every_entry_is_raised_by_the_source() -> None:
    used = set().union(*(literals(p) for p in SOURCES))
    assert sorted(set(CATALOGUE) - used) == []


def test_catalogue__every_entry_is_raised_in_a_test() -> None:
    text = "\n".join(p.read_text(encoding="utf-8") for p in TESTS if p.name != "test_catalogue.py")
    text += '"setting-unknown" "setting-value"'  # the last test of this module
    never = [c for c in CATALOGUE if not re.search(rf"[\"',]{re.escape(c)}[\"',]", text)]
    assert never == []


def test_catalogue__entries_are_sentences() -> None:
    for code, entry in CATALOGUE.items():
        assert FORM.fullmatch(code) or code in ("encoding", "separator"), code
        assert entry.code == code
        assert entry.sentence.endswith(".")
        assert entry.sentence[0].isupper()
        assert entry.action.endswith(".")
        assert entry.levels
        assert set(entry.levels) <= set(LEVELS)
        assert entry.topic


def test_explain__gives_the_entry_or_the_nearest_code() -> None:
    assert explain("tag-two-fish").topic == "Tags"
    with pytest.raises(KeyError, match=r"no finding code 'tag-two-fishes'\. Did you mean 'tag-two-fish'"):
        explain("tag-two-fishes")
    with pytest.raises(KeyError, match="no finding code 'zzzz'"):
        explain("zzzz")


def test_catalogue__codes_of_settings() -> None:
    from planner.tasks.settings import read_settings

    rows = [(2, "pair_kinship_limt", "0.1", ""), (3, "pair_kinship_limit", "high", "")]
    _, found = read_settings(rows, "settings.csv")
    assert [f.code for f in found] == ["setting-unknown", "setting-value"]
