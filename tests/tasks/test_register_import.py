"""Import into a register: dry run, same file twice, differences to the queue, units, scanner days, reviews."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from broodstock.errors import InputError, UsageError
from broodstock.fields import table
from broodstock.intake.folder import read_folder
from broodstock.intake.tables import typed_frame
from planner.store.detections import detection_days, scans_of
from planner.store.errors import StaleRecord
from planner.store.importing import compared
from planner.store.importing_calls import joined_calls
from planner.store.mapping import in_our_unit
from planner.store.register import Register
from planner.tasks.programme import open_programme, read_and_check
from planner.tasks.register_import import ImportReport, plan_import, write_import
from planner.tasks.register_queue import decide_item, open_items
from planner.tasks.register_state import findings_of, import_into

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
DAY = dt.date(2025, 1, 2)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register with the tiny programme; copy it before writing."""
    place = tmp_path_factory.mktemp("filled") / "records.kinshoal"
    with Register.create(place) as register:
        write_import(register, plan_import(register, TINY), "tess", "first import")
    return place


@pytest.fixture
def place(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "records.kinshoal"))


def brought(place: Path, path: Path, **options: object) -> ImportReport:
    return import_into(place, path, who="ana", write=True, **options)  # type: ignore[arg-type]


def captures_file(folder: Path, rows: list[dict[str, object]], name: str = "captures.csv") -> Path:
    pd.DataFrame(rows).to_csv(folder / name, index=False)
    return folder / name


def capture(k: int, **cells: object) -> dict[str, object]:
    return {
        "capture_id": f"N-{k}",
        "captured_on": "2024-10-19",
        "site_id": "QL",
        "tag": "",
        "length_mm": 420 + k,
        "length_type": "TL",
        "weight_g": 800,
    } | cells


def test_import__a_dry_run_writes_nothing(place: Path, tmp_path: Path) -> None:
    with Register.open(place) as register:
        before = register.data_version()
    report = import_into(place, captures_file(tmp_path, [capture(1)]), who="")
    assert report.plan.rows()[0]["added"] == 1
    assert "A dry run" in report.text()
    with Register.open(place) as register:
        assert register.data_version() == before


def test_import__the_register_gives_back_what_was_in_the_folder(filled: Path) -> None:
    folder = read_folder(TINY)
    with Register.open(filled, read_only=True) as register:
        held = register.records()
    for name, frame in folder.tables.items():
        if name != "scans":
            pd.testing.assert_frame_equal(
                held.tables[name].reset_index(drop=True), frame.reset_index(drop=True), check_dtype=True
            )
    for name, calls in folder.genotypes.items():
        assert held.genotypes[name].samples == calls.samples
        assert np.array_equal(held.genotypes[name].calls, calls.calls)


def test_import__plans_and_figures_are_those_of_the_folder(filled: Path) -> None:
    from planner.tasks.kinship import living_kinship

    a, b = open_programme(TINY, with_scans=True), open_programme(filled, with_scans=True)
    assert living_kinship(a).as_dict() == living_kinship(b).as_dict()
    with Register.open(filled, read_only=True) as register:
        assert b.fingerprint == register.data_version().hash
    assert len(a.tables["scans"]) == len(b.tables["scans"])


def test_import__checks_of_the_register_find_what_checks_of_the_folder_find(filled: Path) -> None:
    folder, _, _ = read_and_check(TINY)
    register, _, _ = read_and_check(filled)
    apart = {"tag-converted", "hidden-blank", "file-unknown"}
    assert {k: v for k, v in folder.counts().items() if k not in apart} == {
        k: v for k, v in register.counts().items() if k not in apart
    }


def test_import__the_same_file_again_changes_nothing_and_says_so(place: Path) -> None:
    with Register.open(place) as register:
        before = register.data_version()
    report = brought(place, TINY)
    assert not report.written
    assert "The same file was imported before" in report.text()
    with Register.open(place) as register:
        assert register.data_version() == before


