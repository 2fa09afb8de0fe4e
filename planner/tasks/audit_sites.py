"""The audit's waters: which families live at each site, and how evenly."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from broodstock.diversity.spread import Spread, spread_of_sample
from broodstock.estimates import Estimate
from planner.reports.audit_report import AuditFigure, AuditSection, table_block
from planner.reports.audit_share_figures import share_bars
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import ESTIMATE_COLUMNS, AuditPart, AuditTable, flat, not_made, reasons_of
from planner.tasks.programme import Programme

MOST_FAMILIES = 3
TITLE = "Families at the waters"
BACKWATERS = ("isolated-backwater", "connected-backwater", "refuge")
"""Waters for which the limit on the share of one family holds."""


def sites_part(programme: Programme, year_class: int) -> AuditPart:
    """Report the families of every site: residents, and the releases of the last year.

    Parameters
    ----------
    programme : Programme
        Open records.
    year_class : int
        Year class audited; releases since the year before it are listed.
    """
    frames = {
        "residents": programme.tables["residents"][["site_id", "family", "number"]],
        "released": _released(programme, year_class),
    }
    frames = {k: f for k, f in frames.items() if len(f)}
    if not frames:
        return not_made("sites", TITLE, "no residents and no releases are recorded")
    names = dict(zip(programme.tables["sites"]["site_id"], programme.tables["sites"]["name"], strict=True))
    cap = float(programme.settings["family_share_cap"])
    blocks: list[TableBlock | AuditFigure] = []
    records: list[dict[str, Any]] = []
    alarms: list[tuple[float, str]] = []
    missing: list[tuple[str, Estimate]] = []
    words = {"residents": "Residents", "released": f"Fish released since {year_class - 1}"}
    for kind, frame in frames.items():
        rows, shares = [], []
        for site, part in frame.groupby("site_id", sort=True):
            one = _site(programme, str(site), names.get(str(site), str(site)), part)
            records.append({"what": kind, **one.record})
            rows.append(one.cells)
            none = Estimate.not_estimable("no fish there is of a known family")
            what = f"{words[kind]}, effective families of {one.name}"
            missing.append((what, one.effective if one.record["families"] else none))
            shares += one.shares
            if kind == "residents" and one.largest_share > cap and one.backwater:
                words_of = (
                    f"{one.name}: one family, {one.largest}, makes {one.largest_share:.1%} of the fish of known family "
                    f"(limit {cap:.0%}). Send other families there."
                )
                alarms.append((one.largest_share, words_of))
        blocks.append(_block(f"{words[kind]} by site", rows))
        if shares:
            blocks.append(
                AuditFigure(
                    f"families_{kind}",
                    f"{words[kind]}: shares of the largest families",
                    share_bars(pd.DataFrame(shares), "share of the fish of known family"),
                    "Shares of the largest families of each site, among fish of known family.",
                )
            )
    reasons = reasons_of(missing)
    lines = (
        "Effective families is the number of equally large families that would be as diverse. Groups of wild larvae count as "
        "one family each, although they hold several. Counts of residents rest on the census of the site, not on DNA; shares of families are counts, without sampling error.",
        *reasons,
    )
    table = pd.DataFrame(records)
    columns = {
        "what": "Residents, or released.",
        "site_id": "Site.",
        "fish": "Fish.",
        "unknown_family": "Fish of unknown family.",
        "families": "Families.",
        "largest_family": "Largest family.",
        "largest_share": "Its share among fish of known family.",
    } | ESTIMATE_COLUMNS
    data = {
        "sites": table.astype(object).where(table.notna(), None).to_dict("records"),
        "family_share_cap": cap,
    }
    return AuditPart(
        "sites",
        AuditSection(TITLE, lines, tuple(blocks)),
        (AuditTable("families_by_site", "The families of one site.", table, columns),),
        data,
        tuple(text for _, text in sorted(alarms, key=lambda a: -a[0])),
        (
            "Families at sites: effective number 1 / unbiased chance that two fish are of one family (Simpson 1949).",
        ),
    )


def _released(programme: Programme, year_class: int) -> pd.DataFrame:
    releases = programme.tables["releases"]
    on = pd.to_datetime(releases["released_on"], errors="coerce")
    recent = releases[(on >= pd.Timestamp(year_class - 1, 1, 1)) & (on < pd.Timestamp(year_class + 2, 1, 1))]
    counts = recent.groupby(["site_id", "family"]).size()
    return counts.rename("number").reset_index()


class _Site:
    """Families of one site, counted."""

    def __init__(self, site: str, name: str, backwater: bool, part: pd.DataFrame, spread: Spread) -> None:
        known = part[part["family"] != ""].groupby("family")["number"].sum().astype(int)
        known = known[known > 0].sort_values(ascending=False, kind="stable")
        total, n = int(part["number"].sum()), int(known.sum())
        self.name, self.backwater, self.effective = name, backwater, spread.effective
        self.largest = str(known.index[0]) if len(known) else ""
        self.largest_share = float(known.iloc[0] / n) if n else 0.0
        self.record = {
            "site_id": site,
            "fish": total,
            "unknown_family": total - n,
            "families": len(known),
            "largest_family": self.largest,
            "largest_share": self.largest_share if n else None,
            **flat(spread.effective),
        }
        self.cells = (
            name,
            str(total),
            str(total - n),
            str(len(known)),
            spread.effective.text(1) if spread.effective.estimable else "not estimable",
            f"{self.largest}, {self.largest_share:.0%}" if n else "",
        )
        top = [(f"{k + 1}. family", float(x) / n, k) for k, x in enumerate(known.iloc[:MOST_FAMILIES])]
        rest = 1.0 - sum(x for _, x, _ in top)
        self.shares = [
            {"row": name, "part": part_name, "share": share, "rank": rank}
            for part_name, share, rank in [*top, ("all other families", rest, MOST_FAMILIES)]
            if n and share > 1e-12
        ]


def _site(programme: Programme, site: str, name: str, part: pd.DataFrame) -> _Site:
    settings = programme.settings
    known = part[part["family"] != ""].groupby("family")["number"].sum().astype(int)
    spread = spread_of_sample(
        known.to_numpy(),
        n_replicates=settings["bootstrap_replicates"],
        level=settings["confidence"],
        seed=int(settings["seed"]),
    )
    kinds = dict(zip(programme.tables["sites"]["site_id"], programme.tables["sites"]["kind"], strict=True))
    return _Site(site, name, kinds.get(site, "") in BACKWATERS, part, spread)


def _block(title: str, rows: Sequence[tuple[str, ...]]) -> TableBlock:
    right = "right"
    return table_block(
        title,
        [
            ("Site", 1.8),
            ("Fish", 0.6, right),
            ("Of unknown family", 0.9, right),
            ("Families", 0.7, right),
            ("Effective families", 1.5, right),
            ("Largest family and its share", 1.7, right),
        ],
        rows,
    )
