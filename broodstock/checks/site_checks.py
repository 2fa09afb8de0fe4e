"""Checks of waters and of what is seen in them: surveys, releases, captures, scans, clocks."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd

from broodstock.checks.records import MAX_LISTED, CheckInput, day, file_of, lookup, mapped, report
from broodstock.findings import Findings, Place

_CLOSED = ("isolated-backwater", "refuge", "grow-out")
_HOUR = pd.Timedelta(hours=1)
_DRY_BEFORE, _DRY_AFTER = 14, 28
"""Days before and after a renovation in which a water holds no fish. Common practice, no source."""


def check_predator_surveys(records: CheckInput, findings: Findings) -> None:
    """Check that sites that may receive fish have a known predator status from a survey that is still valid."""
    sites = records.tables["sites"]
    open_now = sites["open_for_release"].fillna(False).astype(bool)
    report(
        findings,
        "predators-unknown",
        sites,
        open_now & sites["predators"].eq("unknown"),
        "predators",
        lambda r: f"'unknown' at '{r['site_id']}'",
        "none or present",
        "Survey the site before fish go there; until then it counts as having predators.",
    )
    longest = records.limits.survey_valid_days
    age = (records.release_day() - sites["surveyed_on"]).dt.days
    report(
        findings,
        "survey-stale",
        sites,
        open_now & sites["predators"].eq("none") & (age.isna() | (age > longest)),
        "surveyed_on",
        lambda r: (
            "no survey"
            if pd.isna(r["surveyed_on"])
            else f"{day(r['surveyed_on'])}, {_age(r, records)} days old"
        ),
        f"a survey at most {longest} days before the release",
        "Survey the site again; until then its predators count as unknown.",
    )


def _age(row: pd.Series, records: CheckInput) -> int:
    return int((records.release_day() - row["surveyed_on"]).days)


def check_site_capacity(records: CheckInput, findings: Findings) -> None:
    """Check that no site holds more residents than its capacity."""
    sites, residents = records.tables["sites"], records.tables["residents"]
    total: dict[str, Any] = {}
    for site, number in zip(residents["site_id"], residents["number"].fillna(0), strict=True):
        total[site] = total.get(site, 0) + int(number)
    present = mapped(sites["site_id"], total, "float64").fillna(0)
    report(
        findings,
        "site-over-capacity",
        sites,
        (present > sites["capacity_fish"].astype("float64")).fillna(False).astype(bool),
        "capacity_fish",
        lambda r: f"{int(total[r['site_id']])} residents at '{r['site_id']}'",
        lambda r: f"at most {r['capacity_fish']}",
        "Correct the counts or the capacity; no fish should go there.",
    )


def check_releases_into_water(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is released or captured in a water that was dry or just renovated."""
    sites = records.tables["sites"]
    renovated = lookup(sites, "site_id", "renovated_on")
    depth = lookup(sites, "site_id", "max_depth_m")
    for name, column in (("releases", "released_on"), ("captures", "captured_on")):
        frame = records.tables[name]
        dry = mapped(frame["site_id"], depth, "float64").eq(0)
        when = mapped(frame["site_id"], renovated, "datetime64[ns]")
        lag = (frame[column] - when).dt.days
        just = (
            (lag >= -_DRY_BEFORE) & (lag <= _DRY_AFTER)
            if name == "releases"
            else (lag >= 0) & (lag <= _DRY_AFTER)
        )
        report(
            findings,
            "site-without-water",
            frame,
            dry | just,
            "site_id",
            lambda r, c=column: (
                f"'{r['site_id']}' on {day(r[c])}; "  # type: ignore[misc]
                + (
                    f"renovated on {day(renovated.get(r['site_id']))}"
                    if depth.get(r["site_id"]) != 0
                    else "depth 0 m"
                )
            ),
            "a site that holds water and fish on that day",
            "Correct the site or the day.",
        )


