"""The audit of the tiny practice programme: small groups say why they have no number."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from broodstock.effective_size.waterfall import StepShares, Waterfall, diversity_loss_waterfall
from broodstock.errors import UsageError
from planner.cli.main import main
from planner.tasks.audit import Audit, audit_programme, latest_year_class, write_audit
from planner.tasks.audit_waterfall import worst_step
from planner.tasks.programme import Programme, open_programme
from planner.tasks.size import effective_sizes


@pytest.fixture(scope="session")
def small(tiny_folder: Path) -> Programme:
    return open_programme(tiny_folder, {"bootstrap_replicates": "99"})


@pytest.fixture(scope="session")
def small_audit(small: Programme) -> Audit:
    return audit_programme(small)


def test_tiny__every_part_is_there_and_says_what_it_could_not_make(small_audit: Audit) -> None:
    keys = [p.key for p in small_audit.parts]
    assert keys == [
        "quality",
        "diversity",
        "trend",
        "haplotypes",
        "structure",
        "sizes",
        "losses",
        "parents",
        "wild_parents",
        "founders",
        "kinship",
        "sites",
    ]
    missing = small_audit.as_dict()["not_made"]
    assert any("no line has two year classes of 10 fish or more" in x for x in missing["trend"])
    assert any("fewer than 10" in x for x in missing["sizes"])
    assert any("not estimable because" in x for x in missing["sizes"])
    assert any("generation_years is not given" in x for x in missing["sizes"])


def test_tiny__sheets_render_and_json_is_clean(small_audit: Audit, tmp_path: Path) -> None:
    write_audit(small_audit, tmp_path)
    html = (tmp_path / "audit.html").read_text(encoding="utf-8")
    assert "not estimable" in html
    assert "Genetic audit" in html
    assert (tmp_path / "audit.pdf").read_bytes()[:5] == b"%PDF-"
    json.loads((tmp_path / "audit.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)


def test_tiny__losses_of_a_small_season(small_audit: Audit) -> None:
    steps = {s.name: s for s in small_audit.losses.steps}
    used = steps["broodfish used"]
    assert float(used.both) == pytest.approx(
        4 * used.n_females * used.n_males / (used.n_females + used.n_males)
    )
    assert small_audit.losses.total == small_audit.losses.steps[-1].both / small_audit.losses.steps[0].both


def test_worst_step__passes_over_a_loss_that_may_be_chance() -> None:
    def steps(seen: int) -> Waterfall:
        return diversity_loss_waterfall(
            [
                StepShares("broodfish available", dict.fromkeys("abcdefgh", 1), dict.fromkeys("ijklmnop", 1)),
                StepShares("broodfish used", dict.fromkeys("abcd", 1), dict.fromkeys("ijkl", 1)),
                StepShares("dishes laid", {"a": 3, "b": 2, "c": 2, "d": 2}, dict.fromkeys("ijkl", 1)),
                StepShares(
                    "seen alive after a year",
                    {"a": 3 * seen, "b": seen, "c": seen},
                    {"i": 3 * seen, "j": seen, "k": seen},
                    sampled=True,
                ),
            ]
        )

    few, many = worst_step(steps(1)), worst_step(steps(40))
    assert few is not None
    assert few.name == "dishes laid"
    assert many is not None
    assert many.name == "seen alive after a year"


def test_year_class__is_the_latest_or_the_one_asked_for(small: Programme) -> None:
    assert latest_year_class(small) == 2024
    with pytest.raises(UsageError, match=r"--year-class: found 1999. Expected a year class in the records"):
        audit_programme(small, 1999)


def test_sizes__one_line_on_its_own_runs_quality_and_parents_first(small: Programme) -> None:
    report = effective_sizes(small, 2024, "hatchery")
    group = "year class 2024, hatchery"
    assert [g.group for g in report.groups] == [group]
    sibs = report.find(group, "sibship frequency")
    assert sibs is not None
    assert "fewer than two young have both parents assigned" in sibs.reason
    assert "too few to be thinned" in report.samples[group]  # type: ignore[index]
    with pytest.raises(UsageError, match="found no typed sample of year class 1999"):
        effective_sizes(small, 1999)


def test_command__writes_the_report_and_prints_one_object(
    tiny_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["audit", str(tiny_folder), "--out", str(tmp_path), "--json"])
    assert stopped.value.code == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["year_class"] == 2024
    assert str(tmp_path / "audit.pdf") in answer["written"]
    for command in ("quality", "parents"):
        with pytest.raises(SystemExit) as stopped:
            main([command, str(tiny_folder)])
        assert stopped.value.code == 0
        assert capsys.readouterr().out


def test_command__wants_a_folder_to_write_into(tiny_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["audit", str(tiny_folder)])
    assert stopped.value.code == 2
    assert "--out" in capsys.readouterr().err
