"""Decision memo and annual stocking table: one page fed from the file, totals that agree with the records.

Expected totals are counted from the tables by plain Python; layout and wording are common practice, no source.
"""

from __future__ import annotations

import io
import json
import re
import statistics
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.permit_events import events_of
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import PLAN_FILES, Asked, plans_in
from planner.tasks.sheets.make import kept_sheet, make_sheet
from planner.tasks.sheets.memo import MOST_OPTIONS, MOST_QUESTION, decision_memo
from planner.tasks.sheets.stocking import stocking_table
from planner.tasks.spawning import spawning_plan
from tests.tasks.sheets.keyed import columns_of, words_of

LONG = (
    "A remark of a plan that is as long as remarks of plans ever are, and says with many words what was assumed; "
    * 2
)
MADE = {"made_on": "2024-10-20", "inputs": "ab" * 32, "version": 1, "mark": "0123456789", "proof": {}}


def estimate(value: float, low: float, high: float) -> dict[str, Any]:
    return {
        "value": value, "low": low, "high": high, "level": 0.95, "method": "fish sent times survival curve",
        "note": "chance between single fish is not in it", "reason": "",
    }  # fmt: skip


def big_plan(kind: str, options: int) -> dict[str, Any]:
    """Return a plan file with many options and long remarks, numbers easy to tell."""
    made = MADE | {
        "kind": f"{kind} plan",
        "settings": {"release_day": "2024-11-12", "spawning_day": "2025-02-14"},
    }
    notes = [LONG] * 9
    name = "a plan with a name that is rather long, such as the water with most room first"
    numbers = range(1, options)
    if kind == "spawning":
        measures = {
            "goal": 0.0123456, "cohort_kinship": 0.02, "gene_diversity": 0.98, "effective_parents": 41.5, "females_used": 24,
            "males_used": 26, "mean_inbreeding": 0.001, "greatest_inbreeding": 0.0625,
        }  # fmt: skip
        plain = [
            {"name": f"{name} {k}", "measures": measures | {"effective_parents": 10.0 + k}} for k in numbers
        ]
        proof = {"status": "proven", "value": 0.0123456, "bound": 0.0123, "gap": 0.0037}
        return proof | {
            "measures": measures,
            "plans_without_optimisation": plain,
            "notes": notes,
            "provenance": made,
        }
    if kind == "release":
        own = {
            "status": "proven", "objective": 59.6, "bound": 59.4, "gap": 0.003, "released": 3699, "kinship_within": 0.0064,
            "survivors": estimate(1102.4, 971.6, 1233.4), "kinship_across": 0.0018,
        }  # fmt: skip
        plain = [
            {"name": f"{name} {k}", "objective": 80.0 + k, "rules_broken": ["x"] * k, "released": 100 + k,
             "survivors": estimate(700 + k, 600, 800), "kinship_within": 0.01, "kinship_across": 0.002}
            for k in numbers
        ]  # fmt: skip
        return own | {"plans_without_optimisation": plain, "notes": notes, "provenance": made}
    if kind == "load":
        trip = {"day": 1, "truck": "truck 1", "fish": 187, "kg": 89.1, "stops": []}
        return {
            "status": "proven", "km": 2030.0, "fewest_trips": 19, "shortest_km": 2030.0, "trips": [trip] * 19, "notes": notes,
            "provenance": made,
        }  # fmt: skip
    if kind == "tradeoff":
        points = [
            {"share": 0.8 + 0.01 * k, "survivors": 1000.0 + k, "survivors_low": 900.0, "survivors_high": 1100.0, "kinship": 0.005,
             "kinship_bound": 0.004, "released": 3600 + k, "gap": 0.01, "status": "time limit", "dominated": k == 1}
            for k in range(options)
        ]  # fmt: skip
        proof = {f"gap at {k}%": "0.2191%" for k in range(options)}
        return {"points": points, "alternatives": [], "notes": notes, "provenance": made | {"proof": proof}}
    spread = {"mean": 0.991, "low": 0.989, "high": 0.992}
    names = [f"strategy-number-{k}" for k in range(options)]
    measures = ("gene_diversity", "gene_diversity_waters", "inbreeding")
    last = {
        s: dict.fromkeys(measures, spread) | {"adults": {"mean": 2500.0 + k, "low": 2000.0, "high": 3000.0}}
        for k, s in enumerate(names)
    }
    chances = [
        {"strategy": s, "share": x, **estimate(0.7, 0.5, 0.9)} for s in names for x in (0.9, 0.95, 0.99)
    ]
    return {
        "years": 25, "replicates": 100, "strategies": dict.fromkeys(names, "words"), "last_year": last, "chances": chances,
        "assumptions": notes, "provenance": made,
    }  # fmt: skip