def test_import__a_changed_file_brings_only_what_differs(place: Path, tmp_path: Path) -> None:
    brought(place, captures_file(tmp_path, [capture(1), capture(2)]))
    report = brought(place, captures_file(tmp_path, [capture(1), capture(2, weight_g=900), capture(3)]))
    (row,) = report.plan.rows()
    assert (row["added"], row["left_alone"], row["queued"]) == (1, 1, 1)
    with Register.open(place) as register:
        assert register.get("captures", "N-2")["weight_g"] == 800
        (item,) = open_items(register)
        assert item.differences() == [("weight_g", 800.0, 900.0)]
        assert "ana on" in item.ours_source
        assert item.row["theirs_source"] == "captures.csv, row 3"
    again = brought(place, captures_file(tmp_path, [capture(2, weight_g=900)]))
    assert again.plan.rows()[0]["waiting"] == 1


def test_import__newer_takes_the_values_of_a_file_of_the_same_name(place: Path, tmp_path: Path) -> None:
    brought(place, captures_file(tmp_path, [capture(1)]))
    report = brought(place, captures_file(tmp_path, [capture(1, weight_g=900)]), newer=True)
    assert report.plan.rows()[0]["changed"] == 1
    with Register.open(place) as register:
        row = register.get("captures", "N-1")
        assert row["weight_g"] == 900
        assert len(register.history("captures", row["record_id"])) == 2


def test_import__a_column_without_any_value_says_nothing(place: Path, tmp_path: Path) -> None:
    brought(place, captures_file(tmp_path, [capture(1)]))
    shorter = {k: v for k, v in capture(1).items() if k != "weight_g"}
    assert brought(place, captures_file(tmp_path, [shorter])).plan.rows()[0]["left_alone"] == 1


def test_import__one_capture_told_by_two_sources_waits(place: Path, tmp_path: Path) -> None:
    tag = "999009000010006"
    brought(place, captures_file(tmp_path, [capture(1, tag=tag)]))
    report = brought(
        place,
        captures_file(tmp_path, [capture(50, tag=tag, length_mm=455)], "captures_agency.csv"),
        table="captures",
    )
    assert report.plan.rows()[0]["queued"] == 1
    with Register.open(place) as register:
        assert register.get("captures", "N-50") is None
        (item,) = open_items(register)
        decide_item(register, item.item_id, "both", {}, "tess", "two nets", DAY)
        assert register.get("captures", "N-50")["length_mm"] == 455


@pytest.mark.parametrize(
    ("keep", "fields", "weight", "length"),
    [
        ("old", {}, 800, 421),
        ("new", {}, 900, 431),
        ("fields", {"weight_g": "new"}, 900, 421),
        ("fields", {"weight_g": "850"}, 850, 421),
    ],
)
def test_queue__a_person_decides(place: Path, tmp_path: Path, keep, fields, weight, length) -> None:
    brought(place, captures_file(tmp_path, [capture(1)]))
    brought(place, captures_file(tmp_path, [capture(1, weight_g=900, length_mm=431)]))
    with Register.open(place) as register:
        (item,) = open_items(register)
        decide_item(register, item.item_id[:5], keep, fields, "tess", "the scale", DAY)
        row = register.get("captures", "N-1")
        assert (row["weight_g"], row["length_mm"]) == (weight, length)
        assert open_items(register) == []
        assert register.verify().ok
        last = register.changes()[-1]
        assert (last.entered_by, last.reason, last.kind) == ("tess", "the scale", "decision")


def test_queue__refuses_what_changed_since(place: Path, tmp_path: Path) -> None:
    brought(place, captures_file(tmp_path, [capture(1)]))
    brought(place, captures_file(tmp_path, [capture(1, weight_g=900)]))
    with Register.open(place) as register:
        (item,) = open_items(register)
        with register.writing("ben", "weighed again") as writer:
            writer.change("captures", register.get("captures", "N-1")["record_id"], {"weight_g": 870})
        with pytest.raises(StaleRecord, match="changed since the difference was found"):
            decide_item(register, item.item_id, "new", {}, "tess", "x", DAY)
        with pytest.raises(UsageError, match="found no open item"):
            decide_item(register, "zzz", "new", {}, "tess", "x", DAY)
        with pytest.raises(UsageError, match="Expected why"):
            decide_item(register, item.item_id, "old", {}, "tess", " ", DAY)


