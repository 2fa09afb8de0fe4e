"""May these fish go there: every rule set off alone on the practice programme."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.may_move import NO, YES, MoveAnswer, may_move
from planner.tasks.programme import Programme
from tests.tasks.test_permits import with_rows

DAY = dt.date(2024, 11, 12)
FISH, LAKE, BACKWATER = "Y24-0014", "BB", "NP"


def edited(programme: Programme, table: str, key: str, name: str, **values: object) -> Programme:
    frame = programme.tables[table].copy()
    for column, value in values.items():
        frame.loc[frame[key] == name, column] = value
    frame.attrs = programme.tables[table].attrs
    return replace(programme, tables={**programme.tables, table: frame})


def no(answer: MoveAnswer) -> set[str]:
    return {r.rule for r in answer.reasons if r.says == NO}


def test_may_move__a_sound_fish_may_go_and_every_rule_was_asked(tiny: Programme) -> None:
    answer = may_move(tiny, FISH, LAKE, DAY)
    assert answer.may
    assert {r.rule for r in answer.reasons} >= {
        "holds",
        "species",
        "health certificate",
        "withdrawal time",
        "quarantine",
        "water risk",
        "permit to release",
        "site open",
        "length",
    }
    assert answer.may_go == [FISH]
    assert answer.lines()[0].startswith("YES")


def stopped_by(
    programme: Programme, rule: str, where: str = LAKE, what: str = FISH, on: dt.date = DAY
) -> str:
    """Return what would change the answer; the rule named is the only one against it."""
    answer = may_move(programme, what, where, on)
    assert no(answer) == {rule}, answer.lines()
    assert not answer.may
    (reason,) = [r for r in answer.reasons if r.says == NO]
    return f"{reason.fact}; {reason.change}"


def test_may_move__withdrawal_clock(tiny: Programme) -> None:
    late = edited(tiny, "stock", "stock_id", FISH, withdrawal_until=pd.Timestamp("2024-11-12"))
    assert "a day after 2024-11-12" in stopped_by(late, "withdrawal time")
    assert may_move(late, FISH, LAKE, DAY + dt.timedelta(days=1)).may
    treated = with_rows(
        tiny,
        "treatments",
        {
            "treatment_id": "T1",
            "subject_kind": "unit",
            "subject": tiny.tables["stock"].set_index("stock_id").loc[FISH, "unit"],
            "reason": "parasites",
            "product_class": "antiparasitic",
            "started_on": pd.Timestamp("2024-11-01"),
            "withdrawal_until": pd.Timestamp("2024-11-30"),
        },
    )
    assert "treatment T1" in stopped_by(treated, "withdrawal time")


def test_may_move__certificate(tiny: Programme) -> None:
    unit = tiny.tables["stock"].set_index("stock_id").loc[FISH, "unit"]
    short = edited(tiny, "certificates", "unit", unit, valid_until=pd.Timestamp("2024-11-11"))
    assert "to 2024-11-11" in stopped_by(short, "health certificate")
    pending = edited(tiny, "certificates", "unit", unit, result="pending")
    assert "is pending" in stopped_by(pending, "health certificate")
    none = replace(
        tiny, tables={**tiny.tables, "certificates": tiny.tables["certificates"].query(f"unit != '{unit}'")}
    )
    assert "has no certificate" in stopped_by(none, "health certificate")


def test_may_move__only_downhill(tiny: Programme) -> None:
    unit = tiny.tables["stock"].set_index("stock_id").loc[FISH, "unit"]
    uphill = edited(tiny, "units", "unit_id", unit, water_risk=5)
    assert "uphill" in stopped_by(uphill, "water risk")
    unknown = edited(tiny, "units", "unit_id", unit, water_risk=pd.NA)
    assert may_move(unknown, FISH, LAKE, DAY).may
    assert any(
        r.says == "look" and r.rule == "water risk" for r in may_move(unknown, FISH, LAKE, DAY).reasons
    )


def test_may_move__holds_on_fish_family_and_unit(tiny: Programme) -> None:
    row = tiny.tables["stock"].set_index("stock_id").loc[FISH]
    for kind, subject in (("fish", FISH), ("family", row["family"]), ("unit", row["unit"])):
        held = with_rows(
            tiny,
            "holds",
            {
                "subject": subject,
                "subject_kind": kind,
                "reason": "species",
                "from_date": pd.Timestamp("2024-11-01"),
                "until_date": pd.Timestamp("2024-11-20"),
            },
        )
        assert "wait until after 2024-11-20" in stopped_by(held, "holds")
        assert may_move(held, FISH, LAKE, dt.date(2024, 11, 21)).may


def test_may_move__permit_room(tiny: Programme) -> None:
    used = edited(tiny, "permits", "permit_id", "XZ-25-104", used=200)
    assert "0 left" in stopped_by(used, "permit to release")


def test_may_move__site_closed_dry_renovated_or_full(tiny: Programme) -> None:
    assert "not open" in stopped_by(
        edited(tiny, "sites", "site_id", LAKE, open_for_release=False), "site open"
    )
    assert "in month 11" in stopped_by(
        edited(tiny, "sites", "site_id", LAKE, closed_months="10 11"), "season"
    )
    assert "dry" in stopped_by(edited(tiny, "sites", "site_id", LAKE, max_depth_m=0.0), "water there")
    assert "at most 0" in stopped_by(edited(tiny, "sites", "site_id", LAKE, max_receive=0), "room")
    work = {
        "renovation_id": "R1",
        "site_id": LAKE,
        "from_date": pd.Timestamp("2024-11-01"),
        "kind": "drained",
    }
    assert "is not over" in stopped_by(with_rows(tiny, "renovations", work), "renovation")
    ended = work | {"to_date": pd.Timestamp("2024-11-08")}
    assert "not yet found free" in stopped_by(with_rows(tiny, "renovations", ended), "renovation")
    checked = ended | {"checked_on": pd.Timestamp("2024-11-10")}
    assert may_move(with_rows(tiny, "renovations", checked), FISH, LAKE, DAY).may


def test_may_move__length_against_predators_and_stale_surveys(tiny: Programme) -> None:
    short = edited(tiny, "stock", "stock_id", FISH, total_length_mm=280.0)
    assert "shorter than 300 mm" in stopped_by(short, "length")
    assert "length" not in no(may_move(short, FISH, BACKWATER, DAY))
    stale = edited(short, "sites", "site_id", BACKWATER, surveyed_on=pd.Timestamp("2022-01-01"))
    assert "length" in no(may_move(stale, FISH, BACKWATER, DAY))


def test_may_move__quarantine_days(tiny: Programme) -> None:
    isolated = edited(tiny, "units", "unit_id", "B-01", kind="quarantine")
    fish = edited(isolated, "fish", "fish_id", "F-03", status_on=pd.Timestamp("2024-10-10"), unit="B-01")
    answer = may_move(fish, "F-03", "B-07", dt.date(2024, 10, 20))
    assert "quarantine" in no(answer)
    assert any("2024-11-09 or later" in r.change for r in answer.reasons)
    assert "quarantine" not in no(may_move(fish, "F-03", "B-07", dt.date(2024, 11, 9)))


def test_may_move__other_species_and_hybrids(tiny: Programme) -> None:
    family = tiny.tables["stock"].set_index("stock_id").loc[FISH, "family"]
    dam = tiny.tables["families"].set_index("family_id").loc[family, "dam"]
    foreign = edited(tiny, "fish", "fish_id", dam, species="Lychnogila pallens")
    assert "parent of another species" in stopped_by(foreign, "species")


def test_may_move__the_dead_stay_and_groups_say_who_may_go(tiny: Programme) -> None:
    assert "state of the fish" in no(may_move(tiny, "F-01", LAKE, DAY))
    group = may_move(tiny, "T-02", "QL", DAY)
    assert not group.may
    assert 0 < len(group.may_go) < len(group.movers)
    stopped = {f for r in group.reasons if r.says == NO for f in r.fish}
    assert stopped | set(group.may_go) == {m.name for m in group.movers}


def test_may_move__by_tag_and_by_family_is_the_same_fish(tiny: Programme) -> None:
    row = tiny.tables["stock"].set_index("stock_id").loc[FISH]
    assert [m.name for m in may_move(tiny, row["tag"], LAKE, DAY).movers] == [FISH]
    assert FISH in [m.name for m in may_move(tiny, row["family"], LAKE, DAY).movers]


def test_may_move__unknown_names(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="what to move: found 'nobody'"):
        may_move(tiny, "nobody", LAKE, DAY)
    with pytest.raises(UsageError, match="where to move: found 'nowhere'"):
        may_move(tiny, FISH, "nowhere", DAY)
    empty = with_rows(tiny, "units", {"unit_id": "T-99", "kind": "tank"})
    with pytest.raises(UsageError, match="which holds no fish now"):
        may_move(empty, "T-99", LAKE, DAY)


def test_may_move__answers_in_plain_values(tiny: Programme) -> None:
    data = may_move(tiny, FISH, LAKE, DAY).as_dict()
    assert data["may"] is True
    assert {r["says"] for r in data["reasons"]} == {YES}
