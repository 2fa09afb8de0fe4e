"""Reading tables: the shared form of frames, round trips, sheets, faults together, damaged bytes."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from broodstock.errors import UsageError
from broodstock.fields import TABLES, Column
from broodstock.findings import Findings
from broodstock.intake.dates import quick_stamps, read_date, read_time
from broodstock.intake.raw_table import read_csv, split_any, split_plain
from broodstock.intake.tables import empty_frame, in_order, read_table, typed_frame
from broodstock.intake.write import table_bytes, write_table, write_workbook

sys.path.insert(0, str(Path(__file__).resolve().parent))
from small_workbook import workbook

# ------------------------------------------------------------------------------------------- strategies
plain = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp", "Cf")),
    min_size=1,
    max_size=12,
).filter(
    lambda t: (
        t[0] not in "=@+-#" and t.lower() not in {"nan", "null", "none", "n/a", "nil"} and t.strip() == t
    )
)
quoted = st.sampled_from(["a,b", 'say "split"', "two\nlines", "semi;colon", "tab\there", '"', "x,", "é, ü"])
days = st.dates(dt.date(1950, 1, 1), dt.date(2099, 12, 31))
tags = st.one_of(
    st.integers(1, 99_998).map(lambda n: f"9990090001{n:05d}").filter(lambda c: not c.endswith("000")),
    st.text("0123456789ABCDEF", min_size=10, max_size=10),
)


def cells_of(column: Column) -> st.SearchStrategy:
    """Return a strategy of values of one column."""
    low = column.low if column.low is not None else -1e6
    high = column.high if column.high is not None else 1e9
    values: st.SearchStrategy = {
        "text": st.one_of(plain, quoted),
        "tag": tags,
        "choice": st.sampled_from(column.choices or ("x",)),
        "flag": st.booleans(),
        "integer": st.integers(int(low), int(high)),
        "number": st.floats(low, high, allow_nan=False, allow_infinity=False).map(lambda x: x + 0.0),
        "date": days.map(pd.Timestamp),
        "datetime": st.datetimes(dt.datetime(1950, 1, 1), dt.datetime(2099, 1, 1)).map(
            lambda t: pd.Timestamp(t.replace(microsecond=t.microsecond // 1000 * 1000))
        ),
    }[column.kind]
    return values if column.required else st.one_of(st.none(), values)


@st.composite
def frames(draw: st.DrawFn) -> tuple[str, pd.DataFrame]:
    """Draw a table and a frame of it without duplicate keys."""
    name = draw(st.sampled_from(sorted(TABLES)))
    spec = TABLES[name]
    n = draw(st.integers(0, 5))
    data = {c.name: [draw(cells_of(c)) for _ in range(n)] for c in spec.columns}
    if spec.key:
        keep = list({tuple(data[k][i] for k in spec.key): i for i in range(n)}.values())
        data = {c: [v[i] for i in keep] for c, v in data.items()}
    columns = {}
    for c in spec.columns:
        values = data[c.name]
        if c.kind in ("text", "tag", "choice"):
            columns[c.name] = np.array(["" if v is None else v for v in values], dtype=object)
        elif c.kind == "number":
            columns[c.name] = np.array([np.nan if v is None else v for v in values], dtype=float)
        elif c.kind in ("date", "datetime"):
            columns[c.name] = pd.Series(
                pd.to_datetime([pd.NaT if v is None else v for v in values])
            ).to_numpy(dtype="datetime64[ns]")
        else:
            dtype = "Int64" if c.kind == "integer" else "boolean"
            columns[c.name] = pd.Series([pd.NA if v is None else v for v in values], dtype=dtype).array
    rows = np.arange(2, 2 + len(next(iter(data.values()))))
    return name, typed_frame(spec, columns, rows, f"{name}.csv")


def errors(found: list) -> list[str]:
    """Texts of the hard findings."""
    return [f.text() for f in found if f.level == "error"]


# ------------------------------------------------------------------------------------------- round trips
@settings(
    deadline=None,
    max_examples=80,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(frames())
def test_read_table__reads_back_what_was_written(tmp_path: Path, drawn: tuple[str, pd.DataFrame]) -> None:
    name, frame = drawn
    for ending in (".csv", ".csv.gz"):
        path = write_table(frame, tmp_path / f"{name}{ending}", name)
        back, found = read_table(path, name)
        assert errors(found) == []
        # A cell of one row that is all empty text cannot be told from a blank row.
        assert len(back) == len(frame)
        pd.testing.assert_frame_equal(back.reset_index(drop=True), frame.reset_index(drop=True))
        assert table_bytes(back, name) == table_bytes(frame, name)


@settings(
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(frames())
def test_read_table__reads_back_a_workbook(tmp_path: Path, drawn: tuple[str, pd.DataFrame]) -> None:
    name, frame = drawn
    for c in TABLES[name].columns:  # a spreadsheet keeps milliseconds of a day number at best
        if c.kind == "datetime":
            frame[c.name] = frame[c.name].dt.floor("s")
    path = write_workbook({name: frame}, tmp_path / "records.xlsx")
    back, found = read_table(path, name)
    assert errors(found) == []
    pd.testing.assert_frame_equal(back.reset_index(drop=True), frame.reset_index(drop=True), rtol=1e-14)


def test_read_table__form_of_the_frame(tmp_path: Path) -> None:
    path = tmp_path / "sites.csv"
    path.write_text(
        "\ufeffname,site_id,kind,predators,open_for_release,capacity_fish,area_ha,surveyed_on\n\nG,GW,refuge,none,yes,30.0,.5,2024-01-02\n"
    )
    frame, found = read_table(path, "sites")
    assert [f.code for f in found] == ["blank-row"]
    assert list(frame.columns) == list(TABLES["sites"].names)
    assert frame.index.name == "row"
    assert frame.index.tolist() == [3]
    assert frame.attrs["file"] == "sites.csv"
    kinds = {"text": "object", "choice": "object", "tag": "object", "integer": "Int64", "number": "float64"}
    kinds |= {"date": "datetime64[ns]", "datetime": "datetime64[ns]", "flag": "boolean"}
    for c in TABLES["sites"].columns:
        assert str(frame[c.name].dtype) == kinds[c.kind], c.name
    row = frame.loc[3]
    assert row["capacity_fish"] == 30
    assert row["area_ha"] == 0.5
    assert row["open_for_release"] is np.True_ or row["open_for_release"] is True
    assert row["note"] == ""
    assert pd.isna(row["river_km"])
    assert pd.isna(row["renovated_on"])


def test_read_table__empty_frame_has_the_same_form() -> None:
    for name, spec in TABLES.items():
        empty = empty_frame(spec, f"{name}.csv")
        assert empty.shape == (0, len(spec.columns))
        assert str(empty.dtypes.to_dict()) == str(typed_frame(spec, {}, np.array([2]), "x").dtypes.to_dict())


def test_read_table__header_in_other_capitals_and_blanks(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text(" Unit ID ,KIND\nT1,tank\n")
    frame, found = read_table(path, "units")
    assert found == []
    assert frame["unit_id"].tolist() == ["T1"]


def test_read_table__all_faults_come_together_in_order(tmp_path: Path) -> None:
    path = tmp_path / "fish.csv"
    path.write_text(
        "fish_id,sex,origin,status,total_length_mm,hatched_on,tag\n"
        "F1,femal,hatchery,brood,401;5,2016-06-31,9.99E+14\n"
        ",female,hatchery,brood,-3,2016-06-30,\n"
        "F1,female,wild,brood,,03/04/2016,1F74374E68\n"
    )
    _, found = read_table(path, "fish")
    places = [(f.code, f.where.row, f.where.column) for f in found]
    assert places == [
        ("unknown-choice", 2, "sex"),
        ("impossible-date", 2, "hatched_on"),
        ("tag-damaged-number", 2, "tag"),
        ("not-a-number", 2, "total_length_mm"),
        ("missing-cell", 3, "fish_id"),
        ("negative-number", 3, "total_length_mm"),
        ("unknown-choice", 4, "origin"),
        ("ambiguous-date", 4, "hatched_on"),
        ("duplicate-key", 4, "fish_id"),
    ]
    assert found == in_order(Findings(found))
    assert "Did you mean 'female'?" in found[0].remedy
    assert "2016-04-03 or 2016-03-04" in found[7].remedy


def test_read_table__a_cell_at_fault_is_empty_and_the_rest_is_read(tmp_path: Path) -> None:
    path = tmp_path / "fish.csv"
    path.write_text(
        "fish_id,sex,origin,status,total_length_mm\nF1,female,hatchery,brood,long\nF2,male,hatchery,brood,400\n"
    )
    frame, _ = read_table(path, "fish")
    assert frame["fish_id"].tolist() == ["F1", "F2"]
    assert np.isnan(frame["total_length_mm"].iloc[0])
    assert frame["total_length_mm"].iloc[1] == 400


def test_read_table__lists_a_few_hundred_faults_and_counts_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "captures.csv"
    rows = "".join(f"C-{i},2024-03-11,GW,x{i}\n" for i in range(450))
    path.write_text("capture_id,captured_on,site_id,length_mm\n" + rows)
    _, found = read_table(path, "captures")
    assert len(found) == 201
    assert {f.code for f in found} == {"not-a-number"}
    assert found[-1].found == "250 more of the same kind"
    assert found[0].where.row == 2


def test_read_table__reads_more_rows_than_a_chunk(tmp_path: Path) -> None:
    n = 120_003
    path = tmp_path / "captures.csv"
    path.write_text(
        "capture_id,captured_on,site_id,weight_g\n"
        + "".join(f"C{i},2024-03-11,GW,{i % 900 + 1}\n" for i in range(n))
    )
    frame, found = read_table(path, "captures")
    assert found == []
    assert len(frame) == n
    assert frame.index[-1] == n + 1
    assert frame["weight_g"].iloc[-1] == (n - 1) % 900 + 1


def test_read_table__quotes_over_several_lines_count_as_one_row(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text('unit_id,building,kind\nT1,"main\nhall",tank\nT2,x,pool\n')
    frame, found = read_table(path, "units")
    assert frame["building"].iloc[0] == "main\nhall"
    assert [(f.code, f.where.row) for f in found] == [("unknown-choice", 3)]


def test_read_table__a_broken_quote_costs_its_own_row(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text('unit_id,building,kind\nT1,"main,tank\nT2,"ann\nex",tank\nT3,"x"y,tank\nT4,z,tank\n')
    frame, found = read_table(path, "units")
    assert [(f.code, f.where.row) for f in found] == [("unclosed-quote", 2), ("unclosed-quote", 4)]
    assert frame["unit_id"].tolist() == ["T2", "T4"]


def test_read_csv__gives_up_after_many_broken_quotes() -> None:
    findings = Findings()
    read_csv(b"a,b\n" + b'1,"x"y\n' * 80, "units.csv", findings)
    assert findings.items[-1].found.startswith("50 rows with broken quotation marks")


def test_read_table__unknown_table() -> None:
    with pytest.raises(KeyError, match="no table 'ponds'"):
        read_table("ponds.csv", "ponds")


def test_read_table__missing_file_and_folder_in_its_place(tmp_path: Path) -> None:
    frame, found = read_table(tmp_path / "fish.csv", "fish")
    assert frame.empty
    assert [f.code for f in found] == ["file-missing"]
    (tmp_path / "units.csv").mkdir()
    assert [f.code for f in read_table(tmp_path / "units.csv", "units")[1]] == ["file-unreadable"]
    assert [f.code for f in read_table(tmp_path / "none.xlsx", "units")[1]] == ["file-missing"]


# ------------------------------------------------------------------------------------------- sheets
def test_read_table__sheet_cells_keep_their_kind(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    head = ["unit_id", "kind", "capacity_fish", "volume_l"]
    path.write_bytes(
        workbook("units", [head, [12, "tank", 30, 0.5], [], ["T2", "tank", 31.5, ("formula", "A1+1")]])
    )
    frame, found = read_table(path, "units")
    assert frame["unit_id"].tolist() == ["12", "T2"]
    assert [(f.code, f.where.row, f.where.column) for f in found] == [
        ("blank-row", None, None),
        ("formula-text", 4, "volume_l"),
        ("not-an-integer", 4, "capacity_fish"),
    ]


def test_read_table__only_sheet_stands_for_the_table_and_a_missing_one_is_named(tmp_path: Path) -> None:
    one = tmp_path / "one.xlsx"
    one.write_bytes(workbook("Sheet1", [["unit_id", "kind"], ["T1", "tank"]]))
    assert read_table(one, "units")[0]["unit_id"].tolist() == ["T1"]
    two = write_workbook(
        {"units": empty_frame(TABLES["units"]), "sites": empty_frame(TABLES["sites"])}, tmp_path / "two.xlsx"
    )
    found = read_table(two, "fish")[1]
    assert [f.code for f in found] == ["sheet-missing"]
    assert "'units', 'sites'" in found[0].found


def test_read_table__sheet_with_cells_beyond_the_header(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    path.write_bytes(workbook("units", [["unit_id", "kind"], ["T1", "tank", "lost"]]))
    assert [(f.code, f.where.row) for f in read_table(path, "units")[1]] == [("ragged-row", 2)]
    path.write_bytes(workbook("units", []))
    assert [f.code for f in read_table(path, "units")[1]] == ["file-empty"]


# ------------------------------------------------------------------------------------------- damaged bytes
@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=200), st.sampled_from(sorted(TABLES)), st.sampled_from([".csv", ".csv.gz", ".xlsx"])
)
def test_read_table__any_bytes_give_findings_only(
    tmp_path: Path, data: bytes, name: str, ending: str
) -> None:
    path = tmp_path / f"{name}{ending}"
    path.write_bytes(data)
    frame, found = read_table(path, name)
    assert list(frame.columns) == list(TABLES[name].names)
    assert all(f.text() for f in found)
    path.write_bytes(gzip.compress(data, mtime=0))
    read_table(path, name)


HEADS = st.sampled_from(
    [
        "fish_id,sex,origin,status,hatched_on,tag,total_length_mm,year_class",
        "fish_id;sex",
        "fish_id,fish_id",
        "",
    ]
)
ODD = st.text(st.sampled_from('0123456789.,;"\n\r\t-+/eE=#@ aNITZ:%\u00a0\u200bé\0'), max_size=60)


@settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(HEADS, ODD)
def test_read_table__any_text_gives_findings_only(tmp_path: Path, head: str, body: str) -> None:
    path = tmp_path / "fish.csv"
    path.write_bytes(f"{head}\n{body}".encode())
    frame, found = read_table(path, "fish")
    for f in found:
        assert f.text().startswith("fish.csv")
    assert not [v for v in frame["fish_id"] if not isinstance(v, str)]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(st.one_of(st.just(""), plain, quoted), min_size=3, max_size=3), max_size=8))
def test_read_csv__splits_like_the_standard_library(rows: list[list[str]]) -> None:
    import csv

    out = io.StringIO(newline="")
    csv.writer(out).writerows([["a", "b", "c"], *rows])
    findings = Findings()
    raw = read_csv(out.getvalue().encode(), "x.csv", findings)
    cells = [list(r) for r in zip(*raw.columns, strict=True)]
    assert cells == [r for r in rows if any(c.strip() for c in r)]
    assert raw.rows.tolist() == [i for i, r in enumerate(rows, start=2) if any(c.strip() for c in r)]


PLAIN_TEXT = st.text(st.sampled_from("ab ,;\n\r\té0"), max_size=40)


@settings(deadline=None, max_examples=300)
@given(PLAIN_TEXT)
def test_split_plain__gives_what_the_rules_of_quoting_give(text: str) -> None:
    """The fast way either declines or agrees with the slow one, which then finds no fault."""
    text = f"h{text}"
    quick = split_plain(text, ",", "x.csv")
    if quick is None:
        return
    findings = Findings()
    slow = split_any(text, ",", "x.csv", findings)
    assert list(findings) == []
    assert quick.header == slow.header
    assert quick.columns == slow.columns
    assert quick.rows.tolist() == slow.rows.tolist()


def test_split_plain__is_used_for_plain_files_only() -> None:
    assert split_plain("a,b\n1,2\n3,4\n", ",", "x.csv").columns == [["1", "3"], ["2", "4"]]
    assert split_plain("a,b\r\n1,2\r\n", ",", "x.csv").columns == [["1"], ["2"]]
    assert split_plain("a;é\n1;ü", ";", "x.csv").columns == [["1"], ["ü"]]
    for text in (
        'a,b\n"1",2\n',
        "a,b\n1,2,3\n",
        "a,b\n\n1,2\n",
        "a,b\n , \n1,2\n",
        "a\n1\n",
        "a,\n1,\n",
        "a,b\r1,2",
    ):
        assert split_plain(text, ",", "x.csv") is None, text


DIGITS = st.text(st.sampled_from("0123456789"), min_size=14, max_size=14)


@settings(deadline=None, max_examples=300)
@given(
    st.lists(
        st.one_of(
            DIGITS,
            st.datetimes(dt.datetime(1890, 1, 1), dt.datetime(2110, 1, 1)).map(lambda t: f"{t:%Y%m%d%H%M%S}"),
        ),
        max_size=5,
    )
)
def test_quick_stamps__reads_only_what_the_slow_way_reads_alike(drawn: list[str]) -> None:
    for with_time in (False, True):
        column = (
            TABLES["scans"].column("scanned_at") if with_time else TABLES["captures"].column("captured_on")
        )
        form = "{0:4}-{1:2}-{2:2}T{3:2}:{4:2}:{5:2}" if with_time else "{0:4}-{1:2}-{2:2}"
        texts = [form.format(d[:4], d[4:6], d[6:8], d[8:10], d[10:12], d[12:]) for d in drawn]
        quick = quick_stamps(np.array([*texts, "x"], dtype=object)[:-1], with_time=with_time)
        slow = [read_time(t, column) if with_time else read_date(t, column) for t in texts]
        whole = all(isinstance(s, dt.date) for s in slow)
        for q, s in zip(quick, slow, strict=True):
            if isinstance(s, dt.date):
                assert np.isnat(q) or q == np.datetime64(s, "us")
                assert not whole or not np.isnat(q)
            else:
                assert np.isnat(q)


# ------------------------------------------------------------------------------------------- writing
def test_write_table__same_bytes_twice_and_no_trace_of_a_failed_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = typed_frame(
        TABLES["units"], {"unit_id": np.array(["T1"], dtype=object)}, np.array([2]), "units.csv"
    )
    a = write_table(frame, tmp_path / "a" / "units.csv.gz", "units").read_bytes()
    assert write_table(frame, tmp_path / "b.csv.gz", "units").read_bytes() == a
    assert a[4:8] == b"\0\0\0\0"
    target = tmp_path / "units.csv"
    target.write_text("old")
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_table(frame, target, "units")
    assert target.read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b.csv.gz", "units.csv"]


def test_write_table__raises_on_unregistered_columns_and_wrong_values() -> None:
    frame = empty_frame(TABLES["units"])
    with pytest.raises(UsageError, match=r"found column\(s\) 'pond'.*Rename or drop"):
        table_bytes(frame.assign(pond=1), "units")
    with pytest.raises(UsageError, match="column 'unit_id': found a value that is no text"):
        table_bytes(pd.DataFrame({"unit_id": [3]}), "units")
    with pytest.raises(UsageError, match=r"column 'volume_l': found a value that is no number \(infinity\)"):
        table_bytes(pd.DataFrame({"volume_l": [np.inf]}), "units")
    with pytest.raises(
        UsageError, match=r"column 'made_on': found a value that is no date \(a date with a time of day\)"
    ):
        table_bytes(pd.DataFrame({"made_on": [pd.Timestamp("2024-01-01 08:00")]}), "crosses")
