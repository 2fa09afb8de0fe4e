"""Release form and truck loading: the fish of the plan, no more and no less, and every refusal."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.load import truck_loads
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release import release_plan
from planner.tasks.sheets.asked import Asked, plans_in
from planner.tasks.sheets.loading import truck_loading
from planner.tasks.sheets.make import kept_sheet, make_sheet
from planner.tasks.sheets.release_form import release_form
from tests.tasks.sheets.keyed import TICK, check_form, columns_of, read_back, words_of


@pytest.fixture(scope="module")
def folder(tiny: Programme, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release plan that may stop early, and its loads."""
    made = tmp_path_factory.mktemp("plan")
    quick = replace(tiny, settings=tiny.settings.with_overrides({"release_gap": "0.1", "time_limit": "20"}))
    write_plan_file(made / "release_plan.json", release_plan(quick).as_dict())
    loads = truck_loads(quick, made)
    write_plan_file(made / "load_plan.json", loads.as_dict())
    loads.fish.to_csv(made / "load_fish.csv", index=False)
    return made


@pytest.fixture(scope="module")
def plan(folder: Path) -> dict[str, Any]:
    values: dict[str, Any] = json.loads((folder / "release_plan.json").read_text())
    return values


def asked(folder: Path, **words: str) -> Asked:
    return Asked(words, plans_in([folder]))


def waters(programme: Programme, plan: dict[str, Any]) -> dict[str, list[str]]:
    """Return the fish of the plan by short name of the water."""
    ids = dict(zip(programme.tables["sites"]["name"], programme.tables["sites"]["site_id"], strict=True))
    return {ids[name]: fish for name, fish in plan["fish"].items() if fish}


def test_release__the_forms_of_all_waters_hold_each_fish_of_the_plan_once(
    tiny: Programme, folder: Path, plan: dict[str, Any]
) -> None:
    tag_of = dict(zip(tiny.tables["stock"]["stock_id"], tiny.tables["stock"]["tag"], strict=True))
    printed_tags: list[str] = []
    for water, fish in waters(tiny, plan).items():
        printed = release_form(tiny, asked(folder, water=water))
        free, dead, spare = printed.forms
        for form in printed.forms:
            check_form(form)
        assert [line.known["tag"] for line in free.lines] == sorted(tag_of[f] for f in fish)
        assert [line.key for line in dead.lines] == [line.key for line in free.lines]
        cells = next(b for b in printed.sheet.blocks if b.title.startswith("Planned for this water"))
        on_paper = [c.split(" · ")[0] for row in cells.rows for c in row if " · " in c]  # type: ignore[union-attr]
        assert on_paper == [line.key for line in free.lines]
        assert f"= {len(fish)} on the list" in words_of(printed.sheet)
        assert len(spare.lines) == 8
        printed_tags += on_paper
    assert sorted(printed_tags) == sorted(tag_of[f] for fish in plan["fish"].values() for f in fish)


def test_release__ticks_become_releases_and_deaths(
    tiny: Programme, folder: Path, plan: dict[str, Any]
) -> None:
    water, fish = next((w, f) for w, f in waters(tiny, plan).items() if len(f) > 2)
    printed = release_form(tiny, asked(folder, water=water, event="R-X"))
    stock = tiny.tables["stock"].set_index("tag")
    back = read_back(printed, 0, {1: {TICK: "x"}, 3: {TICK: "yes"}})
    assert list(back["event"]) == ["R-X", "R-X"]
    assert list(back["site_id"]) == [water, water]
    assert list(back["released_on"]) == [pd.Timestamp("2024-11-12")] * 2
    for row in back.itertuples():
        of = stock.loc[row.tag]
        assert (row.family, row.year_class, row.total_length_mm, row.weight_g) == (
            of["family"], of["year_class"], of["total_length_mm"], of["weight_g"],
        )  # fmt: skip
    died = read_back(printed, 1, {2: {TICK: "x"}})
    assert list(died["stock_id"]) == [stock.loc[printed.forms[1].lines[1].key, "stock_id"]]
    assert died["note"].iloc[0].endswith(f"dead at release to {water} on 2024-11-12")
    extra = read_back(printed, 2, {1: {"tag": "999009000099999", "total_length_mm": "310"}})
    assert list(extra["tag"]) == ["999009000099999"]
    assert list(read_back(printed, 0, {1: {TICK: ""}, 2: {TICK: "x"}})["tag"]) == [
        printed.forms[0].lines[1].key
    ]
    assert len(fish) > 2


