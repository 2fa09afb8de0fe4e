"""Errors planted on purpose in the records, each written down with the finding it must raise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.demo.records import Demo
from planner.demo.scans import Contacts


@dataclass(frozen=True, slots=True)
class Planted:
    """One row that a planted error spoilt.

    Parameters
    ----------
    number : int
        Number of the planted error, 1 to 29; several rows may share it.
    what : str
        What was planted, in words.
    file : str
        File relative to the folder.
    row : int
        Row in that file, the header being row 1; 0 when no single row is at fault.
    column : str
        Column.
    key : str
        Identifier of the record.
    expected : str
        Finding code that must be raised, or ``parentage`` where only a parentage run shows it.
    found_in : str
        File in which the finding is expected.
    """

    number: int
    what: str
    file: str
    row: int
    column: str
    key: str
    expected: str
    found_in: str


def plant(demo: Demo) -> list[Planted]:
    """Plant the softer errors in the accepted records, which stay free of hard faults.

    Parameters
    ----------
    demo : Demo
        Its tables are changed in place.

    Returns
    -------
    list of Planted
        Rows spoilt, by number.
    """
    out: list[Planted] = []
    wanted = set(demo.scale.planted)
    for number, function in _PLANTERS.items():
        if number in wanted:
            out += function(demo)
    return sorted(out, key=lambda p: p.number)


def row_of(frame: pd.DataFrame, column: str, value: str) -> int:
    """Return the file row of the first record with a value; the header is row 1."""
    return int(np.flatnonzero(frame[column].eq(value).to_numpy())[0]) + 2


def _transposed_digits(demo: Demo) -> list[Planted]:
    captures = demo.tables["captures"]
    can = captures.index[captures["tag"].str.startswith("999009") & captures["note"].eq("")]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    right = str(captures.loc[i, "tag"])
    wrong = right[:4] + right[5] + right[4] + right[6:]
    captures.loc[i, "tag"] = wrong
    what = f"digits of tag {right} transposed"
    return [
        Planted(
            2,
            what,
            "captures.csv",
            i + 2,
            "tag",
            str(captures.loc[i, "capture_id"]),
            "tag-unknown",
            "captures.csv",
        )
    ]


def _two_identities(demo: Demo) -> list[Planted]:
    name = demo.history.faults["legacy"]
    row = demo.history.brood.rows[demo.history.brood.names.index(name)]
    samples, captures = demo.tables["samples"], demo.tables["captures"]
    mine = [k for k in demo.samples.of_capture if int(demo.fish.row[demo.caught.swimmer[k]]) == row]
    sample = demo.samples.of_capture[mine[0]]
    caught = captures[captures["sample_id"] == sample].iloc[0]
    what = f"legacy tag of {name} was not read on {caught['captured_on'].date()}; the fish got tag {caught['new_tag']}"
    return [
        Planted(
            5,
            what,
            "samples.csv",
            row_of(samples, "sample_id", sample),
            "fish_id",
            sample,
            "genotype-twice",
            "samples.csv",
        )
    ]


def _year_class(demo: Demo) -> list[Planted]:
    takes = demo.tables["larval_takes"]
    can = takes.index[takes["collected_on"].dt.month.eq(12)]
    can = can if len(can) else takes.index[:1]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    takes.loc[i, "year_class"] = int(takes.loc[i, "year_class"]) - 1
    what = "larvae of December entered under the year class of that calendar year"
    return [
        Planted(
            10,
            what,
            "larval_takes.csv",
            i + 2,
            "year_class",
            str(takes.loc[i, "take_id"]),
            "year-class-mismatch",
            "larval_takes.csv",
        )
    ]


def _sex_reversed(demo: Demo) -> list[Planted]:
    name = demo.history.faults["reversed"]
    row = row_of(demo.tables["fish"], "fish_id", name)
    return [
        Planted(
            11, "a male entered as a female", "fish.csv", row, "sex", name, "sex-against-dna", "samples.csv"
        )
    ]


def _dead_fish_crossed(demo: Demo) -> list[Planted]:
    fish, crosses = demo.tables["fish"], demo.tables["crosses"]
    frozen = set(demo.tables["frozen_milt"]["fish_id"])
    gone = fish[fish["status"].eq("dead") & ~fish["fish_id"].isin(frozen)]
    used = pd.concat(
        [
            crosses[["dam", "made_on"]].set_axis(["fish", "on"], axis=1),
            crosses[["sire", "made_on"]].set_axis(["fish", "on"], axis=1),
        ]
    )
    last = used.groupby("fish")["on"].max()
    early = [f for f in gone["fish_id"] if f in last.index and last[f] < pd.Timestamp("2021-12-31")]
    name = str(demo.rngs["planted"].choice(np.array(early, dtype=object)))
    died = last[name] - pd.Timedelta(days=61)
    i = row_of(fish, "fish_id", name) - 2
    fish.loc[i, "status_on"] = died
    fish.loc[i, "measured_on"] = min(fish.loc[i, "measured_on"], died)
    marks = demo.tables["identifiers"]
    marks.loc[marks["fish_id"].eq(name) & marks["to_date"].notna() & (marks["to_date"] > died), "to_date"] = (
        died
    )
    out = []
    for role in ("dam", "sire"):
        late = crosses[crosses[role].eq(name) & (crosses["made_on"] > died)]
        for j, cross in zip(late.index, late["cross_id"], strict=True):
            what = f"{name} crossed after the day entered for its death"
            out.append(
                Planted(
                    13, what, "crosses.csv", int(j) + 2, role, str(cross), "gone-fish-crossed", "crosses.csv"
                )
            )
    return out


def _two_tanks(demo: Demo) -> list[Planted]:
    """Enter a fish of the stock as kept for the brood in another unit."""
    fish, stock, families = (demo.tables[n] for n in ("fish", "stock", "families"))
    can = stock.index[stock["family"].str.startswith("H") & stock["sex"].eq("female")]
    can = can if len(can) else stock.index[stock["family"].str.startswith("H")]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    one = stock.loc[i]
    family = families[families["family_id"] == one["family"]].iloc[0]
    new = {
        "fish_id": "Y-01",
        "sex": one["sex"],
        "sex_basis": "seen",
        "origin": "hatchery",
        "species": "",
        "year_class": int(one["year_class"]),
        "hatched_on": pd.NaT,
        "entered_on": one["tagged_on"],
        "dam": family["dam"],
        "sire": family["sire"],
        "family": one["family"],
        "status": "hold",
        "status_on": one["tagged_on"],
        "unit": "B-06",
        "tag": one["tag"],
        "total_length_mm": one["total_length_mm"],
        "weight_g": one["weight_g"],
        "measured_on": one["measured_on"],
        "note": "kept back for the brood",
    }
    demo.tables["fish"] = pd.concat(
        [fish, pd.DataFrame([new]).astype(fish.dtypes.to_dict())], ignore_index=True
    )
    what = "Y-01 stands in tank B-06 by fish.csv and in another unit by stock.csv"
    return [
        Planted(14, what, "stock.csv", i + 2, "unit", str(one["stock_id"]), "fish-two-units", "stock.csv")
    ]


def _swapped_mothers(demo: Demo) -> list[Planted]:
    families = demo.history.faults["swapped"].split()
    crosses, fish, samples = (demo.tables[n] for n in ("crosses", "fish", "samples"))
    what = "mothers of two dishes exchanged in the records: " + " and ".join(families)
    out = [
        Planted(15, what, "crosses.csv", row_of(crosses, "family", f), "dam", f, "parentage", "")
        for f in families
    ]
    for name in fish.loc[fish["family"].isin(families), "fish_id"]:
        i = row_of(samples, "fish_id", str(name))
        sample = str(samples.loc[i - 2, "sample_id"])
        out.append(
            Planted(
                15,
                f"{what}; {name}",
                "samples.csv",
                i,
                "family",
                sample,
                "parents-against-dna",
                "samples.csv",
            )
        )
    return out


def _missing_sire(demo: Demo) -> list[Planted]:
    """Forget family and sire of a hatchery-born broodfish; its dam is known from the tank card."""
    fish, claims, samples = (demo.tables[n] for n in ("fish", "parent_claims", "samples"))
    swapped = demo.history.faults["swapped"].split()
    can = fish[
        fish["origin"].eq("hatchery")
        & fish["status"].eq("brood")
        & ~fish["family"].isin(swapped)
        & fish["fish_id"].ne(demo.history.faults["reversed"])
    ]
    name = str(demo.rngs["planted"].choice(can["fish_id"].to_numpy(dtype=object)))
    i = row_of(fish, "fish_id", name) - 2
    sire = str(fish.loc[i, "sire"])
    fish.loc[i, ["sire", "family"]] = ""
    fish.loc[i, "note"] = "family label lost; dam from the tank card"
    demo.history.faults["missing sire"] = f"{name} {sire}"
    samples.loc[samples["fish_id"].eq(name), "family"] = ""
    drop = claims["child"].eq(name) & claims["role"].eq("sire")
    demo.tables["parent_claims"] = claims[~drop].reset_index(drop=True)
    return [
        Planted(16, f"sire of {name} missing; it is {sire}", "fish.csv", i + 2, "sire", name, "parentage", "")
    ]


def _hybrid(demo: Demo) -> list[Planted]:
    name = demo.history.faults["hybrid"]
    samples, crosses = demo.tables["samples"], demo.tables["crosses"]
    i = row_of(samples, "fish_id", name)
    n = int(crosses["sire"].eq(name).sum())
    what = f"{name} is a first-generation hybrid; used in {n} dishes"
    return [
        Planted(
            17,
            what,
            "samples.csv",
            i,
            "fish_id",
            str(samples.loc[i - 2, "sample_id"]),
            "hybrid-suspected",
            "samples.csv",
        )
    ]


def _mixed_vial(demo: Demo) -> list[Planted]:
    return _of_samples(demo, 18, "two fish", "two-fish-in-vial", "two larvae in one vial")


def _same_clip(demo: Demo) -> list[Planted]:
    return _of_samples(demo, 19, "same clip", "genotype-twice", "one clip plated under two names")


def _of_samples(demo: Demo, number: int, key: str, code: str, what: str) -> list[Planted]:
    samples = demo.tables["samples"]
    return [
        Planted(
            number, what, "samples.csv", row_of(samples, "sample_id", s), "sample_id", s, code, "samples.csv"
        )
        for s in demo.lab_faults[key]
    ]


def _shifted_plate(demo: Demo) -> list[Planted]:
    samples = demo.tables["samples"]
    inside = samples[samples["sample_id"].isin(demo.lab_faults["shifted"])]
    plate = str(inside["plate"].iloc[0])
    columns = sorted({int(w[1:]) for w in inside["well"]})
    what = f"columns {columns[0]} to {columns[-1]} of plate {plate} loaded one column off"
    return [Planted(20, what, "samples.csv", 0, "plate", plate, "plate-pattern", "samples.csv")]


def _standard_length(demo: Demo) -> list[Planted]:
    """Enter standard lengths as total lengths on one day at one site."""
    captures = demo.tables["captures"]
    can = captures[captures["length_type"].eq("TL") & captures["tag"].ne("") & (captures["length_mm"] > 380)]
    sizes = can.groupby(["captured_on", "site_id"]).size()
    low, high = (8, 16) if demo.scale.name == "full" else (1, 6)
    day_site = sizes[(sizes >= low) & (sizes <= high)].index
    day_site = day_site if len(day_site) else sizes.index
    on, site = day_site[int(demo.rngs["planted"].integers(0, len(day_site)))]
    rows = can.index[can["captured_on"].eq(on) & can["site_id"].eq(site)]
    captures.loc[rows, "length_mm"] = np.round(captures.loc[rows, "length_mm"] * 0.85)
    what = f"standard lengths entered as total lengths at {site} on {on.date()}"
    return [
        Planted(
            21,
            what,
            "captures.csv",
            int(i) + 2,
            "length_mm",
            str(captures.loc[i, "capture_id"]),
            "length-kind-doubtful",
            "captures.csv",
        )
        for i in rows
    ]


def _one_capture(
    demo: Demo, number: int, column: str, factor: float, digits: int, what: str
) -> list[Planted]:
    captures = demo.tables["captures"]
    spoilt = captures["weight_g"].lt(20) | captures["length_mm"].lt(60)
    k = 1e5 * captures["weight_g"] / captures["length_mm"] ** 3
    can = captures.index[
        captures["tag"].ne("") & ~spoilt & captures["length_type"].eq("TL") & k.between(0.9, 1.4)
    ]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    captures.loc[i, column] = round(float(captures.loc[i, column]) * factor, digits)
    return [
        Planted(
            number,
            what,
            "captures.csv",
            i + 2,
            column,
            str(captures.loc[i, "capture_id"]),
            "measures-implausible",
            "captures.csv",
        )
    ]


def _inches(demo: Demo) -> list[Planted]:
    return _one_capture(demo, 22, "length_mm", 1 / 25.4, 1, "length in inches entered as mm")


def _kilograms(demo: Demo) -> list[Planted]:
    return _one_capture(demo, 23, "weight_g", 0.001, 2, "weight in kg entered as g")


def _counts(demo: Demo) -> list[Planted]:
    """Let 5 240 fry leave a dish that 5 000 came from."""
    crosses = demo.tables["crosses"]
    season = 2021 if 2021 in demo.scale.seasons else min(demo.scale.seasons)
    can = crosses.index[crosses["season"].eq(season) & crosses["family"].ne("")]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    for column, least in (("hatched", 5600), ("fertilised", 6900), ("eggs", 8300)):
        crosses.loc[i, column] = max(int(crosses.loc[i, column]), least)
    crosses.loc[i, ["swim_up", "kept"]] = [5000, 5240]
    what = "5 000 fry at swim-up, 5 240 kept"
    return [
        Planted(
            24,
            what,
            "crosses.csv",
            i + 2,
            "kept",
            str(crosses.loc[i, "cross_id"]),
            "counts-increase",
            "crosses.csv",
        )
    ]


def _dry_site(demo: Demo) -> list[Planted]:
    releases = demo.tables["releases"]
    rows = releases.index[
        releases["site_id"].eq("NP") & releases["released_on"].eq(pd.Timestamp("2023-11-23"))
    ]
    what = "release entered for Nine Posts on the day it was renovated; the fish went to the Dam Pool"
    return [
        Planted(
            25,
            what,
            "releases.csv",
            int(i) + 2,
            "site_id",
            str(releases.loc[i, "tag"]),
            "site-without-water",
            "releases.csv",
        )
        for i in rows
    ]


def _certificate(demo: Demo) -> list[Planted]:
    certificates = demo.tables["certificates"]
    i = row_of(certificates, "unit", "P-06") - 2
    certificates.loc[i, "valid_until"] = pd.Timestamp("2024-11-09")
    name = str(certificates.loc[i, "certificate_id"])
    what = "health certificate of P-06 ends three days before the release"
    return [
        Planted(
            26,
            what,
            "certificates.csv",
            i + 2,
            "valid_until",
            name,
            "certificate-expired",
            "certificates.csv",
        )
    ]


def _permit(demo: Demo) -> list[Planted]:
    permits = demo.tables["permits"]
    over = int(permits.loc[0, "used"]) - int(permits.loc[0, "limit_number"])
    what = f"larvae taken exceed the permit by {over}"
    return [
        Planted(
            27,
            what,
            "permits.csv",
            2,
            "used",
            str(permits.loc[0, "permit_id"]),
            "permit-exceeded",
            "permits.csv",
        )
    ]


def _clock(demo: Demo) -> list[Planted]:
    name = demo.spells.name[demo.spells.fast]
    row = row_of(demo.tables["deployments"], "deployment_id", name)
    what = "clock of the reader one hour fast: summer time"
    return [
        Planted(
            28, what, "deployments.csv", row, "from_time", name, "clock-outside-deployment", "deployments.csv"
        )
    ]


def _marker(demo: Demo) -> list[Planted]:
    contacts: Contacts | None = demo.contacts
    row = 0
    if contacts is not None:
        row = int(np.flatnonzero(contacts.tag == len(contacts.codes) - 1)[0]) + 2
    what = f"marker tag counted {demo.scale.marker_contacts} times"
    file = "scans.csv.gz" if demo.scale.name == "full" else "scans.csv"
    return [Planted(29, what, file, row, "tag", demo.tags.marker, "tag-marker", file)]


_PLANTERS = {
    14: _two_tanks,
    16: _missing_sire,
    13: _dead_fish_crossed,
    2: _transposed_digits,
    21: _standard_length,
    22: _inches,
    23: _kilograms,
    5: _two_identities,
    10: _year_class,
    11: _sex_reversed,
    15: _swapped_mothers,
    17: _hybrid,
    18: _mixed_vial,
    19: _same_clip,
    20: _shifted_plate,
    24: _counts,
    25: _dry_site,
    26: _certificate,
    27: _permit,
    28: _clock,
    29: _marker,
}


def withdrawal_days(demo: Demo) -> None:
    """Give two fish of the stock a withdrawal time that ends after the day of release."""
    stock = demo.tables["stock"]
    rows = demo.rngs["planted"].choice(len(stock), size=2, replace=False)
    stock.loc[np.sort(rows), "withdrawal_until"] = pd.Timestamp("2024-11-20")
    stock.loc[np.sort(rows), "note"] = "treated on 2024-10-16"
