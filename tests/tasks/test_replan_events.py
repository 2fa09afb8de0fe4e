"""Every event of a spawning morning, told on the command line: the new version obeys it, lists what changed, voids."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from planner.cli.main import main

Said = dict[str, Any]


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> Said:
    """Run a command with --json; return its object."""
    with pytest.raises(SystemExit) as ended:
        main([*words, "--json"])
    said = json.loads(capsys.readouterr().out)
    assert ended.value.code == 0, said
    assert isinstance(said, dict)
    return said


def uses(plan: Said, role: str) -> Counter[str]:
    return Counter(c[role] for c in plan["crosses"])


def pairs(plan: Said) -> Counter[tuple[str, str]]:
    return Counter((c["dam"], c["sire"]) for c in plan["crosses"])


@pytest.fixture
def morning(
    tiny_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> tuple[Said, Callable[..., Said]]:
    """Return the plan of the day, six dishes, and what plans it again."""
    plan = str(tmp_path / "plan")
    first = answer(capsys, "spawn", str(tiny_folder), "--out", plan, "--set", "crosses_wanted=6")
    return first, lambda *told: answer(capsys, "replan", str(tiny_folder), plan, *told)


def changed_as_said(old: Said, new: Said) -> None:
    """Check that old plan, less what falls away, plus what is new, less what is laid, is the new plan."""
    falls = Counter({(d, s): n for d, s, n in new["falls_away"]})
    comes = Counter({(d, s): n for d, s, n in new["new"]})
    laid = Counter(tuple(x) for x in new["laid"])
    assert pairs(new) + laid == pairs(old) - falls + comes
    assert new["provenance"]["version"] == old["provenance"]["version"] + 1
    assert new["provenance"]["mark"] != old["provenance"]["mark"]


@pytest.mark.parametrize(
    ("option", "role"),
    [("--not-ripe", "dam"), ("--dead", "dam"), ("--no-milt", "sire"), ("--hybrid", "sire")],
)
def test_replan__a_fish_is_lost(option: str, role: str, morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    lost = uses(first, role).most_common()[-1][0]
    new = again(option, lost)
    assert lost not in uses(new, role)
    assert len(new["crosses"]) == 6
    changed_as_said(first, new)
    assert any(lost in line for line in new["changes"] if line.startswith("falls away"))


def test_replan__few_eggs(morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    dam = uses(first, "dam").most_common()[0][0]
    few = uses(first, "dam")[dam] - 1
    new = again("--few-eggs", f"{dam}={few}", "--cells", "5")
    assert uses(new, "dam")[dam] <= few
    changed_as_said(first, new)


def test_replan__tag_not_read(morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    sire = uses(first, "sire").most_common()[0][0]
    new = again("--unreadable", sire)
    assert len(new["crosses"]) == 6
    assert all(c["kinship"] <= 0.0625 for c in new["crosses"])
    changed_as_said(first, new)


def test_replan__a_wild_fish_arrives(morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    gone = uses(first, "dam").most_common()[-1][0]
    new = again("--arrived", "unknown-1=female", "--not-ripe", gone)
    assert uses(new, "dam")["unknown-1"] > 0  # unrelated to all, so better than any fish of the station
    changed_as_said(first, new)


@pytest.mark.parametrize("left", [4, 2])
def test_replan__fewer_cells_or_a_short_crew(left: int, morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    laid = next(iter(pairs(first)))
    new = again("--laid", "=".join(laid), "--cells", str(left))
    assert len(new["crosses"]) == left
    assert [tuple(x) for x in new["laid"]] == [laid]
    changed_as_said(first, new)


def test_replan__what_was_told_is_remembered(morning: tuple[Said, Callable[..., Said]]) -> None:
    first, again = morning
    lost = uses(first, "sire").most_common()[-1][0]
    again("--no-milt", lost)
    new = again("--cells", "5")
    assert lost not in uses(new, "sire")
    assert new["provenance"]["version"] == 3
    assert len(new["crosses"]) == 5


def test_spawn__next_mates_are_ready_before_the_morning(morning: tuple[Said, Callable[..., Said]]) -> None:
    first, _ = morning
    line = first["next_in_line"]
    assert set(line) == set(uses(first, "dam"))
    dam = next(d for d in line if line[d])
    named = [words.split(" ")[0] for words in line[dam]]
    assert len(named) == len(set(named))
    for sire in named:
        assert (dam, sire) not in pairs(first)


def test_spawn__others_come_with_what_is_proven_of_their_difference(
    tiny_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = answer(capsys, "spawn", str(tiny_folder), "--others", "3", "--set", "crosses_wanted=6")
    differ = said["other_plans_differ"]
    assert differ["plans"] == len(said["other_plans"]) > 0
    assert differ["least_shared_fish_proven"] <= differ["shared_fish"]
    assert "Proven: no choice of as many plans within 1.0% of the best" in differ["sentence"]
    with pytest.raises(SystemExit):
        main(["spawn", str(tiny_folder), "--others", "3", "--set", "crosses_wanted=6"])
    assert differ["sentence"] in capsys.readouterr().out
