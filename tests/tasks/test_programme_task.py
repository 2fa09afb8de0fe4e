"""Opening a programme: settings, the day, parents in use, groups of samples, waiting files."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import InputError, UsageError
from planner.tasks.candidates import holds_on
from planner.tasks.check import check_folder
from planner.tasks.diversity import diversity_by, trend_table
from planner.tasks.founders import founder_board
from planner.tasks.groups import call_set, group_labels, one_sample_per_fish, sample_table
from planner.tasks.kinship import living_kinship
from planner.tasks.programme import Programme, open_programme, read_and_check
from planner.tasks.release_data import season_of
from planner.tasks.settings import SETTINGS, read_settings


def write(folder: Path, name: str, text: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")


def test_settings__every_default_passes_its_own_rule() -> None:
    for setting in SETTINGS.values():
        assert setting.parse(str(setting.default)) == setting.default, setting.name
        assert setting.sentence.endswith("."), setting.name


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("gap", "nan", "a number from 0 to 0.5"),
        ("gap", "-1", "a number from 0 to 0.5"),
        ("cells", "many", "a integer"),
        ("today", "20/10/2024", "a date"),
    ],
)
def test_settings__refuse_what_they_cannot_use(name: str, text: str, message: str) -> None:
    with pytest.raises(UsageError, match=f"setting {name}: found '{text}'. Expected {message}"):
        SETTINGS[name].parse(text)


def test_read_settings__unknown_names_and_bad_values_become_findings() -> None:
    settings, findings = read_settings(
        [(2, "gapp", "0.1", ""), (3, "gap", "x", ""), (4, "seed", "7", "me")], "settings.csv"
    )
    assert [(f.code, f.where.row, f.level) for f in findings] == [
        ("setting-unknown", 2, "warning"),
        ("setting-value", 3, "error"),
    ]
    assert settings["seed"] == 7
    assert settings.sources["seed"] == "me"


def test_settings__dates_never_come_from_the_clock() -> None:
    with pytest.raises(UsageError, match="plans never use the machine's clock"):
        read_settings([], "settings.csv")[0].day("spawning_day")


def test_read_and_check__takes_the_last_day_of_the_records_and_says_so(tmp_path: Path) -> None:
    header = "fish_id,sex,origin,status,entered_on"
    write(
        tmp_path,
        "fish.csv",
        f"{header}\nA,female,wild-adult,brood,2019-04-02\nB,male,wild-adult,brood,2021-05-03\n",
    )
    findings, _, settings = read_and_check(tmp_path)
    assert settings.day("today") == dt.date(2021, 5, 3)
    assert [f.level for f in findings if f.code == "day-assumed"] == ["note"]


def test_open_programme__stops_at_hard_faults_with_all_of_them(tmp_path: Path) -> None:
    write(
        tmp_path,
        "fish.csv",
        "fish_id,sex,origin,status\nA,femal,wild-adult,brood\nA,male,wild-adult,brood\nB,male,moon,brood\n",
    )
    with pytest.raises(InputError) as caught:
        open_programme(tmp_path)
    assert {(f.where.row, f.where.column) for f in caught.value.findings if f.level == "error"} >= {
        (2, "sex"),
        (3, "fish_id"),
        (4, "origin"),
    }
    assert "nothing was written" in str(caught.value)


def test_parents_used__sure_dna_claims_stand_in_and_records_stay(tmp_path: Path) -> None:
    rows = ["A,female,wild-adult,brood,,", "B,male,wild-adult,brood,,", "C,male,wild-adult,brood,,"]
    rows += ["D,female,hatchery,brood,A,B", "E,female,hatchery,brood,A,B"]
    write(tmp_path, "fish.csv", "fish_id,sex,origin,status,dam,sire\n" + "\n".join(rows) + "\n")
    write(
        tmp_path,
        "parent_claims.csv",
        "child,role,parent,source,confidence\nD,sire,C,dna,0.999\nE,sire,C,dna,0.6\nE,dam,,assumed,0.99\n",
    )
    programme = open_programme(tmp_path)
    assert programme.parents_used["D"] == ("A", "C")
    assert programme.parents_used["E"] == ("A", "B")
    assert list(programme.tables["fish"]["sire"]) == ["", "", "", "B", "B"]


def test_holds_on__knows_open_and_past_holds() -> None:
    holds = pd.DataFrame(
        {
            "subject": ["F-1", "F-2", "F-3"],
            "subject_kind": ["fish"] * 3,
            "reason": ["health"] * 3,
            "from_date": pd.to_datetime(["2024-01-01", "2024-01-01", "2025-03-01"]),
            "until_date": pd.to_datetime(["2024-06-30", None, None]),
            "note": ["", "fungus", ""],
        }
    )
    assert holds_on(holds, dt.date(2025, 2, 14)) == {("fish", "F-2"): "on hold: health (fungus)"}


@pytest.mark.parametrize(
    ("day", "season"),
    [
        ("2024-12-01", "winter"),
        ("2025-02-28", "winter"),
        ("2025-03-01", "spring"),
        ("2025-08-31", "summer"),
        ("2024-11-12", "autumn"),
    ],
)
def test_season_of(day: str, season: str) -> None:
    assert season_of(dt.date.fromisoformat(day)) == season


def test_one_sample_per_fish__best_typed_one_and_no_replicates(full: Programme) -> None:
    snps = call_set(full, "snps")
    table = sample_table(full, snps)
    typed = pd.Series(snps.typed.sum(axis=0), index=table.index)
    used = one_sample_per_fish(table, typed)
    chosen = table[used]
    assert not chosen["group"].isin(["replicate", "control"]).any()
    named = chosen.loc[chosen["fish_id"] != "", "fish_id"]
    assert named.is_unique
    fish = table.loc[(table["fish_id"] != "") & table["fish_id"].notna()]
    for name, part in fish.groupby("fish_id"):
        if len(part) > 1 and (chosen["fish_id"] == name).any():
            kept = chosen.index[chosen["fish_id"] == name][0]
            allowed = part[~part["group"].isin(["replicate", "control"])]
            assert typed[kept] == typed[allowed.index].max()


def test_group_labels__needs_every_part_and_a_known_word(full: Programme) -> None:
    table = sample_table(full, call_set(full, "snps"))
    labels = group_labels(table, "year-class-and-line")
    assert any(x is None for x in labels)
    assert "2024 hatchery" in labels
    with pytest.raises(UsageError, match="--by"):
        group_labels(table, "colour")  # type: ignore[arg-type]


def test_call_set__unknown_name(full: Programme) -> None:
    with pytest.raises(UsageError, match="Did you mean 'snps'"):
        call_set(full, "snp")


def test_diversity_by__expected_heterozygosity_worked_out_by_hand_for_one_group(full: Programme) -> None:
    # Nei 1978: 2n / (2n - 1) x (1 - sum p^2), mean over loci; written out here from the calls.
    report = diversity_by(full, "year-class-and-line")
    row = next(r for r in report.rows if r.group == "2024 hatchery")
    snps = call_set(full, "snps").with_role("neutral")
    table = sample_table(full, snps)
    typed = pd.Series(snps.typed.sum(axis=0), index=table.index)
    mine = one_sample_per_fish(table, typed) & (typed >= 0.8 * snps.n_loci)
    mine &= (table["year_class"] == 2024).fillna(False) & (table["line"] == "hatchery")
    columns = np.flatnonzero(mine.to_numpy(dtype=bool))
    assert row.n_typed == len(columns)
    values = []
    for locus in range(snps.n_loci):
        genes = snps.calls[locus, columns].ravel()
        genes = genes[genes >= 0]
        p = np.bincount(genes) / len(genes)
        values.append(len(genes) / (len(genes) - 1) * (1 - (p**2).sum()))
    assert row.expected_heterozygosity.value == pytest.approx(np.mean(values), abs=1e-12)
    e = row.expected_heterozygosity
    assert e.low is not None
    assert e.high is not None
    assert e.value is not None
    assert e.low < e.value < e.high
    trend = trend_table(report)
    assert set(trend["line"]) >= {"hatchery", "wild-larvae"}


def test_diversity_report__json_has_no_nan_for_small_groups(tiny: Programme) -> None:
    report = diversity_by(tiny, "year-class-and-line")
    assert "NaN" not in json.dumps(report.as_dict())
    assert any("not estimable because" in n for n in report.notes())


def test_living_kinship__mean_is_that_of_the_matrix(full: Programme) -> None:
    report = living_kinship(full)
    assert np.allclose(report.matrix.mean(axis=1), report.mean_kinship)
    assert (np.diff(report.mean_kinship) >= -1e-12).all()
    assert report.table["fish_id"].tolist() == list(report.fish)


def test_founder_board__shares_add_up_and_places_hold_all_copies(full: Programme) -> None:
    board = founder_board(full)
    assert board.table["share"].sum() == pytest.approx(1)
    copies = board.table[[f"copies at {p}" for p in board.places]].to_numpy()
    assert copies.sum() == pytest.approx(len(full.living_rows))
    assert sum(loss.fish for loss in board.losses) == len(full.living_rows)
    assert "If a place were lost tonight" in board.text()
    json.dumps(board.as_dict(), default=float)


def test_check_folder__tiny_demo_finds_its_planted_faults(tiny_folder: Path) -> None:
    planted = pd.read_csv(tiny_folder / "truth" / "planted.csv", keep_default_na=False)
    report = check_folder(tiny_folder)
    assert not report.stops_import
    found = {(f.where.file, f.where.row, f.code) for f in report.findings}
    by_code = {(f.where.file, f.code) for f in report.findings}
    here = planted[(planted["found_in"] != "") & ~planted["found_in"].str.startswith("inbox/")]
    assert len(here) > 15
    missed = [
        r.what
        for r in here.itertuples()
        if (r.found_in, r.row, r.expected) not in found and (r.found_in, r.expected) not in by_code
    ]
    assert missed == []