def folder_with(tmp_path: Path, *plans: tuple[str, dict[str, Any]]) -> Path:
    for kind, values in plans:
        write_plan_file(tmp_path / PLAN_FILES[kind], values)
    return tmp_path


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


# --- memo -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [2, 4, 8, 20])
@pytest.mark.parametrize("kind", list(PLAN_FILES))
def test_memo__is_one_page_however_much_the_plan_holds(
    tiny: Programme, kind: str, options: int, tmp_path: Path
) -> None:
    plans = plans_in([folder_with(tmp_path, (kind, big_plan(kind, options)))])
    question = ("How many fish go where? " * 20)[:MOST_QUESTION]
    kept = make_sheet(
        tiny, "memo", Asked({"question": question, "review": "2025-09-01"}, plans), tmp_path / "s"
    )
    assert pages(kept.files[0].read_bytes()) == 1


@pytest.mark.parametrize("kind", list(PLAN_FILES))
def test_memo__numbers_stand_as_in_the_file_and_nothing_is_lost_unsaid(
    tiny: Programme, kind: str, tmp_path: Path
) -> None:
    few = decision_memo(
        tiny, Asked({}, plans_in([folder_with(tmp_path / "few", (kind, big_plan(kind, 3)))]))
    ).sheet
    said = words_of(few)
    expected = {
        "spawning": (
            "0.01235",
            "41.5",
            "11.0",
            "12.0",
            "24, 26",
            "0.0010, 0.0625",
            "none below 0.012300",
            "gap 0.37%",
        ),
        "release": (
            "3699",
            "1102 (972 to 1233)",
            "701 (600 to 800)",
            "59.600",
            "82.000",
            "0.00640",
            "95% interval",
        ),
        "load": ("2030", "19", str(187 * 19), f"{89.1 * 19:.1f}", "proven: no loads with less"),
        "tradeoff": (
            "3601",
            "1001 (900 to 1100)",
            "0.00500",
            "0.00400",
            "1.00%",
            "another is better in both",
        ),
        "projection": (
            "0.991 (0.989 to 0.992)",
            "2502 (2000 to 3000)",
            "0.70 (0.50 to 0.90)",
            "100 replicates",
        ),
    }
    for words in expected[kind]:
        assert words in said, words
    assert "none is recommended" in said
    assert "The records have changed since this plan was made." in said
    assert re.search(r"More remarks in the file of the plan: \d+\.", said)
    many = decision_memo(
        tiny, Asked({}, plans_in([folder_with(tmp_path / "many", (kind, big_plan(kind, 20)))]))
    ).sheet
    if kind != "load":
        shown = len(next(b for b in many.blocks if b.title == "Choices side by side").rows)  # type: ignore[union-attr]
        assert 4 <= shown <= MOST_OPTIONS
        assert f"{20 - shown} more are in the file" in words_of(many)
    assert "recommend" not in words_of(many).replace("none is recommended", "")


def test_memo__of_a_real_plan_and_what_is_blank(tiny: Programme, tmp_path: Path) -> None:
    plan = spawning_plan(tiny)
    write_plan_file(tmp_path / "spawning_plan.json", plan.as_dict())
    sheet = decision_memo(tiny, Asked({}, plans_in([tmp_path]))).sheet
    table = columns_of(sheet, "Choices side by side")
    assert len(table["Choice"]) == 1 + len(plan.others)
    assert plan.plan.measures is not None
    assert table["Parents, effective number"][0] == f"{plan.plan.measures.effective_parents:.1f}"
    assert "records have changed" not in words_of(sheet)
    decided = [b for b in sheet.blocks if b.kind == "table" and not b.title]
    assert [r[0] for r in decided[0].rows] == ["Decided", "Because", "Not chosen, and why"]  # type: ignore[union-attr]
    assert all(r[1] == "" for r in decided[0].rows)  # type: ignore[union-attr]
    assert dict(sheet.facts)["Review on"] == "________________"


def test_memo__an_estimate_that_is_none_says_why(tiny: Programme, tmp_path: Path) -> None:
    plan = big_plan("release", 2)
    plan["survivors"] |= {"value": None, "low": None, "high": None, "reason": "no curve for this water"}
    sheet = decision_memo(tiny, Asked({}, plans_in([folder_with(tmp_path, ("release", plan))]))).sheet
    assert "not estimable because no curve for this water" in words_of(sheet)


