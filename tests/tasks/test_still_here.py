"""The loop closes: fish that were released are not sent again, and count where they went."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd

from planner.optimise.release.settings import NO_LIMIT
from planner.tasks.may_move import may_move
from planner.tasks.programme import Programme
from planner.tasks.release_data import release_inputs
from planner.tasks.still_here import SINCE_RELEASE, received_this_season, season_start
from planner.tasks.water_state import water_states

DAY = dt.date(2024, 11, 12)


def after_release(programme: Programme, fish: pd.DataFrame, site: str, on: str) -> Programme:
    """The programme after some fish of the stock were released."""
    old = programme.tables["releases"]
    new = pd.DataFrame(
        {
            "event": "R-TEST",
            "released_on": pd.Timestamp(on),
            "site_id": site,
            "tag": fish["tag"].to_numpy(),
            "family": fish["family"].to_numpy(),
            "total_length_mm": fish["total_length_mm"].to_numpy(),
        }
    ).reindex(columns=old.columns)
    text = [c for c in old if pd.api.types.is_string_dtype(old[c].dtype)]
    new[text] = new[text].astype(object).fillna("")
    joined = pd.concat([old, new.astype(old.dtypes.to_dict())], ignore_index=True)
    return replace(programme, tables={**programme.tables, "releases": joined})


def column(programme: Programme, site: str) -> int:
    """Column of a site."""
    return list(programme.tables["sites"]["site_id"]).index(site)


def test_released_fish__are_not_sent_again_and_fill_their_water(tiny: Programme) -> None:
    gone = tiny.tables["stock"].head(7)
    site = "SV" if "SV" in set(tiny.tables["sites"]["site_id"]) else tiny.tables["sites"]["site_id"].iloc[0]
    later = after_release(tiny, gone, site, "2024-11-11")
    before, after = release_inputs(tiny, DAY), release_inputs(later, DAY)
    assert len(before.fish) - len(after.fish) == 7
    assert not set(after.fish["stock_id"]) & set(gone["stock_id"])
    j = column(tiny, site)
    assert after.data.sites.residents[:, j].sum() == before.data.sites.residents[:, j].sum() + 7
    place = {name: k for k, name in enumerate(after.data.families.name)}
    for family, number in gone.groupby("family").size().items():
        was = before.data.sites.residents[list(before.data.families.name).index(family), j]
        assert after.data.sites.residents[place[family], j] == was + number
    assert water_states(later, DAY)[site].residents == water_states(tiny, DAY)[site].residents + 7
    assert any(f"after the last count, no death taken off: {site} 7" in n for n in after.notes)
    before_limit, after_limit = (x.data.sites.max_receive[j] for x in (before, after))
    assert after_limit == before_limit - 7 or before_limit == NO_LIMIT
    permit = before.data.settings.permit_left
    assert after.data.settings.permit_left == permit - 7 or permit == -1


def test_received__the_single_move_counts_what_came_this_season(tiny: Programme) -> None:
    sites = tiny.tables["sites"].copy()
    site = str(sites["site_id"].iloc[0])
    sites.loc[sites["site_id"] == site, ["max_receive", "capacity_fish"]] = [5, 10_000]
    wide = replace(tiny, tables={**tiny.tables, "sites": sites})
    stock = tiny.tables["stock"]
    one = str(stock["stock_id"].iloc[-1])

    def room(programme: Programme) -> list[str]:
        return [
            r.fact for r in may_move(programme, one, site, DAY).reasons if r.rule == "room" and r.says == "no"
        ]

    assert received_this_season(tiny, DAY).get(site, 0) == 0
    assert not room(after_release(wide, stock.head(4), site, "2024-11-11"))
    assert room(after_release(wide, stock.head(5), site, "2024-11-11")) == [
        f"{site} may receive 5 fish this autumn, 5 came, 1 to come"
    ]
    j = column(tiny, site)
    assert (
        release_inputs(after_release(wide, stock.head(4), site, "2024-11-11"), DAY).data.sites.max_receive[j]
        == 1
    )


def test_released_fish__may_not_come_back_from_the_station(tiny: Programme) -> None:
    gone = tiny.tables["stock"].head(1)
    name = str(gone["stock_id"].iloc[0])
    sites = list(tiny.tables["sites"]["site_id"])
    later = after_release(tiny, gone, sites[0], "2024-11-11")
    answer = may_move(later, name, sites[0], DAY)
    assert not answer.may
    assert any("is there already" in r.fact for r in answer.reasons)


def test_release_before_tagging__is_of_another_fish_with_that_tag(tiny: Programme) -> None:
    stock = tiny.tables["stock"].copy()
    stock["tagged_on"] = pd.Timestamp("2024-09-01")
    own = replace(tiny, tables={**tiny.tables, "stock": stock})
    early = after_release(own, stock.head(3), tiny.tables["sites"]["site_id"].iloc[0], "2023-11-11")
    assert len(early.stock_here) == len(stock)


def test_lots__count_by_their_number_and_old_releases_do_not(tiny: Programme) -> None:
    site = str(tiny.tables["residents"]["site_id"].iloc[0])
    counted = tiny.tables["residents"].loc[tiny.tables["residents"]["site_id"] == site, "counted_on"].max()
    moves = tiny.tables["group_moves"]
    rows = []
    for k, on in enumerate((counted, counted + pd.Timedelta(days=1))):
        rows.append({"move_id": f"X{k}", "happened_on": on, "kind": "release", "to_site": site, "number": 30})
    new = pd.DataFrame(rows).reindex(columns=moves.columns)
    text = [c for c in moves if pd.api.types.is_string_dtype(moves[c].dtype)]
    new[text] = new[text].astype(object).fillna("")
    joined = pd.concat([moves, new.astype(moves.dtypes.to_dict())], ignore_index=True)
    later = replace(tiny, tables={**tiny.tables, "group_moves": joined})
    now, then = later.residents_now, tiny.residents_now
    assert now["number"].sum() - then["number"].sum() == 30  # the release on the day of the count was counted
    added = now[(now["method"] == SINCE_RELEASE) & (now["site_id"] == site)]
    assert set(added["family"]) == {""}


def test_season__runs_from_july(tiny: Programme) -> None:
    assert season_start(dt.date(2024, 7, 1)) == dt.date(2024, 7, 1)
    assert season_start(dt.date(2025, 6, 30)) == dt.date(2024, 7, 1)
    site = str(tiny.tables["sites"]["site_id"].iloc[0])
    later = after_release(tiny, tiny.tables["stock"].head(2), site, "2024-10-30")
    base = received_this_season(tiny, DAY)
    assert received_this_season(later, DAY)[site] == base.get(site, 0) + 2
    assert received_this_season(later, dt.date(2024, 10, 29)).get(site, 0) == base.get(site, 0)
    assert received_this_season(later, dt.date(2025, 7, 2)).get(site, 0) == 0


def test_nothing_released_since__changes_nothing(full: Programme) -> None:
    assert len(full.stock_here) == len(full.tables["stock"])
    assert np.array_equal(full.residents_now["number"], full.tables["residents"]["number"])
