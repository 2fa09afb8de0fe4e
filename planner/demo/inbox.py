"""Field files that wait to be accepted: mostly sound rows, some with faults that must stop an import."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.fields import table
from planner.demo.captures import grown_length
from planner.demo.days import NEVER, day, iso
from planner.demo.planted_row import Planted
from planner.demo.records import Demo
from planner.demo.waters import SITE_CODES

Rows = list[dict[str, str]]
_SURVEY = "2024-10-19"


def fill_inbox(demo: Demo) -> tuple[dict[str, Rows], list[Planted]]:
    """Return the rows of the field files as text, and the errors planted in them.

    Parameters
    ----------
    demo : Demo
        Records as planted so far.

    Returns
    -------
    files : dict of str to list of dict
        Cells by column, by table name.
    planted : list of Planted
        Rows spoilt.
    """
    wanted = set(demo.scale.planted)
    captures, in_captures = _captures(demo)
    fish, in_fish = _fish(demo)
    releases, in_releases = _releases(demo)
    crosses, in_crosses = _crosses(demo)
    planted = [p for p in (*in_captures, *in_fish, *in_releases, *in_crosses) if p.number in wanted]
    return {"captures": captures, "fish": fish, "releases": releases, "crosses": crosses}, planted


def inbox_csv(name: str, rows: Rows) -> str:
    """Return a field file as CSV text in register order, cells as typed."""
    names = table(name).names
    lines = [",".join(names)]
    lines += [",".join(_quoted(row.get(c, "")) for c in names) for row in rows]
    return "\n".join(lines) + "\n"


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',"\n') else cell


def _captures(demo: Demo) -> tuple[Rows, list[Planted]]:
    """Write an autumn survey of a backwater: sound rows, and rows with damaged tags and impossible days."""
    released, fish = demo.history.released, demo.history.fish
    site = "LT" if "LT" in demo.scale.sites else "QL"
    seen = set(demo.tables["captures"].loc[demo.tables["captures"]["captured_on"] >= "2024-10-01", "tag"])
    here = (released.life.where[:, -1] == SITE_CODES.index(site)) & (fish.died[released.row] >= NEVER)
    here &= ~demo.tags.legacy & (released.life.lost_tag >= NEVER)
    can = [int(i) for i in np.flatnonzero(here) if demo.tags.released[i] not in seen]
    rng = demo.rngs["planted"]
    chosen = [can[int(k)] for k in np.sort(rng.choice(len(can), size=min(14, len(can)), replace=False))]
    rows: Rows = []
    for i in chosen:
        years = (day(_SURVEY) - int(released.on[i])) / 365.25
        length = float(
            grown_length(
                released.length_mm[i : i + 1], released.life.asymptote_mm[i : i + 1], np.array([years])
            )[0]
        )
        rows.append(
            _capture(
                len(rows),
                _SURVEY,
                site,
                str(demo.tags.released[i]),
                round(length),
                round(1.1 * length**3 / 1e5),
            )
        )
    out: list[Planted] = []

    def spoil(number: int, what: str, column: str, code: str, **cells: str) -> None:
        rows.append(_capture(len(rows), _SURVEY, site, "", 452, 1016) | cells)
        key = rows[-1]["capture_id"]
        out.append(
            Planted(
                number, what, "inbox/captures.csv", len(rows) + 1, column, key, code, "inbox/captures.csv"
            )
        )

    releases = demo.tables["releases"]
    late = releases[releases["released_on"] >= "2023-11-01"]
    one = late.iloc[int(rng.integers(0, len(late)))]
    before = (one["released_on"] - pd.Timedelta(days=183)).date().isoformat()
    good = str(demo.tables["stock"]["tag"].iloc[0])
    spoil(
        3,
        "identification number above 274 877 906 943",
        "tag",
        "tag-number-too-large",
        tag=good[:3] + "274877907812",
    )
    spoil(
        4,
        "hexadecimal tag read as a number by a spreadsheet",
        "tag",
        "tag-damaged-number",
        tag="1.743746E+14",
    )
    spoil(
        7,
        "captured half a year before it was released with its tag",
        "captured_on",
        "capture-before-tagging",
        tag=str(one["tag"]),
        site_id=str(one["site_id"]),
        captured_on=before,
        length_mm="250",
        weight_g="172",
    )
    spoil(8, "31 June", "captured_on", "impossible-date", captured_on="2024-06-31")
    spoil(
        9, "day and month swapped, not in ISO form", "captured_on", "ambiguous-date", captured_on="03/10/2024"
    )
    spoil(9, "day and month swapped", "captured_on", "day-to-come", captured_on="2024-12-03")
    return rows, out


def _capture(k: int, on: str, site: str, tag: str, length: float, weight: float) -> dict[str, str]:
    return {
        "capture_id": f"N-{k + 1:04d}",
        "captured_on": on,
        "site_id": site,
        "tag": tag,
        "sex": "unknown",
        "length_mm": str(int(length)),
        "length_type": "TL",
        "weight_g": str(int(weight)),
        "method": "fyke net",
        "effort_h": "36",
    }


def _fish(demo: Demo) -> tuple[Rows, list[Planted]]:
    """Write a sheet of the inventory: one new fish, and one whose tag another living fish carries."""
    fish = demo.tables["fish"]
    living = fish[fish["status"].eq("brood")]
    owner = living.iloc[int(demo.rngs["planted"].integers(0, len(living)))]
    unused = _unused_tag(demo, 0)
    common = {
        "origin": "unknown",
        "sex": "female",
        "sex_basis": "seen",
        "entered_on": "2024-10-17",
        "status": "hold",
        "status_on": "2024-10-17",
        "unit": "Q-01",
        "total_length_mm": "511",
        "weight_g": "1450",
        "measured_on": "2024-10-17",
    }
    rows = [
        {"fish_id": "Y-02", "tag": unused, **common},
        {"fish_id": "Y-03", "tag": str(owner["tag"]), **common, "sex": "male"},
    ]
    what = f"tag of {owner['fish_id']} entered for a second living fish"
    return rows, [Planted(1, what, "inbox/fish.csv", 3, "tag", "Y-03", "tag-two-fish", "inbox/fish.csv")]


def _releases(demo: Demo) -> tuple[Rows, list[Planted]]:
    """Write a late release form: a fish of today's year class released before it hatched."""
    families = demo.tables["families"]
    of_year = families[families["year_class"].eq(demo.scale.last_year) & families["kind"].eq("cross")]
    earlier = families[families["year_class"].eq(demo.scale.last_year - 1)]
    site = "GW"
    rows: Rows = []
    # Sound row: a fish of the year class before, whose card turned up late.
    rows.append(
        {
            "event": "R-2023-late",
            "released_on": "2023-12-17",
            "site_id": site,
            "tag": _unused_tag(demo, 1),
            "family": str(earlier["family_id"].iloc[0]),
            "year_class": str(demo.scale.last_year - 1),
            "sex": "unknown",
            "total_length_mm": "331",
            "weight_g": "399",
            "truck": "truck 2",
        }
    )
    rows.append(
        rows[0]
        | {
            "tag": _unused_tag(demo, 2),
            "family": str(of_year["family_id"].iloc[0]),
            "year_class": str(demo.scale.last_year),
        }
    )
    what = "released before its family was made"
    return rows, [
        Planted(
            6,
            what,
            "inbox/releases.csv",
            3,
            "released_on",
            rows[1]["tag"],
            "release-before-hatch",
            "inbox/releases.csv",
        )
    ]