def test_memo__refusals(tiny: Programme, tmp_path: Path) -> None:
    with pytest.raises(
        UsageError, match=r"memo sheet: found no plan\. Expected the folder of one of spawning"
    ):
        decision_memo(tiny, Asked({}))
    both = folder_with(tmp_path, ("release", big_plan("release", 2)), ("load", big_plan("load", 2)))
    with pytest.raises(
        UsageError, match=r"found release, load\. Expected one\. Say which with about=release"
    ):
        decision_memo(tiny, Asked({}, plans_in([both])))
    with pytest.raises(UsageError, match=r"about: found 'spawning'\. Expected one of release, load"):
        decision_memo(tiny, Asked({"about": "spawning"}, plans_in([both])))
    with pytest.raises(UsageError, match=r"question: found 241 characters\. Expected at most 240"):
        decision_memo(tiny, Asked({"about": "load", "question": "x" * 241}, plans_in([both])))
    with pytest.raises(UsageError, match=r"review: found 'soon'\. Expected a day"):
        decision_memo(tiny, Asked({"about": "load", "review": "soon"}, plans_in([both])))
    (both / "load_plan.json").write_text("{}")
    with pytest.raises(UsageError, match="not a plan file"):
        decision_memo(tiny, Asked({"about": "load"}, plans_in([both])))


def test_memo__another_plan_or_question_voids_the_older_paper(tiny: Programme, tmp_path: Path) -> None:
    plan = big_plan("release", 2)
    asked = Asked({"about": "release"}, plans_in([folder_with(tmp_path, ("release", plan))]))
    first = make_sheet(tiny, "memo", asked, tmp_path / "s")
    assert make_sheet(tiny, "memo", asked, tmp_path / "s").version == 1
    folder_with(tmp_path, ("release", plan | {"released": 3700}))
    assert make_sheet(tiny, "memo", asked, tmp_path / "s").version == 2
    assert kept_sheet(tmp_path / "s", "memo", first.subject, 1).is_void
    other = replace(asked, values={"about": "release", "question": "Is Nine Posts left out?"})
    third = make_sheet(tiny, "memo", other, tmp_path / "s")
    assert (third.subject, third.version) == (first.subject, 3)


# --- stocking -------------------------------------------------------------------------------------------------------


def year_of(release: Any) -> str:
    return "" if pd.isna(release.year_class) else str(release.year_class)


def csv_of(programme: Programme, **words: str) -> pd.DataFrame:
    text = stocking_table(programme, Asked(words)).tables["stocking.csv"]
    return pd.read_csv(
        io.StringIO(text), dtype={"first_tag": str, "last_tag": str, "year_class": str}, keep_default_na=False
    )


@pytest.mark.parametrize(
    ("words", "first", "last"),
    [
        ({"year": "2023"}, "2023-01-01", "2023-12-31"),
        ({"year": "2024", "first_month": "10"}, "2023-10-01", "2024-09-30"),
        ({"year": "2020", "first_month": "10"}, "2019-10-01", "2020-09-30"),
        ({}, "2023-01-01", "2023-12-31"),
    ],
)
def test_stocking__totals_agree_with_the_records(
    tiny: Programme, words: dict[str, str], first: str, last: str
) -> None:
    releases = tiny.tables["releases"]
    mine = [r for r in releases.itertuples() if pd.Timestamp(first) <= r.released_on <= pd.Timestamp(last)]
    assert mine
    table = csv_of(tiny, **words)
    counted = sum(e.number for e in events_of(tiny, "release") if first <= e.on.isoformat() <= last)
    assert table["fish"].sum() == counted == len(mine)
    assert table["kg"].sum() == pytest.approx(sum(r.weight_g for r in mine) / 1000, abs=0.0005 * len(table))
    for line in table.itertuples():
        same = [
            r
            for r in mine
            if (r.site_id, r.family or "not known", year_of(r))
            == (line.site_id, line.family, line.year_class)
        ]
        lengths = [r.total_length_mm for r in same]
        assert line.fish == line.tags == len(same)
        assert line.mean_mm == pytest.approx(statistics.fmean(lengths), abs=0.051)
        if len(same) > 1:
            assert float(line.sd_mm) == pytest.approx(statistics.stdev(lengths), abs=0.051)
        assert (line.first_tag, line.last_tag) == (min(r.tag for r in same), max(r.tag for r in same))
        assert line.first_day == min(r.released_on for r in same).date().isoformat()
    sheet = stocking_table(tiny, Asked(words)).sheet
    assert dict(sheet.facts)["Fish released"].startswith(f"{len(mine)};")
    summary = columns_of(sheet, "By water")
    assert sum(int(n) for n in summary["Fish"][:-1]) == int(summary["Fish"][-1]) == len(mine)
    assert sum(int(n) for n in columns_of(sheet, "Releases")["Fish"]) == len(mine)


