"""A projection of the practice programme: from records to the written report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from broodstock.errors import UsageError
from planner.cli.main import group
from planner.project.expected import has_closed_form
from planner.tasks.programme import Programme, open_programme
from planner.tasks.project import ProjectionReport, ProjectionWishes, projection
from planner.tasks.project_files import write_projection
from planner.tasks.project_model import STRATEGIES, project_model, strategies_named

NAMES = ("do-nothing", "random", "least-kinship", "more-sites+exchange")


@pytest.fixture(scope="module")
def report(tiny: Programme) -> ProjectionReport:
    return projection(tiny, ProjectionWishes(6, NAMES, 6, workers=1))


def changed(programme: Programme, **tables: pd.DataFrame) -> Programme:
    return replace(programme, tables={**programme.tables, **tables})


def test_project_model__takes_the_records(tiny: Programme) -> None:
    made = project_model(tiny)
    fish = tiny.tables["fish"]
    assert made.facts.brood == fish["status"].isin(["brood", "hold"]).sum()
    residents = tiny.tables["residents"]
    assert made.facts.residents + made.facts.earlier + made.facts.wild == residents["number"].sum()
    assert made.model.start.stock_number.sum() == len(tiny.tables["stock"])
    names = [w.name for w in made.model.waters]
    assert names[0] == "main water"
    assert "Nine Posts" in names
    released = made.model.releases(strategies_named(["random"])[0]).sum()
    wider = made.model.releases(strategies_named(["more-sites"])[0])
    assert released == len(tiny.tables["stock"]) - tiny.settings["keep_back"]
    assert wider.sum() == pytest.approx(released)
    assert (wider[-2:] > 0).all()


def test_project_model__kinship_at_the_start_is_the_recorded_one(tiny: Programme) -> None:
    from planner.project.population import prepare

    made = project_model(tiny)
    prepared = prepare(made.model)
    n = made.facts.brood
    ids = [tiny.pedigree.ids[r - (len(made.model.start.parents) - made.facts.residents - made.facts.earlier
                                  - len(tiny.pedigree))] for r in made.model.start.rows[:n]]  # fmt: skip
    assert set(ids) == {tiny.pedigree.ids[r] for r in tiny.living_rows}
    from broodstock.pedigree.kinship import kinship_between

    rows = tiny.pedigree.rows(ids)
    np.testing.assert_allclose(prepared.kinship[:n, :n], kinship_between(tiny.pedigree.parents, rows, rows))


def test_project_model__every_parameter_has_a_source(tiny: Programme) -> None:
    made = project_model(tiny)
    assert all(p.what and p.value and p.source for p in made.parameters)
    shown = " ".join(p.source for p in made.parameters)
    unshown = [
        n for n in tiny.settings.values if n.startswith("project_") and n not in shown
        and n not in ("project_loci", "project_first_year")
    ]  # fmt: skip
    assert unshown == []


def test_project_model__exchange_never_goes_to_water_of_lower_risk(tiny: Programme) -> None:
    sites = tiny.tables["sites"].copy()
    closed = sites["kind"] == "isolated-backwater"
    sites.loc[closed, "water_risk"] = np.arange(closed.sum())
    made = project_model(changed(tiny, sites=sites))
    risk = dict(zip(sites["name"], sites["water_risk"], strict=True))
    moves = made.model.moves
    assert moves.sum() > 0
    waters = made.model.waters
    for i, j in np.argwhere(moves > 0):
        if waters[i].name in risk and waters[j].name in risk:
            assert risk[waters[i].name] <= risk[waters[j].name]


def test_projection__goals_side_by_side(report: ProjectionReport) -> None:
    values = report.as_dict()
    json.dumps(values, allow_nan=False, default=str)
    assert set(values["last_year"]) == set(NAMES)
    assert values["last_year"]["do-nothing"]["natural"]["mean"] >= 0
    text = " ".join(values["assumptions"])
    assert "Assumed" in text
    assert "Monte Carlo error only" in text
    for name in (
        "goal_table",
        "number_table",
        "chance_table",
        "difference_table",
        "water_table",
        "check_table",
    ):
        head, lines = getattr(report, name)()
        assert lines
        assert all(len(line) == len(head) for line in lines)
    assert "score" not in json.dumps(values)
    assert set(report.expected) == {s.name for s in report.strategies if has_closed_form(s)}


def test_projection__least_kinship_beats_lot_and_nothing(report: ProjectionReport) -> None:
    by = {r.strategy: r.of("gene_diversity")[:, -1].mean() for r in report.results}
    assert by["least-kinship"] > by["random"]
    assert by["least-kinship"] > by["do-nothing"]


def test_projection__same_start_in_all_strategies(report: ProjectionReport) -> None:
    first = [r.of("gene_diversity_loci")[:, 0] for r in report.results]
    for x in first[1:]:
        np.testing.assert_array_equal(x, first[0])


def test_write_projection__report_figures_quantiles(report: ProjectionReport, tmp_path: Path) -> None:
    written = write_projection(report, tmp_path, "Practice")
    assert {p.name for p in written} >= {"projection.html", "projection.json", "projection_quantiles.csv",
                                         "projection_gene_diversity.svg", "projection_chances.svg", "projection_chances_data.csv"}  # fmt: skip
    html = (tmp_path / "projection.html").read_text()
    for words in (
        "What is assumed",
        "Parameters",
        "setting project_survival_main",
        "no score is made",
        "planning aid",
    ):
        assert words in html
    cells = [
        c
        for head, lines in (report.goal_table(), report.number_table(), report.water_table())
        for line in lines
        for c in line
    ]
    assert not [c for c in cells if "nan" in c]
    table = pd.read_csv(tmp_path / "projection_quantiles.csv")
    part = table[(table["measure"] == "gene_diversity") & (table["strategy"] == "random")]
    assert part["year"].tolist() == list(range(7))
    assert (part["q05"] <= part["q95"]).all()
    assert part["calendar_year"].iloc[0] == 2024


def test_projection__other_numbers_are_refused(tiny: Programme) -> None:
    for wishes, match in (
        (ProjectionWishes(4, replicates=3), "found 4 years"),
        (ProjectionWishes(26, replicates=3), "found 26 years"),
        (ProjectionWishes(6, replicates=1), "1 replicates"),
        (ProjectionWishes(6, ("best",), 3), "strategies: found 'best'"),
        (ProjectionWishes(6, ("do-nothing+exchange",), 3), "not to do-nothing"),
        (ProjectionWishes(6, ("random", "random"), 3), "a name twice"),
        (ProjectionWishes(6, (), 3), "found no strategy"),
    ):
        with pytest.raises(UsageError, match=match):
            projection(tiny, wishes)


def test_projection__records_without_fish_or_water(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="found no reservoir, river, backwater or refuge"):
        project_model(changed(tiny, sites=tiny.tables["sites"].iloc[:0]))
    fish = tiny.tables["fish"].assign(status="dead")
    nobody = {name: tiny.tables[name].iloc[:0] for name in ("residents", "releases", "group_moves")}
    with pytest.raises(UsageError, match="found no living fish"):
        project_model(changed(tiny, fish=fish, **nobody))


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("project_survival_backwater=0", "Survival at Nine Posts is 0"),
        ("project_survival_main=1", "Survival at main water is 1"),
    ],
)
def test_projection__odd_settings_are_said(tiny_folder: Path, setting: str, words: str) -> None:
    name, value = setting.split("=")
    report = projection(
        open_programme(tiny_folder, {name: value}), ProjectionWishes(5, ("random",), 2, workers=1)
    )
    assert any(words in s for s in report.said)


def test_projection__one_sex_and_no_room(tiny: Programme) -> None:
    fish = tiny.tables["fish"].assign(sex="female")
    sites = tiny.tables["sites"].copy()
    sites["capacity_fish"] = sites["capacity_fish"].where(sites["name"] != "Nine Posts", 0)
    odd = changed(tiny, fish=fish, sites=sites)
    made = project_model(odd)
    report = projection(odd, ProjectionWishes(5, ("equal-families",), 2, workers=1))
    assert any("no adult males at the station" in s for s in report.said)
    assert any("Nine Posts has a capacity of 0" in s for s in report.said)
    # Young of the stock grow up and bring males in later years; in the first years there are no crosses.
    assert (report.results[0].of("crosses")[:, 2] == 0).all()
    assert (report.results[0].of("adults: Nine Posts") == 0).all()
    assert made.facts.brood == (fish["status"].isin(["brood", "hold"])).sum()


def test_strategies__each_says_what_it_does() -> None:
    for name, (strategy, words) in STRATEGIES.items():
        assert strategy.name == name
        assert words.endswith(".")
    assert strategies_named(["random+exchange"])[0].exchange


def test_command__json(tiny_folder: Path) -> None:
    call = [
        "project",
        str(tiny_folder),
        "--years",
        "5",
        "--replicates",
        "2",
        "--strategies",
        "random",
        "--workers",
        "1",
    ]
    done = CliRunner().invoke(group, [*call, "--json"], standalone_mode=False)
    assert done.exception is None
    assert json.loads(done.stdout)["replicates"] == 2
