"""Cells of new dishes: real units, never one in use, neighbours on different water supplies."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import islice

import pandas as pd

from planner.tasks.dish_cells import free_cells
from planner.tasks.programme import Programme
from planner.tasks.spawning import spawning_plan

DAY = dt.date(2025, 2, 14)


def rows_of(programme: Programme, table: str, *rows: dict[str, object]) -> Programme:
    """The programme with a table that holds these rows alone."""
    old = programme.tables[table]
    new = pd.DataFrame(list(rows)).reindex(columns=old.columns)
    text = [c for c in old if pd.api.types.is_string_dtype(old[c].dtype)]
    new[text] = new[text].astype(object).fillna("")
    return replace(programme, tables={**programme.tables, table: new.astype(old.dtypes.to_dict())})


def with_cells(programme: Programme, number: int) -> Programme:
    """The programme with so many cells, two rows of two on each supply, and no dish laid yet."""
    units = [
        {"unit_id": f"C-{k:02d}", "building": "Room", "kind": "cell", "walk_order": k}
        for k in range(1, number + 1)
    ]
    settings = programme.settings.with_overrides({"incubator_columns": "2", "incubator_rows": "2"})
    made = rows_of(replace(programme, settings=settings), "units", *units)
    return rows_of(made, "crosses")


def test_cells__go_round_the_supplies(tiny: Programme) -> None:
    given = list(islice(free_cells(with_cells(tiny, 10), DAY), 11))
    # supplies: 1 to 4, 5 to 8, 9 and 10
    assert given == [f"C-{k:02d}" for k in (1, 5, 9, 2, 6, 10, 3, 7, 4, 8)] + [""]


def test_cells__in_use_or_on_hold_are_left_out(tiny: Programme) -> None:
    programme = with_cells(tiny, 6)
    days = int(programme.settings["incubator_days"])
    laid = [
        {"cross_id": "D-1", "season": 2025, "made_on": DAY - dt.timedelta(days=days - 1), "dam": "F", "sire": "M", "cell": "C1"},
        {"cross_id": "D-2", "season": 2025, "made_on": DAY - dt.timedelta(days=days), "dam": "F", "sire": "M", "cell": "C02"},
        {"cross_id": "D-3", "season": 2025, "made_on": DAY + dt.timedelta(days=1), "dam": "F", "sire": "M", "cell": "C-03"},
    ]  # fmt: skip
    laid[0]["cell"] = "C01"
    programme = rows_of(programme, "crosses", *laid)
    hold = {"subject": "C-05", "subject_kind": "unit", "reason": "other", "from_date": DAY}
    programme = rows_of(programme, "holds", hold)
    assert list(islice(free_cells(programme, DAY, ["C04"]), 4)) == ["C-02", "C-06", "C-03", ""]


def test_cells__without_any_in_the_records_are_numbered(tiny: Programme) -> None:
    programme = rows_of(tiny, "units")
    assert list(islice(free_cells(programme, DAY, ["C02"]), 3)) == ["C01", "C03", "C04"]


def test_plan__names_real_cells_once_each(tiny: Programme) -> None:
    crosses = spawning_plan(tiny).crosses
    cells = set(tiny.tables["units"].loc[tiny.tables["units"]["kind"] == "cell", "unit_id"])
    assert crosses["cell"].is_unique
    assert set(crosses["cell"]) <= cells
