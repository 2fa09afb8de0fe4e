"""Checks of PIT tags: one tag in two fish, tags never bought, tags nobody knows, marker tags."""

from __future__ import annotations

import itertools
from collections import Counter
from typing import Any

import numpy as np
import pandas as pd

from broodstock.checks.records import MAX_LISTED, CheckInput, day, dicts, file_of, report
from broodstock.findings import Findings, Place
from broodstock.tags.codes import is_iso
from broodstock.tags.near import near_matches, suggestion

_FAR = pd.Timestamp("2262-01-01")
_EARLY = pd.Timestamp("1678-01-01")


def check_one_fish_per_tag(records: CheckInput, findings: Findings) -> None:
    """Check that one tag is in at most one living fish at any time."""
    holders = _holders(records)
    counts = holders.groupby("tag")["holder"].transform("nunique")
    for tag, rows in holders[counts > 1].groupby("tag", sort=False):
        clash = _first_overlap(rows)
        if clash is None:
            continue
        a, b = clash
        alive = bool(a["alive"] and b["alive"])
        findings.add(
            "tag-two-fish",
            Place(b["file"], b["row"], b["column"]),
            f"tag '{tag}' in {b['holder']} and in {a['holder']}"
            + ("" if alive else " at the same time, though not in two living fish now"),
            "one tag in one fish at a time",
            "Scan both fish. Correct the code that was misread, or close the dates of the old tag.",
            "error" if alive else "warning",
            others=[Place(a["file"], a["row"], a["column"])],
        )


def _holders(records: CheckInput) -> pd.DataFrame:
    """Return every claim that a tag is in a fish, with its span of days."""
    fish, stock, marks = (records.tables[n] for n in ("fish", "stock", "identifiers"))
    gone = fish["status"].isin(["dead", "lost"])
    parts = [
        pd.DataFrame(
            {
                "tag": fish["tag"],
                "holder": "fish '" + fish["fish_id"].astype(str) + "'",
                "start": _EARLY,
                "end": fish["status_on"].where(gone).fillna(_FAR),
                "alive": ~fish["status"].isin(["dead", "lost", "unknown"]),
                "row": fish.index,
                "file": file_of(fish, "fish"),
                "column": "tag",
            }
        )
    ]
    status = dict(zip(fish["fish_id"], fish["status"], strict=True))
    in_fish = dict(zip(fish["fish_id"], fish["tag"], strict=True))
    new = np.array(
        [in_fish.get(f) != c for f, c in zip(marks["fish_id"], marks["code"], strict=True)], dtype=bool
    )
    dated = marks[marks["kind"].isin(["pit-iso", "pit-legacy"]) & (new | marks["to_date"].notna())]
    parts.append(
        pd.DataFrame(
            {
                "tag": dated["code"],
                "holder": "fish '" + dated["fish_id"].astype(str) + "'",
                "start": dated["from_date"].fillna(_EARLY),
                "end": dated["to_date"].fillna(_FAR),
                "alive": dated["to_date"].isna().to_numpy()
                & np.array(
                    [status.get(f) not in ("dead", "lost", "unknown", None) for f in dated["fish_id"]],
                    dtype=bool,
                ),
                "row": dated.index,
                "file": file_of(marks, "identifiers"),
                "column": "code",
            }
        )
    )
    same = _same_animal(records)
    other = stock[~stock["tag"].isin(same)]
    parts.append(
        pd.DataFrame(
            {
                "tag": other["tag"],
                "holder": "stock fish '" + other["stock_id"].astype(str) + "'",
                "start": other["tagged_on"].fillna(_EARLY),
                "end": _FAR,
                "alive": True,
                "row": other.index,
                "file": file_of(stock, "stock"),
                "column": "tag",
            }
        )
    )
    out = pd.concat([p for p in parts if len(p)], ignore_index=True) if any(map(len, parts)) else parts[0]
    return out[out["tag"].ne("")]


def _same_animal(records: CheckInput) -> set[str]:
    """Tags whose row in ``stock`` and row in ``fish`` may be one animal: family and year class agree."""
    fish, stock = records.tables["fish"], records.tables["stock"]
    both = stock[["tag", "family", "year_class"]].merge(
        fish.loc[fish["status"].isin(["to-release", "hold", "brood"]), ["tag", "family", "year_class"]],
        on="tag",
        suffixes=("", "_fish"),
    )
    both = both[both["tag"].ne("")]
    agree = ((both["family"] == both["family_fish"]) | both["family_fish"].eq("")) & (
        (both["year_class"] == both["year_class_fish"]) | both["year_class_fish"].isna()
    ).fillna(True)
    return set(both.loc[agree.astype(bool), "tag"])


