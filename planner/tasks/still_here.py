"""Which tagged fish are still at the station and how many live in each water: the records taken forward by releases."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from planner.tasks.programme import Programme

SINCE_RELEASE = "released since the count"
"""Method of the numbers that stand for fish released after the last count."""


def stock_here(programme: Programme) -> pd.DataFrame:
    """Return the rows of the table ``stock`` whose fish live here: not dead, and not released since they were tagged.

    A released fish is found by its tag. The index is that of the table.
    """
    stock, releases = programme.tables["stock"], programme.tables["releases"]
    stock = stock[stock["gone_on"].isna()]
    if stock.empty or releases.empty:
        return stock
    last = releases.groupby("tag")["released_on"].max()
    gone_on = stock["tag"].map(last)
    gone = gone_on.notna() & (stock["tagged_on"].isna() | (gone_on >= stock["tagged_on"]))
    return stock[~gone]


def season_start(day: dt.date) -> dt.date:
    """Return the 1 July on or before a day: releases of one autumn and winter count together (common practice, no source)."""
    return dt.date(day.year if day.month >= 7 else day.year - 1, 7, 1)


def received_this_season(programme: Programme, day: dt.date) -> pd.Series:
    """Return the fish each water received since `season_start` and up to a day, by tag and by number, by site."""
    late = arrivals(programme)
    late = late[(late["on"] >= pd.Timestamp(season_start(day))) & (late["on"] <= pd.Timestamp(day))]
    return late.groupby("site_id")["number"].sum()


def arrivals(programme: Programme) -> pd.DataFrame:
    """Return everything released: ``site_id``, ``family``, ``on``, ``number``; a row for each tag or event of a lot."""
    releases, moves = programme.tables["releases"], programme.tables["group_moves"]
    moves = moves[(moves["kind"] == "release") & (moves["to_site"] != "") & moves["number"].notna()]
    columns = {"released_on": "on", "happened_on": "on", "to_site": "site_id"}
    by_tag = releases[["site_id", "family", "released_on"]].rename(columns=columns).assign(number=1)
    by_number = moves[["to_site", "family", "happened_on", "number"]].rename(columns=columns)
    by_number["number"] = by_number["number"].astype("int64")
    return pd.concat([by_tag, by_number], ignore_index=True)


def residents_now(programme: Programme) -> pd.DataFrame:
    """Return the table ``residents`` with a row for each family released into a water after its last count.

    Fish by tag (table ``releases``) and by number (events ``release`` of lots) count; no death is taken off, so the
    room that is left is not overstated. A water that was never counted gets what was released there after it was
    renovated, or in the year before the programme's day: older releases say little about who lives. The rows added have
    no day of count and the method `SINCE_RELEASE`.
    """
    residents = programme.tables["residents"]
    arrived = arrivals(programme)
    if arrived.empty:
        return residents
    counted = residents.groupby("site_id")["counted_on"].max()
    year_ago = pd.Timestamp(programme.today) - pd.DateOffset(years=1)
    renewed = programme.tables["sites"].set_index("site_id")["renovated_on"]
    days = [counted.to_dict(), renewed.to_dict()]
    first, second = (pd.to_datetime(arrived["site_id"].map(d.get)) for d in days)
    since = first.fillna(second).fillna(year_ago)
    known = set(programme.tables["families"]["family_id"])
    late = arrived[arrived["on"] > since]
    if late.empty:
        return residents
    late = late.assign(family=late["family"].where(late["family"].isin(known), ""))
    added: pd.DataFrame = late.groupby(["site_id", "family"])["number"].sum().reset_index()
    added["counted_on"], added["method"] = pd.NaT, SINCE_RELEASE
    added["number"] = added["number"].astype(residents["number"].dtype)
    return pd.concat([residents, added.reindex(columns=residents.columns)], ignore_index=True)


def added_words(residents: pd.DataFrame) -> str:
    """Return a note on the fish that `residents_now` added, empty when there are none."""
    added = residents[residents["method"] == SINCE_RELEASE]
    if added.empty:
        return ""
    by_site = added.groupby("site_id")["number"].sum()
    listed = ", ".join(f"{s} {int(n)}" for s, n in by_site.items())
    return (
        f"Counted as residents because they were released after the last count, no death taken off: {listed}."
    )