def test_import__faults_stop_everything(place: Path, tmp_path: Path) -> None:
    path = captures_file(tmp_path, [capture(1), capture(2, captured_on="2024-06-31")])
    report = brought(place, path)
    assert report.plan.refused == 1
    assert "Refused" in report.text()
    with Register.open(place) as register:
        assert register.get("captures", "N-1") is None
        with pytest.raises(InputError, match="impossible-date"):
            write_import(register, plan_import(register, path), "ana", "x")


def test_import__a_name_that_is_in_the_register_is_known(place: Path, tmp_path: Path) -> None:
    good = brought(place, captures_file(tmp_path, [capture(1, site_id="QL")]))
    assert good.written
    bad = brought(place, captures_file(tmp_path, [capture(2, site_id="QQ")]))
    assert [f.code for f in bad.plan.findings.of_level("error")] == ["reference-unknown"]


def test_import__foreign_headers_units_and_saved_mapping(place: Path, tmp_path: Path) -> None:
    rows = [
        {"Record": "N-1", "Date": "2024-10-19", "Water": "QL", "Fish length": "17.5", "Mass": "1.25"},
        {"Record": "N-2", "Date": "2024-10-19", "Water": "QL", "Fish length": "", "Mass": "0.9"},
    ]
    path = captures_file(tmp_path, rows, "agency.csv")
    maps = [
        "Record=capture_id",
        "Date=captured_on",
        "Water=site_id",
        "Fish length=length_mm",
        "Mass=weight_g",
    ]
    report = brought(
        place,
        path,
        table="captures",
        maps=maps,
        units=["length_mm=in", "weight_g=kg"],
        length_type="FL",
        save_as="agency",
    )
    assert report.written
    with Register.open(place) as register:
        row = register.get("captures", "N-1")
        assert (row["length_mm"], row["weight_g"], row["length_type"]) == (444.5, 1250.0, "FL")
        assert register.get("captures", "N-2")["length_type"] is None
        change = next(c for c in register.changes() if c.kind == "import" and "agency" in c.source)
        assert "1 value(s) turned from in into mm" in change.source
        assert "2 value(s) turned from kg into g" in change.reason
    rows[0]["Record"], rows[1]["Record"] = "N-3", "N-4"
    again = brought(place, captures_file(tmp_path, rows, "later.csv"), table="captures", mapping="agency")
    assert again.written
    with Register.open(place) as register:
        assert register.get("captures", "N-3")["length_mm"] == 444.5


def test_import__near_headers_are_suggested(place: Path, tmp_path: Path) -> None:
    rows = [{**capture(1), "wieght_g": 3}]
    del rows[0]["weight_g"]
    report = brought(place, captures_file(tmp_path, rows))
    assert any(f.code == "unknown-column" and "weight_g" in f.remedy for f in report.plan.findings)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (
            {"units": ["weight_g=stone"]},
            "found unit 'stone'. Expected g or one that can be turned into it: kg, lb, mg, oz",
        ),
        ({"units": ["weigth=kg"]}, "found no column 'weigth'"),
        ({"maps": ["Mass=mass"]}, "found no column 'mass'"),
        ({"maps": ["Mass"]}, "--map: found 'Mass'. Expected NAME=VALUE"),
        ({"length_type": "XL"}, "found 'XL'"),
        ({"mapping": "none"}, "found 'none'. Expected a saved mapping"),
        ({"table": "captchas"}, "--table: found captchas"),
    ],
)
def test_import__refuses_what_fits_nothing(place: Path, tmp_path: Path, options, words) -> None:
    with pytest.raises(UsageError, match=words):
        import_into(place, captures_file(tmp_path, [capture(1)]), who="", **options)


def test_import__a_file_not_named_like_a_table_is_refused(place: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"found a file not named like a table.*--table captures"):
        import_into(place, captures_file(tmp_path, [capture(1)], "autumn_captures_2.csv"), who="")


