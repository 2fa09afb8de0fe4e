"""Sheets of the hatchery: content against the records, order of the walk, versions, forms, refusals.

Expected values are taken from the tables or worked by hand; common practice, no source.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.reports.labels import LabelSheet
from planner.reports.sheet import CheckBlock, FigureBlock, Sheet, TableBlock
from planner.store.register import Register
from planner.tasks.programme import Programme, open_programme
from planner.tasks.proposals import confirm
from planner.tasks.season_equalise import cull_plan
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.cull import cull_list
from planner.tasks.sheets.eggs import egg_counts
from planner.tasks.sheets.entry import enter
from planner.tasks.sheets.incubator import incubator_map
from planner.tasks.sheets.inventory import tank_inventory
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.labels import labels
from planner.tasks.sheets.make import kept_sheets, make_sheet
from planner.tasks.sheets.ripeness import ripeness_check
from planner.tasks.sheets.typed import Typed

DAY = "2025-02-14"


def with_rows(programme: Programme, table: str, new: list[Mapping[str, Any]]) -> Programme:
    """The programme with more rows in a table; columns that are not named are empty."""
    old = programme.tables[table]
    frame = pd.DataFrame([{c: row.get(c, _empty(old[c])) for c in old.columns} for row in new]).astype(
        old.dtypes.to_dict()
    )
    return replace(programme, tables={**programme.tables, table: pd.concat([old, frame], ignore_index=True)})


def _empty(column: pd.Series) -> Any:
    return "" if column.dtype.kind in "OUT" or str(column.dtype).startswith(("str", "string")) else None


@pytest.fixture(scope="module")
def laid(tiny: Programme) -> Programme:
    """Nine dishes of three females on the spawning day, one cell with two of them, one dish without a cell."""
    fish = tiny.tables["fish"]
    brood = fish[fish["status"] == "brood"]
    females = sorted(brood.loc[brood["sex"] == "female", "fish_id"])[:3]
    males = sorted(brood.loc[brood["sex"] == "male", "fish_id"])[:3]
    new = []
    for k, (dam, sire) in enumerate([(d, s) for d in females for s in males], start=1):
        cell = {8: "C-07", 9: ""}.get(k, f"C-{k:02d}")
        new.append(
            {
                "cross_id": f"X-2025-{k:03d}",
                "season": 2025,
                "made_on": pd.Timestamp(DAY),
                "dam": dam,
                "sire": sire,
                "dish": (k - 1) % 3 + 1,
                "cell": cell,
                "swim_up": 1000 * k if k < 9 else 0,
                "eggs": 8000 if k == 1 else None,
            }
        )
    return with_rows(tiny, "crosses", new)


def plan_in(folder: Path, programme: Programme, day: str = DAY, version: int = 1, dishes: int = 4) -> Asked:
    crosses = programme.tables["crosses"]
    mine = crosses[crosses["made_on"] == pd.Timestamp(DAY)]
    planned = [
        {
            "dish_id": f"D250214-{k:02d}",
            "dam": r.dam,
            "sire": r.sire,
            "dish": k,
            "of": dishes,
            "cell": f"C{k:02d}",
        }
        for k, r in enumerate(mine.head(dishes).itertuples(), start=1)
    ]
    made = {"version": version, "mark": "0123456789", "settings": {"spawning_day": day}}
    folder.mkdir(exist_ok=True)
    (folder / "spawning_plan.json").write_text(json.dumps({"provenance": made, "crosses": planned}))
    return Asked({}, {"spawning": folder})


def asked(base: Asked | None = None, **values: str) -> Asked:
    return Asked(values, base.plans if base else {})


def sheet_of(printed: Printed) -> Sheet:
    assert isinstance(printed.sheet, Sheet)
    return printed.sheet


def table(printed: Printed, title: str) -> TableBlock:
    found = [b for b in sheet_of(printed).blocks if isinstance(b, TableBlock) and b.title == title]
    assert len(found) == 1, title
    return found[0]


def words_of(printed: Printed) -> str:
    return json.dumps(printed.sheet.as_dict(), ensure_ascii=False)


# Ripeness


def test_ripeness__lists_every_broodfish_once_in_walking_order(tiny: Programme) -> None:
    printed = ripeness_check(tiny, asked(day=DAY))
    fish = tiny.tables["fish"]
    brood = fish[fish["status"] == "brood"].set_index("fish_id")
    listed = [r[1].split(" (")[0] for r in table(printed, "Broodfish in walking order").rows]
    assert sorted(listed) == sorted(brood.index)
    order = tiny.tables["units"].set_index("unit_id")["walk_order"]
    walk = [order[brood["unit"][f]] for f in listed]
    assert walk == sorted(walk)
    assert [x.key for x in printed.forms[0].lines] == listed
    assert dict(sheet_of(printed).facts)["Females"] == str((brood["sex"] == "female").sum())


def test_ripeness__shows_the_last_look_of_this_season_only_and_holds(tiny: Programme) -> None:
    fish = tiny.tables["fish"]
    name = fish.loc[fish["status"] == "brood", "fish_id"].iloc[0]
    day = pd.Timestamp(DAY)
    seen = with_rows(
        tiny,
        "ripeness",
        [
            {"fish_id": name, "checked_on": day - pd.Timedelta(days=3), "state": "ripening", "probability": 0.4,
             "window_start": pd.Timestamp("2025-02-01"), "window_end": pd.Timestamp("2025-02-10")},
            {"fish_id": name, "checked_on": day + pd.Timedelta(days=1), "state": "spent"},
        ],
    )  # fmt: skip
    seen = with_rows(
        seen, "holds", [{"subject": name, "subject_kind": "fish", "reason": "health", "from_date": day}]
    )
    rows = table(ripeness_check(seen, asked(day=DAY)), "Broodfish in walking order").rows
    row = next(r for r in rows if r[1].startswith(name + " "))
    assert row[1] == f"{name} (HOLD: health)"
    assert row[4:7] == ("11 Feb: ripening", "01 Feb to 10 Feb, over", "40%")
    later = table(ripeness_check(seen, asked(day="2026-01-01")), "Broodfish in walking order").rows
    assert next(r for r in later if r[1].startswith(name))[4:7] == ("none this season", "not known", "–")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"day": "14.2.2025"}, r"day: found '14\.2\.2025'\. Expected a day such as"),
        ({"building": "Brod house"}, r"building: found 'Brod house'.*Did you mean 'Brood house'"),
        ({"sex": "ladies"}, r"sex: found 'ladies'.*Expected one of female, male"),
        ({"building": "Pond row", "sex": "female"}, r"ripeness sheet: found no living broodfish"),
    ],
)
def test_ripeness__refuses(tiny: Programme, values: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        ripeness_check(tiny, asked(**values))


# Labels


def test_labels__of_dishes_name_every_dish_of_records_and_plan_once(laid: Programme, tmp_path: Path) -> None:
    plan = plan_in(tmp_path / "plan", laid)
    made = labels(laid, asked(plan, what="dishes")).sheet
    assert isinstance(made, LabelSheet)
    names = [x.name for x in made.labels]
    assert sorted(names) == sorted(
        [f"X-2025-{k:03d}" for k in range(1, 10)] + [f"D250214-{k:02d}" for k in range(1, 5)]
    )
    crosses = laid.tables["crosses"].set_index("cross_id")
    first = next(x for x in made.labels if x.name == "X-2025-001")
    dam, sire = crosses.loc["X-2025-001", ["dam", "sire"]]
    assert first.lines == (f"female {dam}", f"male {sire}", "cell C-01", "14 Feb 2025")
    assert first.code == f"dish X-2025-001 | {dam} x {sire} | C-01 | 2025-02-14 | plan 0123456789 v1"
    planned = next(x for x in made.labels if x.name == "D250214-02")
    assert "cell C-02" in planned.lines, "the plan's C02 is the unit C-02"
    assert next(x for x in made.labels if x.name == "X-2025-009").lines[2] == "cell ______"


def test_labels__females_come_in_walking_order(laid: Programme) -> None:
    made = labels(laid, asked(what="dishes", day=DAY)).sheet
    assert isinstance(made, LabelSheet)
    fish = laid.tables["fish"].set_index("fish_id")["unit"]
    order = laid.tables["units"].set_index("unit_id")["walk_order"]
    crosses = laid.tables["crosses"].set_index("cross_id")
    walk = [order[fish[crosses["dam"][x.name]]] for x in made.labels]
    assert walk == sorted(walk)


def test_labels__copies_and_used_labels_are_layout(laid: Programme, tmp_path: Path) -> None:
    one = make_sheet(laid, "labels", asked(what="dishes", day=DAY), tmp_path)
    more = make_sheet(laid, "labels", asked(what="dishes", day=DAY, copies="2", skip="3"), tmp_path)
    assert one.subject == more.subject
    assert (one.version, more.version) == (1, 2)
    made = labels(laid, asked(what="dishes", day=DAY, copies="2", skip="3")).sheet
    assert isinstance(made, LabelSheet)
    assert len(made.labels) == 18
    assert made.skip == 3


def test_labels__milt_has_one_tube_for_each_male_and_tells_frozen(laid: Programme) -> None:
    crosses = laid.tables["crosses"]
    mine = crosses[crosses["made_on"] == pd.Timestamp(DAY)]
    made = labels(laid, asked(what="milt", day=DAY)).sheet
    assert isinstance(made, LabelSheet)
    assert Counter(x.name for x in made.labels) == Counter(set(mine["sire"]))
    assert all(x.lines[0] == "milt, one male" and "for 3 dishes" in x.lines for x in made.labels)
    dead = laid.tables["fish"].copy()
    name = mine["sire"].iloc[0]
    dead.loc[dead["fish_id"] == name, "status"] = "dead"
    frozen = with_rows(
        replace(laid, tables={**laid.tables, "fish": dead}),
        "frozen_milt",
        [{"fish_id": name, "frozen_on": pd.Timestamp("2024-03-01"), "store_place": "tank 1, goblet 2"}],
    )
    made = labels(frozen, asked(what="milt", day=DAY)).sheet
    assert isinstance(made, LabelSheet)
    label = next(x for x in made.labels if x.name == name)
    assert label.lines[:2] == ("frozen milt, one male", "tank 1, goblet 2")


def test_labels__of_units_cells_and_samples_are_those_of_the_records(laid: Programme) -> None:
    units = laid.tables["units"].sort_values("walk_order")
    for what, wanted in (("units", units["kind"] != "cell"), ("cells", units["kind"] == "cell")):
        made = labels(laid, asked(what=what)).sheet
        assert isinstance(made, LabelSheet)
        assert [x.name for x in made.labels] == list(units.loc[wanted, "unit_id"])
    held = labels(laid, asked(what="cells", day=DAY)).sheet
    assert isinstance(held, LabelSheet)
    assert [x.name for x in held.labels] == [f"C-{k:02d}" for k in range(1, 8)]
    assert "X-2025-007, X-2025-008" in held.labels[-1].lines
    samples = laid.tables["samples"]
    group = samples["group"].iloc[0]
    vials = labels(laid, asked(what="samples", group=group)).sheet
    assert isinstance(vials, LabelSheet)
    assert sorted(x.name for x in vials.labels) == sorted(samples.loc[samples["group"] == group, "sample_id"])


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"what": "fish"}, r"what: found 'fish'.*Expected one of dishes, cells, milt, units, samples"),
        ({"what": "dishes", "day": "2001-01-01"}, r"dishes of 2001-01-01: found none"),
        ({"what": "units", "building": "Boathouse"}, r"building: found 'Boathouse'"),
        ({"what": "samples"}, r"labels sheet: found samples without a part\. Expected day, group or plate"),
        ({"what": "samples", "plate": "nowhere"}, r"plate: found 'nowhere'"),
        ({"what": "samples", "day": "1990-01-01"}, r"found no samples for what was asked"),
        ({"what": "units", "copies": "99"}, r"copies: found '99'\. Expected a whole number from 1 to 20"),
        ({"what": "units", "skip": "24"}, r"skip: found 24\. Expected fewer than the 24 labels"),
    ],
)
def test_labels__refuse(laid: Programme, values: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        labels(laid, asked(**values))


def test_labels__refuse_a_plan_of_another_day_and_labels_too_small(laid: Programme, tmp_path: Path) -> None:
    plan = plan_in(tmp_path / "plan", laid)
    with pytest.raises(
        UsageError, match=r"day: found 2025-02-15, and a spawning plan of 2025-02-14\. Expected the same"
    ):
        labels(laid, asked(plan, what="dishes", day="2025-02-15"))  # fmt: skip
    small = replace(laid, settings=laid.settings.with_overrides({"label_height": "12"}))
    with pytest.raises(UsageError, match=r"label X-2025-00\d: found a label of 64 x 12 mm for a QR code"):
        make_sheet(small, "labels", asked(what="dishes", day=DAY), tmp_path / "out")
    assert not list((tmp_path / "out").glob("**/*")), "nothing is written"


# Egg counts


def test_eggs__have_a_strip_for_each_female_and_a_line_for_each_dish(laid: Programme, tmp_path: Path) -> None:
    printed = egg_counts(laid, plan_in(tmp_path / "plan", laid, dishes=2))
    strips = [b for b in sheet_of(printed).blocks if isinstance(b, TableBlock) and b.keep_together]
    crosses = laid.tables["crosses"]
    mine = crosses[crosses["made_on"] == pd.Timestamp(DAY)]
    assert len(strips) == mine["dam"].nunique()
    assert sum(len(s.rows) for s in strips) == len(mine) + 2
    picked = table(printed, "Dead eggs picked, day after fertilisation")
    assert len(picked.rows) == len(mine) + 2
    assert "eggs 8000" in words_of(printed)
    change, add = printed.forms
    assert (change.action, add.action) == ("change", "add")
    assert {x.key for x in change.lines} == set(mine["cross_id"])
    assert [f.column for f in change.fields] == ["eggs", "fertilised", "hatched", "swim_up"]
    assert add.lines[0].known["cell"] == "C-01"
    assert add.fixed == {"season": "2025", "made_on": DAY}
    keys = [x.key for x in change.lines]
    on_paper = [r[1] for s in strips for r in s.rows]
    assert keys == [k for k in on_paper if k in keys], "order of the form is that of the paper"


def test_eggs__say_when_hatch_is_expected_with_a_range(laid: Programme) -> None:
    told = words_of(egg_counts(laid, asked(day=DAY)))
    assert "hatch about 2025-02-20 (2025-02-18 to 2025-02-21)" in told
    cold = replace(laid, settings=laid.settings.with_overrides({"incubation_temperature": "5"}))
    assert "not estimable because the model does not reach it" in words_of(egg_counts(cold, asked(day=DAY)))


def test_eggs__refuse_a_day_without_dishes(laid: Programme) -> None:
    with pytest.raises(UsageError, match=r"dishes of 2003-03-03: found none in the table crosses"):
        egg_counts(laid, asked(day="2003-03-03"))


# Incubator


def test_incubator__draws_every_cell_and_tells_what_a_supply_takes(laid: Programme) -> None:
    small = replace(
        laid, settings=laid.settings.with_overrides({"incubator_columns": "3", "incubator_rows": "1"})
    )
    printed = incubator_map(small, asked(day=DAY))
    maps = [b for b in sheet_of(printed).blocks if isinstance(b, FigureBlock)]
    cells = laid.tables["units"].loc[laid.tables["units"]["kind"] == "cell", "unit_id"]
    drawn = " ".join(m.alt for m in maps)
    assert all(f"{c} " in drawn for c in cells)
    assert len(maps) == -(-len(cells) // 3)
    crosses = laid.tables["crosses"]
    mine = crosses[crosses["made_on"] == pd.Timestamp(DAY)].set_index("cross_id")
    for name, r in mine.iterrows():
        if r["cell"]:
            assert f"{name}, {r['dam']} x {r['sire']}" in drawn
    spread = {r[1]: r for r in table(printed, "How the females are spread").rows}
    females = list(dict.fromkeys(mine["dam"]))
    # cells 1-3, 4-6 and 7 (twice): each female stands in one tray of three cells
    assert [spread[f][3] for f in females] == ["1", "2", "3"]
    assert {r[5] for r in spread.values()} == {"all in one tray"}
    lost = table(printed, "What one failing supply takes with it").rows
    assert lost[0] == ("1", "3", "1", females[0])
    assert sum(int(r[1]) for r in lost) == 8
    told = words_of(printed)
    assert "More than one dish in a cell: C-07." in told
    assert "Dishes without a cell: X-2025-009." in told
    assert len(table(printed, "Dishes by cell").rows) == 9
    assert printed.forms[0].action == "change"
    assert [x.key for x in printed.forms[0].lines] == [r[2] for r in table(printed, "Dishes by cell").rows]


def test_incubator__draws_as_many_boxes_as_rounds_and_escapes_names(laid: Programme) -> None:
    def boxes(rounds: str) -> int:
        maps = [
            b
            for b in sheet_of(incubator_map(laid, asked(day=DAY, rounds=rounds))).blocks
            if isinstance(b, FigureBlock)
        ]
        return sum(m.svg.count("<rect") for m in maps)  # fmt: skip

    cells = (laid.tables["units"]["kind"] == "cell").sum()
    assert boxes("5") - boxes("0") == 5 * cells
    sly = laid.tables["crosses"].copy()
    sly.loc[sly["cross_id"] == "X-2025-001", "cross_id"] = "<script>"
    told = incubator_map(replace(laid, tables={**laid.tables, "crosses": sly}), asked(day=DAY))
    assert not any("<script>" in b.svg for b in sheet_of(told).blocks if isinstance(b, FigureBlock))


def test_incubator__keeps_older_dishes_while_they_may_be_there(laid: Programme) -> None:
    assert dict(sheet_of(incubator_map(laid, asked(day="2025-03-20"))).facts)["Dishes"] == "9"
    with pytest.raises(UsageError, match=r"dishes of 2025-06-01: found none"):
        incubator_map(laid, asked(day="2025-06-01"))


def test_incubator__refuses_dishes_without_any_cell_and_too_many_rounds(laid: Programme) -> None:
    bare = laid.tables["crosses"].copy()
    bare["cell"] = ""
    with pytest.raises(UsageError, match=r"found no cell on the 9 dishes up to 2025-02-14"):
        incubator_map(replace(laid, tables={**laid.tables, "crosses": bare}), asked(day=DAY))
    with pytest.raises(UsageError, match=r"rounds: found '13'"):
        incubator_map(laid, asked(day=DAY, rounds="13"))


# Cull


def test_cull__keeps_what_the_cull_plan_keeps_of_each_family(laid: Programme) -> None:
    printed = cull_list(laid, asked(season="2025", keep="20000", day="2025-03-01"))
    plan = {f["family"]: f for f in cull_plan(laid, 2025, (20000,)).values["families"]}
    rows = table(printed, "Families in walking order").rows
    assert sum(int(r[5]) for r in rows) == 20000
    for r in rows:
        assert (int(r[4]), int(r[5]), int(r[6])) == (
            plan[r[1]]["available"],
            plan[r[1]]["keep"][0],
            plan[r[1]]["surplus"],
        )
    assert {r[1] for r in rows} == {f for f, x in plan.items() if x["available"]}
    form = printed.forms[0]
    assert (form.table, form.action, [f.column for f in form.fields]) == ("crosses", "change", ["kept"])
    assert [x.key for x in form.lines] == [r[3] for r in rows]
    assert any("method that your permit and veterinarian allow" in c for c in sheet_of(printed).cautions)


def in_lots(programme: Programme) -> Programme:
    """Dish 2 in a lot of its own that moved from T-03 to T-05, dishes 3 and 4 mixed in one tank."""
    moves: list[Mapping[str, Any]] = [
        {"move_id": "G-1", "kind": "in", "to_lot": "N25-02", "to_unit": "T-03", "number": 900, "family": "X-2025-002"},
        {"move_id": "G-2", "kind": "move", "from_lot": "N25-02", "from_unit": "T-03", "to_unit": "T-05"},
        {"move_id": "G-3", "kind": "in", "to_lot": "N25-P", "to_unit": "T-04", "number": 1800,
         "family_numbers": "X-2025-003:900 X-2025-004:900"},
    ]  # fmt: skip
    lots = [
        {"lot_id": name, "year_class": 2025, "kind": kind, "opened_on": pd.Timestamp("2025-03-01")}
        for name, kind in (("N25-02", "family"), ("N25-P", "pooled"))
    ]
    usual = {"happened_on": pd.Timestamp("2025-03-01"), "method": "counted"}
    return with_rows(with_rows(programme, "lots", lots), "group_moves", [usual | dict(m) for m in moves])


def test_cull__knows_lots_of_one_family_and_leaves_mixed_ones_out(laid: Programme) -> None:
    printed = cull_list(in_lots(laid), asked(season="2025", keep="20000", day="2025-03-05"))
    rows = {r[1]: r for r in table(printed, "Families in walking order").rows}
    assert (rows["X-2025-002"][0], rows["X-2025-002"][3]) == ("T-05", "N25-02")
    assert not {"X-2025-003", "X-2025-004"} & set(rows)
    gone = dict(table(printed, "Families that cannot be culled by themselves").rows)
    assert gone["X-2025-003"] == "in N25-P with other families since 01 Mar 2025"
    lots, cells = printed.forms
    assert lots.fixed == {"happened_on": "2025-03-05", "kind": "cull", "method": "counted"}
    assert lots.named == "move_id"
    assert lots.lines[0].known == {"from_lot": "N25-02", "from_unit": "T-05", "family": "X-2025-002"}
    assert "X-2025-002" not in {x.key for x in cells.lines}


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"season": "1960", "keep": "9"}, r"season: found no crosses of 1960"),
        ({"season": "2025", "keep": "none"}, r"keep: found 'none'\. Expected a whole number from 1"),
        ({"season": "20x5", "keep": "9"}, r"season: found '20x5'"),
        ({"season": "2025", "keep": "9", "count": "fry"}, r"count: found 'fry'"),
        (
            {"season": "2025", "keep": "9", "count": "hatched"},
            r"crosses of season 2025: found no count at hatch",
        ),
        (
            {"season": "2025", "keep": "9", "day": "2025-12-01"},
            r"found no family of 2025 that is still by itself",
        ),
    ],
)
def test_cull__refuses(laid: Programme, values: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        cull_list(laid, asked(**values))


# All of them


def _more_eggs(programme: Programme) -> Programme:
    crosses = programme.tables["crosses"].copy()
    mine = crosses["cross_id"] == "X-2025-002"
    crosses.loc[mine, ["eggs", "swim_up"]] = [9000, 1500]
    crosses.loc[mine, "cell"] = "C-40"
    return replace(programme, tables={**programme.tables, "crosses": crosses})


def _moved(programme: Programme) -> Programme:
    fish = programme.tables["fish"].copy()
    fish.loc[fish[fish["status"] == "brood"].index[0], "unit"] = "B-12"
    return replace(programme, tables={**programme.tables, "fish": fish})


KINDS: dict[str, tuple[dict[str, str], Callable[[Programme], Programme]]] = {
    "ripeness": ({"day": DAY}, _moved),
    "inventory": ({"day": DAY}, _moved),
    "labels": ({"what": "dishes", "day": DAY}, _more_eggs),
    "eggs": ({"day": DAY}, _more_eggs),
    "incubator": ({"day": DAY}, _more_eggs),
    "cull": ({"season": "2025", "keep": "20000", "day": "2025-03-01"}, _more_eggs),
}


@pytest.mark.parametrize("name", KINDS)
def test_sheets__keep_their_version_until_a_record_on_them_changes(
    laid: Programme, tmp_path: Path, name: str
) -> None:
    values, change = KINDS[name]
    first = make_sheet(laid, name, asked(**values), tmp_path)
    again = make_sheet(replace(laid, fingerprint="another"), name, asked(**values), tmp_path)
    assert (first.version, again.version, again.mark) == (1, 1, first.mark)
    assert first.files[0].read_bytes().startswith(b"%PDF")
    second = make_sheet(change(laid), name, asked(**values), tmp_path)
    assert second.version == 2
    assert second.mark != first.mark
    kept = kept_sheets(tmp_path)
    assert [(k.version, k.is_void) for k in kept] == [(2, False), (1, True)]
    html = second.files[1].read_text(encoding="utf-8")
    assert "version <b>2</b>" in html
    assert second.mark in html


def test_sheets__of_two_days_do_not_void_each_other(laid: Programme, tmp_path: Path) -> None:
    """A sheet made without a day is about the day of its plan."""
    one = make_sheet(laid, "eggs", plan_in(tmp_path / "a", laid), tmp_path / "out")
    other = make_sheet(laid, "eggs", plan_in(tmp_path / "b", laid, day="2025-02-20"), tmp_path / "out")
    assert one.subject != other.subject
    assert not any(k.is_void for k in kept_sheets(tmp_path / "out"))


def test_sheets__of_many_fish_with_long_names_lose_nothing(tiny: Programme, tmp_path: Path) -> None:
    template = tiny.tables["fish"]
    brood = template[template["status"] == "brood"].iloc[0].to_dict()
    many = [
        brood | {"fish_id": f"F-NINE-POSTS-2016-{k:04d}", "sex": "female", "unit": "B-02"} for k in range(150)
    ]
    crowd = with_rows(tiny, "fish", many)
    rows = table(ripeness_check(crowd, asked(day=DAY)), "Broodfish in walking order").rows
    assert sum(r[1].startswith("F-NINE-POSTS") for r in rows) == 150
    made = make_sheet(crowd, "ripeness", asked(day=DAY), tmp_path)
    assert made.files[0].stat().st_size > 20_000
    checks = [b for b in sheet_of(ripeness_check(crowd, asked(day=DAY))).blocks if isinstance(b, CheckBlock)]
    assert f"of {len(rows)} on this sheet" in checks[0].items[0]


# Paper that comes back


@pytest.fixture
def register(tmp_path: Path) -> Iterator[Register]:
    """One family in a lot of its own and one in its cell, and two people."""
    with Register.create(tmp_path / "r.kinshoal") as made:
        with made.writing("TA", "first records") as writer:
            writer.add("settings", [{"name": "today", "value": "2025-03-05"}])
            writer.add(
                "units",
                [{"unit_id": u, "kind": k} for u, k in (("T-1", "tank"), ("C-1", "cell"), ("C-2", "cell"))],
            )
            fish = [{"fish_id": f, "sex": s, "origin": "wild-adult", "status": "brood", "unit": "T-1"}
                    for f, s in (("F-1", "female"), ("M-1", "male"), ("M-2", "male"))]  # fmt: skip
            writer.add("fish", fish)
            dishes = [{"cross_id": f"D-{k}", "season": 2025, "made_on": DAY, "dam": "F-1", "sire": f"M-{k}",
                       "dish": k, "cell": f"C-{k}", "swim_up": 900 * k, "family": f"H25-{k}"} for k in (1, 2)]  # fmt: skip
            writer.add("crosses", dishes)
            writer.add(
                "families",
                [{"family_id": f"H25-{k}", "kind": "cross", "year_class": 2025} for k in (1, 2)],
            )
            writer.add(
                "lots", [{"lot_id": "N25-1", "year_class": 2025, "kind": "family", "opened_on": "2025-03-01"}]
            )
            writer.add("group_moves", [{"move_id": "G-1", "happened_on": "2025-03-01", "kind": "in", "to_lot": "N25-1",
                                        "to_unit": "T-1", "number": 900, "method": "counted", "family": "H25-1"}])  # fmt: skip
        with made.writing("TA", "people") as writer:
            writer.add(
                "people", [{"person_id": p, "role": r} for p, r in (("TA", "approve"), ("EN", "enter"))]
            )
        yield made


def test_cull__keyed_in_waits_for_a_second_person_and_then_stands_in_the_lot(
    register: Register, tmp_path: Path
) -> None:
    kept = make_sheet(
        open_programme(tmp_path / "r.kinshoal"), "cull", asked(season="2025", keep="800"), tmp_path / "out"
    )
    assert [f.table for f in kept.forms] == ["group_moves", "crosses"]
    lines = {(0, 1): {"number": "500"}, (1, 1): {"kept": "400"}}
    done = enter(register, kept, Typed("1", kept.mark[:4], lines), "EN")
    assert done.proposals == ("1",)
    assert register.count("group_moves") == 1
    assert {r["cross_id"]: r["kept"] for r in register.rows("crosses")} == {"D-1": None, "D-2": 400}
    confirm(register, "1", "TA")
    cull = [r for r in register.rows("group_moves") if r["kind"] == "cull"]
    assert [(r["from_lot"], r["from_unit"], r["number"], r["family"]) for r in cull] == [
        ("N25-1", "T-1", 500, "H25-1")
    ]


def test_eggs_and_map__keyed_in_change_the_dishes_of_the_records(register: Register, tmp_path: Path) -> None:
    programme = open_programme(tmp_path / "r.kinshoal")
    eggs = make_sheet(programme, "eggs", asked(day=DAY), tmp_path / "out")
    enter(register, eggs, Typed("1", eggs.mark, {(0, 2): {"eggs": "5000", "fertilised": "4000"}}), "EN")
    where = make_sheet(programme, "incubator", asked(day=DAY), tmp_path / "out")
    enter(register, where, Typed("1", where.mark, {(0, 2): {"cell": "C-1"}}, take=frozenset({(0, 2)})), "EN")
    rows = {r["cross_id"]: (r["eggs"], r["fertilised"], r["cell"]) for r in register.rows("crosses")}
    assert rows == {"D-1": (None, None, "C-1"), "D-2": (5000, 4000, "C-1")}


def test_ripeness__keyed_in_becomes_a_look(register: Register, tmp_path: Path) -> None:
    kept = make_sheet(
        open_programme(tmp_path / "r.kinshoal"),
        "ripeness",
        asked(day="2025-03-05", sex="female"),
        tmp_path / "out",
    )
    typed = {"state": "not-ripe", "window_start": "2025-03-10", "window_end": "2025-03-20"}
    enter(register, kept, Typed("1", kept.mark, {(0, 1): typed}), "EN")
    (row,) = register.rows("ripeness")
    assert (row["fish_id"], row["state"], str(row["window_end"])[:10]) == ("F-1", "not-ripe", "2025-03-20")


# Inventory


def test_inventory__expects_every_living_fish_in_its_unit_in_walking_order(tiny: Programme) -> None:
    printed = tank_inventory(tiny, asked(day=DAY))
    blocks = [b for b in sheet_of(printed).blocks if isinstance(b, TableBlock)]
    fish = tiny.tables["fish"]
    living = fish[fish["status"].isin(["brood", "hold", "to-release"])].set_index("fish_id")
    order = tiny.tables["units"].set_index("unit_id")["walk_order"]
    units = [b.title.split(" · ")[-1] for b in blocks]
    assert [order[u] for u in units] == sorted(order[u] for u in units)
    listed = [(u, r[0].split(" (")[0]) for u, b in zip(units, blocks, strict=True) for r in b.rows if r[0]]
    assert sorted(listed) == sorted((u, f) for f, u in living["unit"].items())
    assert all(b.rows[-1] == b.rows[-2] == ("",) * 11 for b in blocks), "room for fish that are not listed"
    lengths, weights = printed.forms
    assert [x.known["subject"] for x in lengths.lines] == [f for _, f in listed]
    assert (weights.fixed["kind"], weights.fixed["unit"]) == ("weight", "g")
    row = next(r for b in blocks for r in b.rows if r[0] and "g" in r[3])
    weight = living.loc[row[0].split(" (")[0], "weight_g"]
    assert row[4] == f"{weight * 0.85:.0f} g"


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"unit": "B-99"}, r"unit: found 'B-99'"),
        ({"building": "Boathouse"}, r"building: found 'Boathouse'"),
        ({"unit": "C-01"}, r"inventory sheet: found no living fish for what was asked"),
        ({"day": "soon"}, r"day: found 'soon'"),
    ],
)
def test_inventory__refuses(tiny: Programme, values: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        tank_inventory(tiny, asked(**values))


def test_inventory__keyed_in_becomes_measurements(register: Register, tmp_path: Path) -> None:
    kept = make_sheet(open_programme(tmp_path / "r.kinshoal"), "inventory", asked(), tmp_path / "out")
    lines = {(0, 1): {"value": "431"}, (1, 1): {"value": "812.5"}}
    enter(register, kept, Typed("1", kept.mark, lines), "EN")
    seen = {(r["subject"], r["kind"], r["value"], r["unit"]) for r in register.rows("measurements")}
    assert seen == {("F-1", "total-length", 431.0, "mm"), ("F-1", "weight", 812.5, "g")}
