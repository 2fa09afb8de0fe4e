"""Every pair, refusal and unused fish of a plan says what would change it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from planner.tasks.candidates import Candidate
from planner.tasks.programme import Programme
from planner.tasks.spawning import spawning_plan
from planner.tasks.spawning_files import write_spawning
from planner.tasks.spawning_reasons import refusal_change


def test_reasons__say_what_would_change_them(tiny: Programme, tmp_path: Path) -> None:
    outcome = spawning_plan(tiny)
    said = outcome.as_dict()
    assert len(said["reasons"]) == len({(r["dam"]["name"], r["sire"]["name"]) for r in said["reasons"]}) > 0
    for r in said["reasons"]:
        assert (
            f"never_pairs={r['dam']['name']}={r['sire']['name']} keeps the pair out" in r["what_would_change"]
        )
    refused = {r["fish_id"]: r for r in said["not_used"]}
    assert refused["F-09"]["what_would_change"] == "An end of the hold in holds.csv, by whoever set it."
    assert "sample" in refused["F-06"]["what_would_change"]
    assert all(r["why"] and r["what_would_change"] for r in refused.values())
    used = {f for r in said["reasons"] for f in (r["dam"]["name"], r["sire"]["name"])}
    idle = {c.fish_id for c in outcome.inputs.candidates if c.may_cross} - used
    assert {u["name"] for u in said["not_needed"]} == idle
    assert idle
    assert all(u["why"].startswith("The plan ") for u in said["not_needed"])
    assert all(u["change"] is None or u["change"] >= -1e-3 * outcome.plan.value for u in said["not_needed"])
    written = {p.name: p for p in write_spawning(tiny, outcome, tmp_path)}
    with written["spawning_reasons.csv"].open(encoding="utf-8", newline="") as handle:
        lines = list(csv.DictReader(handle))
    assert [line["what_would_change"] for line in lines] == [r["what_would_change"] for r in said["reasons"]]
    html = written["spawning_sheet.html"].read_text(encoding="utf-8")
    assert said["not_needed"][0]["why"] in html
    assert "Keep it as a spare." in html


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("sex unknown", "record its sex"),
        ("species recorded as Lychnogila pallens", "another species is never crossed"),
        ("on hold: health", "An end of the hold"),
        ("age 1, youngest female allowed is 3", "min_age_female"),
        ("not ripe: not-ripe on 14 Feb 2025", "--also-ripe F-1"),
        ("not ripe: not ripe this morning", "Another look later in the day"),
        ("already used as often as the season allows", "A higher female_uses_max"),
        (
            "recorded female, male by DNA (sample S-1): look at the fish again",
            "correct the sex if DNA is right",
        ),
        ("0.5 (0.4 to 0.6) of its genes from the other species by DNA, hybrid (sample S-1)", "geneticist"),
        ("4 straws left, one dish takes 5", "More straws"),
        ("", ""),
    ],
)
def test_refusal_change__fits_every_refusal(why: str, said: str) -> None:
    change = refusal_change(Candidate("F-1", "female", not why, why, 0, 0, False, ""))
    assert said in change
    assert bool(change) == bool(why)