def test_release__the_forms_of_all_loads_hold_each_fish_once(
    tiny: Programme, folder: Path, plan: dict[str, Any]
) -> None:
    loads = json.loads((folder / "load_plan.json").read_text())["trips"]
    ids = dict(zip(tiny.tables["sites"]["name"], tiny.tables["sites"]["site_id"], strict=True))
    seen: Counter[str] = Counter()
    for number, trip in enumerate(loads, start=1):
        for stop in trip["stops"]:
            printed = release_form(tiny, asked(folder, water=ids[stop["site"]], load=str(number)))
            free = printed.forms[0]
            assert len(free.lines) == sum(x["number"] for x in stop["loads"])
            assert {line.known["truck"] for line in free.lines} == {trip["truck"]}
            assert free.fixed["released_on"] == trip["date"]
            seen.update(line.key for line in free.lines)
    assert set(seen.values()) == {1}
    assert len(seen) == sum(map(len, plan["fish"].values()))


def test_release__refusals(tiny: Programme, folder: Path, plan: dict[str, Any], tmp_path: Path) -> None:
    water, fish = next(iter(waters(tiny, plan).items()))
    stock, releases, permits = (tiny.tables[t] for t in ("stock", "releases", "permits"))

    def refused(programme: Programme, words: dict[str, str], where: Path = folder) -> str:
        with pytest.raises(UsageError) as caught:
            release_form(programme, asked(where, **words))
        return str(caught.value)

    def having(**tables: pd.DataFrame) -> Programme:
        return replace(tiny, tables={**tiny.tables, **tables})

    mine = stock["stock_id"] == fish[0]
    tag = stock.loc[mine, "tag"].iloc[0]
    assert "release plan: found none" in refused(tiny, {"water": water}, tmp_path)
    assert "water: found 'XX'" in refused(tiny, {"water": "XX"})
    emptied = {k: ([] if set(v) == set(fish) else v) for k, v in plan["fish"].items()}
    write_plan_file(tmp_path / "emptied" / "release_plan.json", plan | {"fish": emptied})
    said = refused(tiny, {"water": water}, tmp_path / "emptied")
    assert f"found {water}, to which this plan sends no fish" in said
    gone = having(stock=stock[~mine])
    assert f"found {fish[0]} of the plan no longer in the stock" in refused(gone, {"water": water})
    again = having(releases=pd.concat([releases, releases.iloc[[0]].assign(tag=tag)], ignore_index=True))
    assert f"found {tag} on record as released already" in refused(again, {"water": water})
    held = stock.copy()
    held.loc[mine, "withdrawal_until"] = pd.Timestamp("2024-12-24")
    assert f"found {tag} under a medicine withdrawal time" in refused(having(stock=held), {"water": water})
    full = permits.copy()
    full.loc[full["permit_id"] == "XZ-25-104", "used"] = full["limit_number"]
    assert "0 left. Expected room for" in refused(having(permits=full), {"water": water})
    assert "load: found '99'. Expected a whole number from 1" in refused(tiny, {"water": water, "load": "99"})


def test_release__loads_of_another_plan_are_refused(
    tiny: Programme, folder: Path, plan: dict[str, Any], tmp_path: Path
) -> None:
    water = next(iter(waters(tiny, plan)))
    other = shutil.copytree(folder, tmp_path / "other")
    loads = json.loads((other / "load_plan.json").read_text())
    write_plan_file(other / "load_plan.json", loads | {"release_mark": "0000000000"})
    printed = release_form(tiny, asked(other, water=water))  # trucks are left open, as no load was asked for
    assert not any("truck" in line.known for line in printed.forms[0].lines)
    for make, words in ((release_form, {"water": water, "load": "1"}), (truck_loading, {})):
        with pytest.raises(
            UsageError, match=r"found loads for the release plan of mark 0000000000\. Expected loads"
        ):
            make(tiny, asked(other, **words))
    (other / "load_fish.csv").unlink()
    with pytest.raises(UsageError, match="found no table of the fish"):
        release_form(tiny, asked(other, water=water, load="1"))


