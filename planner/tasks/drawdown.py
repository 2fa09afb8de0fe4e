"""Drawdown of a backwater: the expected list to tick off, what was found, and every version of the count.

Two counts of one drawdown seldom agree. Both stay on record; the differences are shown, none is called right.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.provenance import Provenance
from planner.reports.html import sheet_html
from planner.reports.monitoring_sheets import drawdown_sheet
from planner.reports.pdf import sheet_pdf
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

COUNTS = ("expected", "alive", "dead", "without_tag", "retagged", "young", "intruders")


@dataclass(frozen=True)
class Drawdown:
    """Tick-off of one water.

    Parameters
    ----------
    site_id, name : str
        Water.
    drawdown_id : str
        Drawdown shown; empty before any fish was handled.
    expected : DataFrame
        Tags that may be there: ``tag``, ``family``, ``year_class``, ``released_on``, ``length_mm``, ``last_met``,
        ``confidence`` (``met here``, ``released here``), ``found``.
    lists : dict of str to list of dict
        ``retagged``, ``without_tag``, ``young``, ``intruders``, ``strangers`` (tags not expected), ``dead``.
    tally : dict of str to int
        Counted from the fish ticked off.
    versions : DataFrame
        Every version of the count, one row each.
    differences : tuple of str
        In words.
    provenance : Provenance
        Of the sheet.
    """

    site_id: str
    name: str
    drawdown_id: str
    expected: pd.DataFrame
    lists: dict[str, list[dict[str, Any]]]
    tally: dict[str, int]
    versions: pd.DataFrame
    differences: tuple[str, ...]
    provenance: Provenance

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return figures as label and value."""
        seen = int(self.expected["found"].sum())
        return (
            ("Water", f"{self.name} ({self.site_id})"),
            ("Drawdown", self.drawdown_id or "none on record yet"),
            ("Tags expected", f"{len(self.expected)}, of them {int((self.expected['confidence'] == 'met here').sum())} met "
             "here since"),
            ("Ticked off", f"{seen} of the expected tags"),
            ("Also found", ", ".join(f"{len(v)} {k.replace('_', ' ')}" for k, v in self.lists.items() if v) or "nothing"),
        )  # fmt: skip

    def versions_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per number, one column per version."""
        names = list(self.versions["version"])
        head = ["number", *names, "ticked off"]
        lines = []
        for c in COUNTS:
            cells = ["" if pd.isna(v) else str(int(v)) for v in self.versions[c]]
            lines.append(
                [c.replace("_", " "), *cells, str(self.tally.get(c, "")) if self.drawdown_id else ""]
            )
        return head, lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        expected = self.expected.astype(object).where(self.expected.notna(), None)
        versions = self.versions[["version", *COUNTS]].astype(object)
        return {
            "site_id": self.site_id,
            "drawdown_id": self.drawdown_id,
            "expected": [_plain(r) for r in expected.to_dict("records")],
            "lists": self.lists,
            "tally": self.tally,
            "versions": [_plain(r) for r in versions.where(versions.notna(), None).to_dict("records")],
            "differences": list(self.differences),
        }


def _plain(row: dict[Any, Any]) -> dict[str, Any]:
    out = {}
    for k, v in row.items():
        out[str(k)] = (
            v.isoformat()[:10] if isinstance(v, dt.date) else int(v) if hasattr(v, "__index__") else v
        )
    return out


def drawdown_report(programme: Programme, site: str, drawdown: str | None = None) -> Drawdown:
    """Build the expected list and compare it with what was ticked off.

    Parameters
    ----------
    programme : Programme
        Open records, with scans when recent contacts are to count.
    site : str
        Water.
    drawdown : str, optional
        Drawdown; default the latest of the water.

    Returns
    -------
    Drawdown
        Expected are all tags released here or last met here and not met elsewhere or handled since.

    Raises
    ------
    UsageError
        If the water or the drawdown is not on record.
    """
    sites = programme.tables["sites"].set_index("site_id")
    if site not in sites.index:
        raise UsageError(f"SITE: found {site!r}. Expected one of {', '.join(sites.index)}.")
    fish = programme.tables["drawdown_fish"]
    counts = programme.tables["drawdown_counts"]
    ids = [
        *fish.loc[fish["site_id"] == site, "drawdown_id"],
        *counts.loc[counts["site_id"] == site, "drawdown_id"],
    ]
    days = dict(
        sorted(
            (d, t)
            for table, column in ((counts, "counted_on"), (fish, "handled_on"))
            for d, t, s in zip(table["drawdown_id"], table[column], table["site_id"], strict=True)
            if s == site
        )
    )
    if drawdown is not None and drawdown not in ids:
        raise UsageError(
            f"--drawdown: found {drawdown!r}. Expected one of {', '.join(sorted(set(ids))) or 'none on record'}."
        )
    chosen = drawdown or (max(days, key=lambda d: days[d]) if days else "")
    handled = fish[(fish["drawdown_id"] == chosen) & (fish["site_id"] == site)] if chosen else fish.iloc[:0]
    until = pd.Timestamp(days[chosen]) if chosen else pd.Timestamp(programme.today)
    expected = expected_tags(programme, site, until)
    read = set(handled["tag"]) - {""}
    expected["found"] = expected["tag"].isin(read)
    lists = _lists(handled, set(expected["tag"]))
    tally = _tally(handled, lists, len(expected))
    versions = (
        counts[(counts["drawdown_id"] == chosen) & (counts["site_id"] == site)] if chosen else counts.iloc[:0]
    )
    provenance = Provenance(
        "drawdown sheet",
        programme.fingerprint,
        programme.today.isoformat(),
        int(programme.settings["seed"]),
        {"site": site},
    )
    return Drawdown(
        site,
        str(sites.loc[site, "name"]),
        chosen,
        expected,
        lists,
        tally,
        versions,
        _differences(versions, tally, bool(len(handled))),
        provenance,
    )


def expected_tags(programme: Programme, site: str, until: pd.Timestamp) -> pd.DataFrame:
    """Return the tags that may be in a water on a day: released there, or last met there.

    Parameters
    ----------
    programme : Programme
        Open records, with scans when recent contacts are to count.
    site : str
        Water.
    until : Timestamp
        Day; what happened later is left out.

    Returns
    -------
    DataFrame
        ``tag, family, year_class, released_on, length_mm, last_met, confidence`` (``met here``, ``released here``),
        by tag.
    """
    releases = programme.tables["releases"]
    captures, scans = programme.tables["captures"], programme.tables["scans"]
    deployments = programme.tables["deployments"].set_index("deployment_id")["site_id"]
    parts = [
        pd.DataFrame({"tag": releases["tag"], "site": releases["site_id"], "day": releases["released_on"], "how": 0}),
        pd.DataFrame({"tag": captures["tag"], "site": captures["site_id"], "day": captures["captured_on"], "how": 1}),
        pd.DataFrame({"tag": captures["new_tag"], "site": captures["site_id"], "day": captures["captured_on"], "how": 1}),
        pd.DataFrame(
            {"tag": scans["tag"], "site": scans["deployment_id"].map(deployments), "day": scans["scanned_at"].dt.normalize(),
             "how": 1}
        ).drop_duplicates(),
    ]  # fmt: skip
    seen = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    seen = seen[(seen["tag"] != "") & (seen["day"] <= until)].sort_values(["day", "how"], kind="stable")
    last = seen.drop_duplicates("tag", keep="last")
    here = last[last["site"] == site]
    gone = programme.tables["drawdown_fish"]
    gone = gone[(gone["handled_on"] < until) & gone["fate"].isin(["dead", "moved"])]
    here = here[~here["tag"].isin(set(gone["tag"]) | set(gone["new_tag"]))]
    facts = releases.drop_duplicates("tag", keep="last").set_index("tag")
    released = here["tag"].map(facts["released_on"])
    out = pd.DataFrame(
        {
            "tag": here["tag"].to_numpy(),
            "family": here["tag"].map(facts["family"]).fillna("").to_numpy(),
            "year_class": here["tag"].map(facts["year_class"]).to_numpy(),
            "released_on": released.to_numpy(),
            "length_mm": here["tag"].map(facts["total_length_mm"]).to_numpy(),
            "last_met": here["day"].to_numpy(),
            "confidence": ["met here" if h else "released here" for h in here["how"]],
        }
    )
    return out.sort_values("tag", kind="stable").reset_index(drop=True)


def _lists(handled: pd.DataFrame, expected: set[str]) -> dict[str, list[dict[str, Any]]]:
    adults = handled[handled["kind"] == "adult"]
    picks = {
        "strangers": adults[(adults["tag"] != "") & ~adults["tag"].isin(expected)],
        "without_tag": adults[adults["tag"] == ""],
        "retagged": adults[adults["new_tag"] != ""],
        "dead": adults[adults["fate"] == "dead"],
        "young": handled[handled["kind"] == "young"],
        "intruders": handled[handled["kind"] == "intruder"],
    }
    keep = ("number", "tag", "new_tag", "fate", "sex", "total_length_mm", "species", "note")
    return {
        name: [
            _plain({k: (None if pd.isna(v) else v) for k, v in row.items()})
            for row in frame[list(keep)].astype(object).to_dict("records")
        ]
        for name, frame in picks.items()
    }


def _tally(handled: pd.DataFrame, lists: dict[str, list[dict[str, Any]]], expected: int) -> dict[str, int]:
    adults = handled[handled["kind"] == "adult"]
    dead = int((adults["fate"] == "dead").sum())
    return {
        "expected": expected,
        "alive": len(adults) - dead,
        "dead": dead,
        **{name: len(lists[name]) for name in ("without_tag", "retagged", "young", "intruders")},
    }


def _differences(versions: pd.DataFrame, tally: dict[str, int], ticked: bool) -> tuple[str, ...]:
    out = []
    columns = [(str(r.version), r) for r in rows(versions)]
    for name in COUNTS:
        values = {v: int(getattr(r, name)) for v, r in columns if pd.notna(getattr(r, name))}
        if ticked:
            values["ticked off"] = tally[name]
        if len(set(values.values())) > 1:
            said = ", ".join(f"{v} says {n}" for v, n in values.items())
            out.append(f"{name.replace('_', ' ').capitalize()}: {said}. All versions are kept.")
    for v, r in columns:
        if all(pd.notna(getattr(r, n)) for n in ("expected", "alive", "dead")):
            rest = int(r.expected) - int(r.alive) - int(r.dead)
            if rest:
                words = f"{rest} not accounted for" if rest > 0 else f"{-rest} more than expected"
                out.append(f"Version {v}: {r.expected} expected, {r.alive} alive, {r.dead} dead: {words}.")
    return tuple(out)


def expected_words(row: Any) -> tuple[str, str, str, str, str, str]:
    """Return a row of `expected_tags` as printed: tag, family, year class, length, last met, how sure."""
    return (
        str(row.tag),
        str(row.family),
        "" if pd.isna(row.year_class) else str(int(row.year_class)),
        "" if pd.isna(row.length_mm) else f"{row.length_mm:.0f}",
        str(row.last_met)[:10],
        str(row.confidence),
    )


def write_drawdown(programme: Programme, found: Drawdown, folder: Path) -> list[Path]:
    """Write the sheet (HTML and PDF) and the expected list.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    lines = [expected_words(r) for r in rows(found.expected)]
    sheet = drawdown_sheet(
        str(programme.settings["programme_name"]), found.facts(), lines, found.versions_table(), found.differences,
        found.provenance,
    )  # fmt: skip
    out = [folder / "drawdown_sheet.html", folder / "drawdown_sheet.pdf", folder / "expected_tags.csv"]
    write_text(out[0], sheet_html(sheet))
    write_bytes(out[1], sheet_pdf(sheet, programme.today))
    write_text(out[2], found.expected.to_csv(index=False, lineterminator="\n"))
    return out
