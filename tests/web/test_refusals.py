"""What must be refused or made harmless: ways out of folders, formulas in tables, too much, text that runs."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import httpx
import pytest

from planner.web.downloads import download, safe_cell, safe_table

RUNS = (
    "=1+1",
    '=HYPERLINK("http://evil.example")',
    "+cmd|' /C calc'!A0",
    "-2+3+cmd|' /C calc'!A0",
    "@SUM(1)",
    "\t=1+1",
    "\r=1+1",
)
STAYS = ("", "-", "-3.5", "+4", "-1e-05", "-12%", "F-07", "12 - 3", "mean = 4", "–")


@pytest.mark.parametrize("cell", RUNS)
def test_download__a_cell_that_a_spreadsheet_would_run_is_made_text(cell: str) -> None:
    assert safe_cell(cell) == "'" + cell


@pytest.mark.parametrize("cell", STAYS)
def test_download__numbers_and_words_stay_as_they_are(cell: str) -> None:
    assert safe_cell(cell) == cell


def test_download__a_table_without_formulas_comes_back_to_the_byte() -> None:
    text = 'fish,value\n"F-01, spare",-0.5\nF-02,+3\n'
    assert safe_table(text) == text


def test_download__a_planted_formula_leaves_as_text(tmp_path: Path) -> None:
    path = tmp_path / "release_fish.csv"
    path.write_text('stock_id,note\nY-1,"=HYPERLINK(""http://evil.example"",""a, b"")"\nY-2,-4.5\n')
    sent = download(path, "release_fish.csv")
    rows = list(csv.reader(io.StringIO(bytes(sent.body).decode())))
    assert rows[1][1] == '\'=HYPERLINK("http://evil.example","a, b")'
    assert rows[2] == ["Y-2", "-4.5"]
    assert "attachment" in sent.headers["content-disposition"]


def test_entry__a_formula_is_refused_when_it_is_typed(look: Any) -> None:
    look.go("/records/table/units/new")
    look.page.get_by_label("unit id").fill("T-formula")
    look.page.get_by_label("building").fill("=HYPERLINK(1)")
    look.page.get_by_label("kind").first.select_option(index=1)
    look.page.get_by_role("button", name="Enter it").click()
    assert "formula" in look.page.get_by_role("alert").inner_text()
    assert look.page.get_by_label("building").input_value() == "=HYPERLINK(1)"


FILES = ("/plans/spawning/1/{}", "/plans/loads/1/{}", "/release/tradeoff/file/{}", "/choices/file/keep/{}")
WAYS_OUT = (
    "..%2f..%2fpeople.json",
    "%2e%2e%2fpeople.json",
    "..%5cpeople.json",
    "%2fetc%2fpasswd",
    ".hidden",
    "x%00.csv",
)


@pytest.mark.parametrize("address", FILES)
def test_files__no_name_leads_out_of_its_folder(server: str, address: str) -> None:
    for name in WAYS_OUT:
        answer = httpx.get(server + address.format(name))
        assert answer.status_code in (400, 404), name
        assert "root:" not in answer.text


def test_upload__a_large_file_is_refused_in_the_page_before_it_is_sent(look: Any, tmp_path: Path) -> None:
    file = tmp_path / "fish.csv"
    with file.open("wb") as out:
        out.truncate(65 * 1024 * 1024)
    look.go("/records/import")
    look.page.locator("#file").set_input_files(file)
    told = look.page.get_by_role("alert").inner_text()
    assert "65.0 MB" in told
    assert "at most 63" in told
    assert look.page.locator("#file").evaluate("e => e.files.length") == 0
    look.assert_clean()


def test_pages__text_of_records_never_runs(look: Any) -> None:
    look.go("/records/table/units/new")
    look.page.get_by_label("unit id").fill("<img src=x onerror=alert(1)>")
    look.page.get_by_label("kind").first.select_option(index=1)
    look.page.get_by_role("button", name="Enter it").click()
    look.go("/records/table/units?q=onerror")
    assert look.page.locator("main img").count() == 0
    assert not look.foreign
    assert not look.complaints