def test_stocking__a_lot_counts_for_the_fish_beyond_those_on_record(tiny: Programme) -> None:
    """8 fish on record at BB on 2023-11-16 beside lots of 4 and 3; a lot of 30 more is counted with 29 (8 - 7 are known)."""
    moves = tiny.tables["group_moves"]
    old = moves[moves["move_id"] == "G-2023-009"]
    more = old.assign(move_id="G-2023-999", number=30, permit_id="XZ-23-104")
    changed = replace(
        tiny, tables={**tiny.tables, "group_moves": pd.concat([moves, more], ignore_index=True)}
    )
    before, after = csv_of(tiny, year="2023"), csv_of(changed, year="2023")
    assert after["fish"].sum() - before["fish"].sum() == 29
    lot = after[after["family"].str.startswith("lot ")]
    assert list(lot["fish"]) == [29]
    assert list(lot["permits"]) == ["XZ-23-104"]
    said = words_of(stocking_table(changed, Asked({"year": "2023"})).sheet)
    assert f"29 of {after['fish'].sum()} fish without a length" in said


def test_stocking__permit_and_certificate_of_the_day(tiny: Programme) -> None:
    releases = tiny.tables["releases"]
    stock = tiny.tables["stock"]
    one = stock[stock["unit"] == "T-02"].iloc[0]
    late = stock[stock["unit"] == "P-06"]
    new = [{"tag": one["tag"], "day": "2024-11-12"}]
    if len(late):
        new.append({"tag": late.iloc[0]["tag"], "day": "2024-11-12"})
    rows = [
        releases.iloc[[0]].assign(event="R-2024-09", tag=n["tag"], released_on=pd.Timestamp(n["day"]))
        for n in new
    ]
    changed = replace(
        tiny, tables={**tiny.tables, "releases": pd.concat([releases, *rows], ignore_index=True)}
    )
    sheet = stocking_table(changed, Asked({"year": "2024"})).sheet
    events = columns_of(sheet, "Releases")
    assert events["Permit"] == ["XZ-25-104"]
    assert "FH-24-32" in events["Health certificate"][0]
    assert "FH-24-39" not in events["Health certificate"][0]  # of P-06, over since 9 November
    permits = columns_of(sheet, "Permits")
    assert dict(zip(permits["Permit"], permits["Fish of this table"], strict=True))["XZ-25-104"] == str(
        len(new)
    )
    old = stocking_table(tiny, Asked({"year": "2023"})).sheet
    assert set(columns_of(old, "Releases")["Permit"]) == {"none on record"}
    assert "without a permit on record" in words_of(old)


def test_stocking__refusals(tiny: Programme) -> None:
    with pytest.raises(
        UsageError, match=r"year: found 2021, in which nothing was released\. Expected one of 2019, 2023"
    ):
        stocking_table(tiny, Asked({"year": "2021"}))
    with pytest.raises(UsageError, match="first_month: found '13'"):
        stocking_table(tiny, Asked({"first_month": "13"}))
    bare = replace(
        tiny, tables={**tiny.tables, **{t: tiny.tables[t].iloc[:0] for t in ("releases", "group_moves")}}
    )
    with pytest.raises(UsageError, match=r"found no release on record\. Expected at least one"):
        stocking_table(bare, Asked({}))


def test_stocking__a_corrected_release_voids_the_older_table(tiny: Programme, tmp_path: Path) -> None:
    first = make_sheet(tiny, "stocking", Asked({"year": "2023"}), tmp_path)
    assert make_sheet(tiny, "stocking", Asked({"year": "2023"}), tmp_path).version == 1
    assert [f.name for f in first.files] == ["stocking.pdf", "stocking.html", "stocking.csv"]
    releases = tiny.tables["releases"].copy()
    releases.loc[releases["released_on"] >= pd.Timestamp("2023-01-01"), "weight_g"] += 1
    second = make_sheet(
        replace(tiny, tables={**tiny.tables, "releases": releases}),
        "stocking",
        Asked({"year": "2023"}),
        tmp_path,
    )
    assert second.version == 2
    assert kept_sheet(tmp_path, "stocking", first.subject, 1).is_void
    kept = json.loads((second.files[0].parent / "sheet.json").read_text())
    assert kept["tables"] == ["stocking.csv"]


@pytest.mark.slow
def test_memo__of_a_projection_and_a_tradeoff_made_here(tiny: Programme, tmp_path: Path) -> None:
    from planner.tasks.project import ProjectionWishes, projection
    from planner.tasks.tradeoff import release_tradeoff

    quick = replace(tiny, settings=tiny.settings.with_overrides({"release_gap": "0.1", "time_limit": "20"}))
    write_plan_file(tmp_path / "tradeoff.json", release_tradeoff(quick, 2).as_dict())
    write_plan_file(
        tmp_path / "projection.json", projection(tiny, ProjectionWishes(years=5, replicates=2)).as_dict()
    )
    for kind in ("tradeoff", "projection"):
        kept = make_sheet(tiny, "memo", Asked({"about": kind}, plans_in([tmp_path])), tmp_path / "s")
        assert pages(kept.files[0].read_bytes()) == 1