def check_duplicate_events(records: CheckInput, findings: Findings) -> None:
    """Check that one release and one capture of a fish on a day is one row."""
    releases, captures = records.tables["releases"], records.tables["captures"]
    _duplicates(releases, ["tag", "released_on"], "tag", "release-duplicate", findings)
    _duplicates(captures, ["tag", "captured_on", "site_id"], "tag", "capture-duplicate", findings)


def _duplicates(frame: pd.DataFrame, key: list[str], column: str, code: str, findings: Findings) -> None:
    rows = frame[frame["tag"].ne("") & frame[key[1]].notna()]
    again = rows.duplicated(key)
    repeated = rows[rows.duplicated(key, keep=False) & ~again]
    where = {
        tuple(k): int(i)
        for i, k in zip(repeated.index, repeated[key].itertuples(index=False, name=None), strict=True)
    }
    compare = [c for c in frame.columns if c not in (*key, "capture_id", "event", "note")]
    listed = rows[again]

    def found(row: pd.Series) -> str:
        before = frame.loc[where[tuple(row[k] for k in key)]]
        differ = [c for c in compare if not _same(row[c], before[c])]
        words = f"; they differ in {', '.join(differ[:4])}" if differ else "; they agree"
        return f"tag '{row['tag']}' a second time on {day(row[key[1]])}{words}"

    report(
        findings,
        code,
        listed,
        np.ones(len(listed), dtype=bool),
        column,
        found,
        "one row for one fish on one day",
        "Keep the row that is right; where two crews wrote one fish, keep both facts in one row.",
        others=lambda r: [Place(file_of(frame), where[tuple(r[k] for k in key)])],
    )


def _same(a: Any, b: Any) -> bool:
    return bool((pd.isna(a) and pd.isna(b)) or (not pd.isna(a) and not pd.isna(b) and a == b))


def check_far_captures(records: CheckInput, findings: Findings) -> None:
    """Check that a fish is not seen at two places farther apart than it can swim in the time."""
    order = _sightings(records)
    if len(order) < 2:
        return
    tag, site = order["tag_number"].to_numpy(), order["site"].to_numpy()
    when, km, closed = order["when"].to_numpy(), order["km"].to_numpy(), order["closed"].to_numpy(dtype=bool)
    hours = (when[1:] - when[:-1]) / np.timedelta64(1, "h")
    # Days without a clock may lie anywhere in their 24 hours.
    whole = order["whole_day"].to_numpy(dtype=bool)
    hours = hours + 24.0 * (whole[1:] | whole[:-1])
    apart = np.abs(km[1:] - km[:-1])
    moved = (tag[1:] == tag[:-1]) & (site[1:] != site[:-1])
    with np.errstate(invalid="ignore"):
        far = np.nan_to_num(apart) > np.maximum(records.limits.swim_km_per_hour * hours, 1.0)
        shut = (closed[1:] | closed[:-1]) & (hours <= 24)
    at = np.flatnonzero(moved & (far | shut))
    for i in at[:MAX_LISTED]:
        a, b = order.iloc[int(i)], order.iloc[int(i) + 1]
        distance = "" if np.isnan(apart[i]) else f", {apart[i]:.0f} km apart"
        findings.add(
            "places-far-apart",
            Place(str(b["file"]), int(b["row"]), "site_id"),
            f"tag '{b['tag']}' at '{b['site']}' on {_moment(b)} and at '{a['site']}' on {_moment(a)}{distance}",
            "places that a fish can reach in the time",
            "Check the codes, the sites and the clock of the reader.",
            "warning",
            others=[Place(str(a["file"]), int(a["row"]))],
        )
    if len(at) > MAX_LISTED:
        findings.add(
            "places-far-apart",
            Place(file_of(records.tables["scans"], "scans")),
            f"{len(at) - MAX_LISTED} more of the same kind",
            "none",
            f"Only the first {MAX_LISTED} are listed.",
            "warning",
        )