@pytest.mark.parametrize(
    ("cell", "own", "unit", "expected"),
    [
        ("17.5", "mm", "in", "444.5"),
        ("2", "g", "lb", "907.18474"),
        ("1", "g", "oz", "28.349523"),
        ("0.9", "g", "kg", "900"),
        ("68", "C", "F", "20"),
        ("x", "g", "kg", "x"),
        ("", "g", "kg", ""),
    ],
)
def test_in_our_unit__by_definition(cell, own, unit, expected) -> None:
    """Exact sizes of units: NIST Special Publication 811, appendix B (from memory)."""
    assert in_our_unit(cell, own, unit) == expected


def test_import__a_workbook_goes_in_as_its_sheets(place: Path, tmp_path: Path) -> None:
    from broodstock.intake.write import write_workbook

    spec = table("captures")
    frame = typed_frame(
        spec,
        {"capture_id": ["N-1"], "captured_on": [pd.Timestamp("2024-10-19")], "site_id": ["QL"]},
        np.array([2]),
        "captures",
    )
    path = write_workbook({"captures": frame}, tmp_path / "autumn.xlsx")
    assert brought(place, path).plan.rows()[0]["added"] == 1


# Scanner days


def slow_days(scans: pd.DataFrame) -> dict[tuple[str, str, str], tuple[str, str, int]]:
    out: dict[tuple[str, str, str], list[str]] = {}
    for d, t, tag in zip(scans["deployment_id"], scans["scanned_at"], scans["tag"], strict=True):
        out.setdefault((d, str(t.date()), tag), []).append(str(t))
    return {k: (min(v), max(v), len(v)) for k, v in out.items()}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["D1", "D2"]), st.integers(0, 3 * 86_400), st.sampled_from(["A", "B", "C"])
        ),
        max_size=40,
    )
)
@settings(max_examples=60, deadline=None)
def test_detection_days__agree_with_the_slow_way_and_turn_back(rows) -> None:
    start = pd.Timestamp("2024-03-01T12:00:00")
    scans = typed_frame(
        table("scans"),
        {
            "deployment_id": np.array([r[0] for r in rows] + [None], dtype=object)[:-1],
            "scanned_at": pd.to_datetime([start + pd.Timedelta(seconds=r[1]) for r in rows]).to_numpy(
                dtype="datetime64[ns]"
            )
            if rows
            else np.zeros(0, dtype="datetime64[ns]"),
            "tag": np.array([r[2] for r in rows] + [None], dtype=object)[:-1],
        },
        np.arange(2, 2 + len(rows)),
        "scans.csv",
    )
    days = detection_days(scans)
    got = {
        (r.deployment_id, str(r.day.date()), r.tag): (str(r.first_at), str(r.last_at), r.contacts)
        for r in days.itertuples()
    }
    assert got == slow_days(scans)
    again = detection_days(scans_of(days))
    pd.testing.assert_frame_equal(again, days)


def test_scans_of__an_hour_apart_day_is_kept(filled: Path) -> None:
    scans = read_folder(TINY).tables["scans"]
    with Register.open(filled, read_only=True) as register:
        days = register.frame("detection_days")
    assert int(days["contacts"].sum()) == len(scans)


# Comparison


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 2)), max_size=12), st.data())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_compared__every_row_is_new_the_same_or_in_conflict(rows, data) -> None:
    """Against a register made of the same rows nothing is new; each missing row is found again."""
    spec = table("distances")

    def frame(items):
        return typed_frame(
            spec,
            {
                "from_place": np.array([a for a, _ in items] + [None], dtype=object)[:-1],
                "to_place": np.array(["x"] * len(items) + [None], dtype=object)[:-1],
                "km": np.array([float(b) for _, b in items]),
            },
            np.arange(2, 2 + len(items)),
            "distances.csv",
        )

    kept = data.draw(st.lists(st.sampled_from(rows), max_size=8)) if rows else []
    made = compared(spec, frame(kept), frame(rows))
    assert len(made.added) + made.same + len(made.conflicts) == len(rows)
    whole = compared(spec, frame(rows), frame(rows))
    assert (len(whole.added), whole.same, whole.conflicts) == (0, len(rows), ())
    if not kept:
        assert len(made.added) == len(rows)