def test_loading__every_load_of_the_plan_in_its_order(tiny: Programme, folder: Path) -> None:
    trips = json.loads((folder / "load_plan.json").read_text())["trips"]
    sheet = truck_loading(tiny, asked(folder)).sheet
    strips = [b for b in sheet.blocks if b.title.startswith("Load ")]
    assert len(strips) == len(trips)
    fish = pd.read_csv(folder / "load_fish.csv")
    kg = 0.0
    for strip, trip in zip(strips, trips, strict=True):
        rows = strip.rows  # type: ignore[union-attr]
        assert sum(int(r[5]) for r in rows) == trip["fish"]
        kg += sum(float(r[6]) for r in rows)
        waters_in_order = list(dict.fromkeys(r[1] for r in rows))
        assert waters_in_order == [s["site"] for s in reversed(trip["stops"])]
    assert kg == pytest.approx(fish["kg"].sum(), abs=0.05 * sum(len(s.rows) for s in strips))  # type: ignore[union-attr]
    logs = [b for b in sheet.blocks if b.title == "On the way"]
    assert [r[0] for r in logs[0].rows][-len(trips[0]["stops"]) :] == [
        f"At {s['site']}" for s in trips[0]["stops"]
    ]  # type: ignore[union-attr]
    one = truck_loading(tiny, asked(folder, load="1")).sheet
    assert [b.title for b in one.blocks if b.title.startswith("Load ")] == [strips[0].title]


def test_loading__refusals(tiny: Programme, folder: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="load plan: found none"):
        truck_loading(tiny, asked(tmp_path))
    with pytest.raises(UsageError, match="load: found '0'"):
        truck_loading(tiny, asked(folder, load="0"))
    old = json.loads((folder / "load_plan.json").read_text())
    for trip in old["trips"]:
        trip.pop("date")
    write_plan_file(tmp_path / "load_plan.json", old)
    with pytest.raises(UsageError, match="made before it held days and masses"):
        truck_loading(tiny, asked(tmp_path))


@pytest.mark.parametrize("name", ["release", "loading"])
def test_versions__another_plan_voids_the_older_paper(
    tiny: Programme, folder: Path, plan: dict[str, Any], name: str, tmp_path: Path
) -> None:
    water = next(iter(waters(tiny, plan)))
    words = {"water": water} if name == "release" else {}
    first = make_sheet(tiny, name, asked(folder, **words), tmp_path / "sheets")
    assert make_sheet(tiny, name, asked(folder, **words), tmp_path / "sheets").version == 1
    later = shutil.copytree(folder, tmp_path / "later")
    for file in ("release_plan.json", "load_plan.json"):
        values = json.loads((later / file).read_text())
        values["provenance"]["version"] = 2
        write_plan_file(later / file, values)
    second = make_sheet(tiny, name, asked(later, **words), tmp_path / "sheets")
    assert (second.subject, second.version) == (first.subject, 2)
    assert kept_sheet(tmp_path / "sheets", name, first.subject, 1).is_void


def test_versions__a_length_measured_anew_voids_the_older_form(
    tiny: Programme, folder: Path, plan: dict[str, Any], tmp_path: Path
) -> None:
    water, fish = next(iter(waters(tiny, plan).items()))
    first = make_sheet(tiny, "release", asked(folder, water=water), tmp_path)
    stock = tiny.tables["stock"].copy()
    stock.loc[stock["stock_id"] == fish[0], "total_length_mm"] += 5
    changed = replace(tiny, tables={**tiny.tables, "stock": stock})
    assert make_sheet(changed, "release", asked(folder, water=water), tmp_path).version == 2
    assert kept_sheet(tmp_path, "release", first.subject, 1).is_void


def test_columns__of_the_water_are_to_be_filled(tiny: Programme, folder: Path, plan: dict[str, Any]) -> None:
    sheet = release_form(tiny, asked(folder, water=next(iter(waters(tiny, plan))))).sheet
    assert set(columns_of(sheet, "Water and time")) == {
        "",
        "Time",
        "Temperature °C",
        "Oxygen mg/L",
        "Fish look",
    }
    assert columns_of(sheet, "Two people sign")[""] == ["Released by", "Second person"]