def _moment(row: pd.Series) -> str:
    return day(row["when"]) if row["whole_day"] else f"{row['when']:%Y-%m-%d %H:%M}"


def _sightings(records: CheckInput) -> pd.DataFrame:
    """Return captures and scans of the tags seen at two places or more, by tag and time."""
    sites, captures, scans = (records.tables[n] for n in ("sites", "captures", "scans"))
    place = lookup(records.tables["deployments"], "deployment_id", "site_id")
    deployment, names = pd.factorize(scans["deployment_id"])
    scan_site = np.array([place.get(n, "") for n in names] + [""], dtype=object)[deployment]
    joined = pd.DataFrame(
        {
            "tag": np.concatenate([scans["tag"].to_numpy(), captures["tag"].to_numpy()]),
            "site": np.concatenate([scan_site, captures["site_id"].to_numpy()]),
            "when": np.concatenate([scans["scanned_at"].to_numpy(), captures["captured_on"].to_numpy()]),
            "row": np.concatenate([scans.index, captures.index]),
            "whole_day": np.repeat([False, True], [len(scans), len(captures)]),
        }
    )
    tag_number, tags = pd.factorize(joined["tag"])
    site_number, site_names = pd.factorize(joined["site"])
    left_out = np.array([t == "" or t in records.marker_tags for t in tags] + [True], dtype=bool)
    nowhere = np.array([s == "" for s in site_names] + [True], dtype=bool)
    use = ~left_out[tag_number] & ~nowhere[site_number] & joined["when"].notna().to_numpy()
    places = (
        pd.DataFrame({"tag": tag_number[use], "site": site_number[use]})
        .groupby("tag")["site"]
        .agg(["min", "max"])
    )
    two = set(places.index[places["min"] != places["max"]])
    use &= np.array([i in two for i in range(len(tags))] + [False], dtype=bool)[tag_number]
    out = joined[use].copy()
    out["tag_number"] = tag_number[use]
    km, kind = lookup(sites, "site_id", "river_km"), lookup(sites, "site_id", "kind")
    distance = np.array([km.get(s, np.nan) for s in site_names] + [np.nan], dtype=np.float64)
    shut = np.array([kind.get(s) in _CLOSED for s in site_names] + [False], dtype=bool)
    out["km"], out["closed"] = distance[site_number[use]], shut[site_number[use]]
    out["file"] = np.where(out["whole_day"], file_of(captures, "captures"), file_of(scans, "scans"))
    return out.iloc[np.lexsort((out["when"].to_numpy(), out["tag_number"].to_numpy()))]


def check_reader_clocks(records: CheckInput, findings: Findings) -> None:
    """Check that scans lie within the span of their deployment, and its clock keeps the time of the others."""
    scans, deployments = records.tables["scans"], records.tables["deployments"]
    spans = (
        scans.groupby("deployment_id", sort=False)["scanned_at"].agg(["min", "max"]) if len(scans) else None
    )
    for i in range(len(deployments)):
        row = deployments.iloc[i]
        where = Place(file_of(deployments, "deployments"), int(deployments.index[i]), "from_time")
        length = (row["to_time"] - row["from_time"]) / _HOUR
        if not pd.isna(row["scan_hours"]) and not pd.isna(length) and row["scan_hours"] > length + 0.5:
            findings.add(
                "scan-hours-too-many",
                Place(where.file, where.row, "scan_hours"),
                f"{row['scan_hours']:g} h in a deployment of {length:.1f} h",
                "no more hours than the deployment lasted",
                "Correct the hours or the times.",
                "warning",
            )
        if spans is None or row["deployment_id"] not in spans.index:
            continue
        early = row["from_time"] - spans.loc[row["deployment_id"], "min"]
        late = spans.loc[row["deployment_id"], "max"] - row["to_time"]
        worst = max((x for x in (early, late) if not pd.isna(x)), default=pd.Timedelta(0))
        if worst > pd.Timedelta(minutes=1):
            findings.add(
                "clock-outside-deployment",
                where,
                f"scans of '{row['deployment_id']}' up to {_span(worst)} {'before its start' if early >= late else 'after its end'}",
                "scans between start and end",
                ("The clock may stand an hour off (daylight saving). " if worst <= 1.2 * _HOUR else "")
                + "Check the clock of the reader and the times of the deployment.",
                "warning",
            )
    _odd_offsets(deployments, findings)