def test_joined_calls__keeps_old_samples_and_takes_new_calls() -> None:
    calls = read_folder(TINY).genotypes["snps"]
    first, second = calls.take(samples=range(30)), calls.take(samples=range(20, calls.n_samples))
    joined = joined_calls(first, second)
    assert joined.samples == calls.samples
    for i, locus in enumerate(joined.loci):
        j = [x.name for x in calls.loci].index(locus.name)
        ours = [[joined.alleles[i][a] if a >= 0 else "" for a in pair] for pair in joined.calls[i]]
        theirs = [[calls.alleles[j][a] if a >= 0 else "" for a in pair] for pair in calls.calls[j]]
        assert ours == theirs


# Findings with a memory


def test_findings__accepted_ones_stay_accepted(place: Path, tmp_path: Path) -> None:
    _, data = findings_of(place, "warning", (), (), "", "", None)
    first = next(f for f in data["findings"] if f["level"] == "warning")
    text, after = findings_of(place, "warning", (first["mark"],), (), "tess", "looked at the card", None)
    mine = next(f for f in after["findings"] if f["mark"] == first["mark"])
    assert (mine["state"], mine["decided_by"], mine["reason"]) == ("accepted", "tess", "looked at the card")
    assert "Accepted: 1" in text
    brought(place, captures_file(tmp_path, [capture(1)]))
    _, later = findings_of(place, "warning", (), (), "", "", None)
    assert next(f for f in later["findings"] if f["mark"] == first["mark"])["state"] == "accepted"
    _, again = findings_of(place, "warning", (), (first["mark"],), "tess", "not so sure", None)
    assert next(f for f in again["findings"] if f["mark"] == first["mark"])["state"] == "open"


def test_findings__reviewed_by_the_command_is_a_state_of_its_own(place: Path) -> None:
    from click.testing import CliRunner

    from planner.cli.register import register as command

    _, data = findings_of(place, "warning", (), (), "", "", None)
    mark = str(next(f for f in data["findings"] if f["level"] == "warning")["mark"])
    words = ["findings", str(place), "--reviewed", mark, "--reason", "asked the crew"]
    nobody = CliRunner().invoke(command, words)
    assert isinstance(nobody.exception, UsageError)
    said = CliRunner().invoke(command, [*words, "--as", "tess"])
    assert said.exit_code == 0
    assert "Reviewed: 1" in said.output
    assert "reviewed by tess: asked the crew" in said.output
    assert "Accepted" not in said.output


def test_findings__are_closed_when_the_record_is_right(place: Path, tmp_path: Path) -> None:
    with Register.open(place) as register:
        found = register.rows("finding_reviews", {"code": "counts-increase"})
        assert [r["state"] for r in found] == ["open"]
        cross = register.get("crosses", str(found[0]["record_key"]))
        with register.writing("tess", "counted again") as writer:
            writer.change("crosses", cross["record_id"], {"kept": 4900})
    brought(place, captures_file(tmp_path, [capture(1)]))
    with Register.open(place) as register:
        (row,) = register.rows("finding_reviews", {"code": "counts-increase"})
        assert (row["state"], row["decided_by"]) == ("corrected", "ana")


def test_findings__unknown_marks_and_missing_reasons_are_refused(place: Path) -> None:
    with pytest.raises(UsageError, match="found no finding with a mark"):
        findings_of(place, "note", ("zzzz",), (), "tess", "x", None)
    with pytest.raises(UsageError, match="Expected why the finding is accepted"):
        findings_of(place, "note", ("a",), (), "tess", "", None)


def test_writer__a_value_of_another_kind_is_refused(place: Path) -> None:
    with (
        Register.open(place) as register,
        pytest.raises(InputError, match=r"wrong-kind"),
        register.writing("ana", "x") as writer,
    ):
        writer.add("units", [{"unit_id": "T-9", "kind": "tank", "building": 5}])