def _crosses(demo: Demo) -> tuple[Rows, list[Planted]]:
    """Write an old spawning sheet: one dish whose sire was one year old."""
    fish = demo.tables["fish"]
    last = max(demo.scale.brood_families)
    season = last + 1
    young = fish[fish["origin"].eq("hatchery") & fish["year_class"].eq(last) & fish["sex"].eq("male")].iloc[0]
    old = fish[fish["origin"].eq("wild-adult") & fish["sex"].eq("female") & fish["status"].eq("brood")].iloc[
        0
    ]
    row = {
        "cross_id": f"X-{season}-901",
        "season": str(season),
        "made_on": f"{season}-03-04",
        "made_at": "11:40",
        "dam": str(old["fish_id"]),
        "sire": str(young["fish_id"]),
        "dish": "5",
        "cell": "C-79",
        "eggs": "6100",
        "fertilised": "4300",
        "hatched": "3100",
        "swim_up": "2500",
        "kept": "0",
        "note": "entered late from a paper sheet",
    }
    what = f"sire {young['fish_id']} was one year old on {iso(day(row['made_on']))}"
    key = row["cross_id"]
    return [row], [Planted(12, what, "inbox/crosses.csv", 2, "sire", key, "parent-age", "inbox/crosses.csv")]


def _unused_tag(demo: Demo, k: int) -> str:
    """Return a bought tag that no record names."""
    box = demo.tables["tags_bought"]
    last = box[box["purpose"].eq("fish") & box["last_code"].str.len().eq(15)].iloc[-1]
    used = demo.tags.different() | set(demo.unknown)
    free: list[str] = []
    number = int(last["last_code"][3:])
    while len(free) <= k:
        code = f"999{number:012d}"
        if code not in used and number % 100:
            free.append(code)
        number -= 1
    return free[k]