def _first_overlap(rows: pd.DataFrame) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Return two claims of different fish whose spans overlap, None when there are none."""
    for a, b in itertools.combinations(rows.to_dict("records"), 2):
        if a["holder"] != b["holder"] and a["start"] < b["end"] and b["start"] < a["end"]:
            return {str(k): v for k, v in a.items()}, {str(k): v for k, v in b.items()}
    return None


def check_tags_bought(records: CheckInput, findings: Findings) -> None:
    """Check that every tag put into a fish comes from a range that was bought."""
    ranges = records.ranges
    if not len(ranges):
        return
    iso_bought = any(len(f) == 15 for f in ranges.first)
    legacy_bought = any(len(f) == 10 for f in ranges.first)
    listed = 0
    seen: set[str] = set()
    for name, column in (
        ("stock", "tag"),
        ("releases", "tag"),
        ("captures", "new_tag"),
        ("fish", "tag"),
        ("identifiers", "code"),
    ):
        frame = records.tables[name]
        if name == "identifiers":
            frame = frame[frame["kind"].isin(["pit-iso", "pit-legacy"])]
        for i, code in enumerate(frame[column]):
            if not code or code in seen or not (iso_bought if is_iso(code) else legacy_bought):
                continue
            seen.add(code)
            at = ranges.position(code)
            if at >= 0 and ranges.purposes[at] != "marker":
                continue
            where = Place(file_of(records.tables[name], name), int(frame.index[i]), column)
            if at >= 0:
                findings.add(
                    "tag-marker",
                    where,
                    f"'{code}', a marker tag of box '{ranges.labels[at]}'",
                    "a tag that was bought for fish",
                    "Scan the fish again; a marker tag lies at a reader.",
                    "warning",
                )
            else:
                listed += 1
                if listed <= MAX_LISTED:
                    words = suggestion(near_matches(code, records.known_tags - {code}, ranges))
                    findings.add(
                        "tag-not-bought",
                        where,
                        f"'{code}'",
                        "a tag of a range in tags_bought.csv",
                        f"{words + ' ' if words else ''}Scan the fish, or add the range.",
                        "warning",
                    )
    if listed > MAX_LISTED:
        findings.add(
            "tag-not-bought",
            Place(file_of(records.tables["tags_bought"], "tags_bought")),
            f"{listed - MAX_LISTED} more tags outside the bought ranges",
            "none",
            "Add the ranges that are missing.",
            "warning",
        )


def check_tag_ranges(records: CheckInput, findings: Findings) -> None:
    """Check that ranges of bought tags run upwards and do not overlap."""
    frame = records.tables["tags_bought"]
    first, last = frame["first_code"], frame["last_code"]
    wrong = first.ne("") & last.ne("") & ((first > last) | (first.str.len() != last.str.len()))
    report(
        findings,
        "tag-range-reversed",
        frame,
        wrong,
        "last_code",
        lambda r: f"'{r['first_code']}' to '{r['last_code']}'",
        "a first code that is not above the last, both of one kind",
        "Correct the range; until then its tags count as not bought.",
    )
    good = dicts(frame[~wrong & first.ne("")].sort_values("first_code", kind="stable"))
    for before, after in itertools.pairwise(good):
        if (
            len(before["first_code"]) == len(after["first_code"])
            and after["first_code"] <= before["last_code"]
        ):
            findings.add(
                "tag-ranges-overlap",
                Place(file_of(frame, "tags_bought"), after["row"], "first_code"),
                f"'{after['first_code']}', already in box '{before['box']}'",
                "each tag in one box",
                "Correct the range that is wrong.",
                "warning",
                others=[Place(file_of(frame, "tags_bought"), before["row"])],
            )


def check_unknown_tags(records: CheckInput, findings: Findings) -> None:
    """Check that tags read in captures and scans belong to a known fish."""
    known = records.known_tags
    captures, scans = records.tables["captures"], records.tables["scans"]
    report(
        findings,
        "tag-unknown",
        captures,
        captures["tag"].ne("") & ~captures["tag"].isin(known | records.marker_tags),
        "tag",
        lambda r: f"'{r['tag']}'",
        "a tag of the records",
        lambda r: _who(r["tag"], records),
    )
    counts = scans["tag"].value_counts(sort=False)
    first = scans.reset_index().drop_duplicates("tag").set_index("tag")["row"]
    unknown = [t for t in counts.index if t and t not in known and t not in records.marker_tags]
    places = _sites_of(records, unknown)
    listed = 0
    for tag in unknown:
        where = Place(file_of(scans, "scans"), int(first[tag]), "tag")
        n, (site, at_site) = int(counts[tag]), places.get(tag, ("", 0))
        if n >= records.limits.marker_contacts and at_site >= 0.95 * n:
            findings.add(
                "tag-marker-suspected",
                where,
                f"'{tag}', {n} contacts, {at_site} of them at site '{site}'",
                "a tag of a known fish",
                "It is perhaps a marker tag at the reader: add it to tags_bought.csv with purpose marker.",
                "warning",
            )
            continue
        listed += 1
        if listed > MAX_LISTED:
            continue
        words = suggestion(near_matches(tag, known, records.ranges))
        findings.add(
            "tag-unknown",
            where,
            f"'{tag}', {n} contact(s)",
            "a tag of the records",
            f"{words + ' ' if words else ''}Ask those who tag in the same water, or add the fish.",
            "warning" if words else "note",
        )
    if listed > MAX_LISTED:
        findings.add(
            "tag-unknown",
            Place(file_of(scans, "scans"), None, "tag"),
            f"{listed - MAX_LISTED} more unknown tags",
            "none",
            f"Only the first {MAX_LISTED} are listed.",
            "note",
        )


def _who(tag: str, records: CheckInput) -> str:
    words = suggestion(near_matches(tag, records.known_tags, records.ranges))
    return f"{words + ' ' if words else ''}Check the code against the reader's list, or add the fish."


def _sites_of(records: CheckInput, tags: list[str]) -> dict[str, tuple[str, int]]:
    """Return for each tag the site with most contacts and their number."""
    scans, deployments = records.tables["scans"], records.tables["deployments"]
    rows = scans[scans["tag"].isin(tags)]
    site = dict(zip(deployments["deployment_id"], deployments["site_id"], strict=True))
    names = pd.Series([site.get(d, d) for d in rows["deployment_id"]], index=rows.index, dtype=object)
    counts = Counter(zip(rows["tag"], names, strict=True))
    out: dict[str, tuple[str, int]] = {}
    for (tag, place), n in counts.most_common():
        out.setdefault(tag, (place, n))
    return out


def check_marker_tags(records: CheckInput, findings: Findings) -> None:
    """Check that contacts of marker tags are not counted as fish."""
    scans, captures = records.tables["scans"], records.tables["captures"]
    for tag in sorted(records.marker_tags):
        rows = scans.index[scans["tag"] == tag]
        caught = captures.index[captures["tag"] == tag]
        frame, name, where = (scans, "scans", rows) if len(rows) else (captures, "captures", caught)
        findings.add(
            "tag-marker",
            Place(file_of(frame, name), int(where[0]), "tag"),
            f"marker tag '{tag}', {len(rows) + len(caught)} contact(s)",
            "tags of fish",
            "Its contacts are left out of every count of fish; nothing needs doing.",
            "warning" if len(caught) else "note",
        )


def check_tag_before_fish(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is captured, scanned or released before its tag was put in."""
    first = records.tag_dates["first"].to_dict()
    captures = records.tables["captures"]
    start = pd.Series(
        [first.get(t, pd.NaT) for t in captures["tag"]], index=captures.index, dtype="datetime64[ns]"
    )
    report(
        findings,
        "capture-before-tagging",
        captures,
        captures["captured_on"] < start,
        "captured_on",
        lambda r: f"{day(r['captured_on'])}, tag '{r['tag']}'",
        lambda r: f"a day not before {day(first[r['tag']])}, when the tag was first in a fish",
        "Correct the day of capture, the day of tagging or the code.",
        others=lambda r: [_first_place(records, r["tag"])],
    )
    scans = records.tables["scans"]
    earliest = scans.groupby("tag", sort=False)["scanned_at"].min()
    rows = scans.reset_index().drop_duplicates("tag").set_index("tag")["row"]
    early = [str(t) for t, when in earliest.items() if t in first and when < first[t]]
    for tag in early[:MAX_LISTED]:
        findings.add(
            "scan-before-tagging",
            Place(file_of(scans, "scans"), int(rows[tag]), "scanned_at"),
            f"tag '{tag}' first scanned on {day(earliest[tag])}",
            f"a day not before {day(first[tag])}, when the tag was first in a fish",
            "Check the clock of the reader and the day of tagging.",
            "warning",
            others=[_first_place(records, tag)],
        )
    _release_before_tagging(records, findings)


def _first_place(records: CheckInput, tag: str) -> Place:
    at = records.tag_dates.index.get_loc(tag)
    return Place(str(records.tag_dates["file"].to_numpy()[at]), int(records.tag_dates["row"].to_numpy()[at]))


def _release_before_tagging(records: CheckInput, findings: Findings) -> None:
    marks, stock, releases = (records.tables[n] for n in ("identifiers", "stock", "releases"))
    put_in: dict[str, pd.Timestamp] = {}
    for tags, days in ((stock["tag"], stock["tagged_on"]), (marks["code"], marks["from_date"])):
        for tag, when in zip(tags, days, strict=True):
            if tag and not pd.isna(when) and (tag not in put_in or when < put_in[tag]):
                put_in[tag] = when
    start = pd.Series(
        [put_in.get(t, pd.NaT) for t in releases["tag"]], index=releases.index, dtype="datetime64[ns]"
    )
    report(
        findings,
        "release-before-tagging",
        releases,
        releases["released_on"] < start,
        "released_on",
        lambda r: f"{day(r['released_on'])}, tag '{r['tag']}'",
        lambda r: f"a day not before its tagging on {day(put_in[r['tag']])}",
        "Correct the day of release, the day of tagging or the code.",
    )