def _span(length: pd.Timedelta) -> str:
    hours = length / _HOUR
    return (
        f"{hours * 60:.0f} min" if hours < 2 else f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
    )


def _odd_offsets(deployments: pd.DataFrame, findings: Findings) -> None:
    """Report clocks that stand apart from all others that listened at the same time."""
    begins, ends = deployments["from_time"].to_numpy(), deployments["to_time"].to_numpy()
    offset = deployments["utc_offset_h"].to_numpy(dtype=np.float64, na_value=np.nan)
    known = ~np.isnan(offset)
    name = deployments["deployment_id"].to_numpy()
    for i in np.flatnonzero(known):
        together = offset[(begins < ends[i]) & (ends > begins[i]) & known & (name != name[i])]
        if len(together) < 2 or (together != together[0]).any() or together[0] == offset[i]:
            continue
        findings.add(
            "clock-offset-odd",
            Place(file_of(deployments, "deployments"), int(deployments.index[i]), "utc_offset_h"),
            f"{offset[i]:+g} h at '{name[i]}'",
            f"{together[0]:+g} h, as at the {len(together)} other readers of that time",
            "Check whether the clock kept summer time.",
            "warning",
        )


def check_ghost_tags(records: CheckInput, findings: Findings) -> None:
    """Check that no tag is read at one place alone for years and never caught: it may lie in the mud."""
    limits = records.limits
    scans, captures, deployments = (records.tables[n] for n in ("scans", "captures", "deployments"))
    kind = lookup(records.tables["sites"], "site_id", "kind")
    place = lookup(deployments, "deployment_id", "site_id")
    rows = scans[scans["tag"].isin(records.known_tags - records.marker_tags)]
    if rows.empty:
        return
    at, names = pd.factorize(rows["deployment_id"])
    site = np.array([place.get(n, "") for n in names], dtype=object)[at]
    days = rows["scanned_at"].dt.floor("D")
    table = pd.DataFrame(
        {"tag": rows["tag"].to_numpy(), "site": site, "day": days.to_numpy(), "row": rows.index}
    )
    table = table.drop_duplicates(["tag", "site", "day"])
    by_tag = table.groupby("tag", sort=False).agg(
        sites=("site", "nunique"),
        days=("day", "nunique"),
        first=("day", "min"),
        last=("day", "max"),
        row=("row", "min"),
        site=("site", "first"),
    )
    caught = captures.groupby("tag")["captured_on"].max().to_dict() if len(captures) else {}
    still = by_tag[
        (by_tag["sites"] == 1)
        & (by_tag["days"] >= limits.ghost_contact_days)
        & ((by_tag["last"] - by_tag["first"]).dt.days >= limits.ghost_days)
    ]
    for tag, row in itertools.islice(still.iterrows(), MAX_LISTED):
        seen = caught.get(tag)
        if kind.get(row["site"]) in _CLOSED or (seen is not None and seen > row["first"]):
            continue
        findings.add(
            "tag-ghost-suspected",
            Place(file_of(scans, "scans"), int(row["row"]), "tag"),
            f"'{tag}' on {row['days']} days at '{row['site']}' only, {day(row['first'])} to {day(row['last'])}",
            "a living fish, which moves or is caught now and then",
            "The tag may be shed or its fish dead: leave it out of survival, or look for it at the reader.",
            "note",
        )
