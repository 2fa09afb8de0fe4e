"""Planted errors in the records of the station, the office and the laboratory."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.demo.planted_row import Planted, row_of
from planner.demo.records import Demo


def year_class(demo: Demo) -> list[Planted]:
    """Enter a December night under the year class of its calendar year."""
    takes = demo.tables["larval_takes"]
    can = takes.index[takes["collected_on"].dt.month.eq(12)]
    can = can if len(can) else takes.index[:1]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    takes.loc[i, "year_class"] = int(takes["year_class"].to_numpy()[i]) - 1
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


def sex_reversed(demo: Demo) -> list[Planted]:
    """Write down the male that is entered as a female."""
    name = demo.history.faults["reversed"]
    row = row_of(demo.tables["fish"], "fish_id", name)
    return [
        Planted(
            11, "a male entered as a female", "fish.csv", row, "sex", name, "sex-against-dna", "samples.csv"
        )
    ]


def dead_fish_crossed(demo: Demo) -> list[Planted]:
    """Enter the death of a founder before the last dishes it was used in."""
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


def two_tanks(demo: Demo) -> list[Planted]:
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
        "year_class": demo.scale.last_year,
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


def swapped_mothers(demo: Demo) -> list[Planted]:
    """Write down the two dishes whose mothers are exchanged, and the broodfish that came of them."""
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


def missing_sire(demo: Demo) -> list[Planted]:
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
        Planted(
            16,
            f"sire of {name} missing; it is {sire}",
            "fish.csv",
            i + 2,
            "sire",
            name,
            "parent-missing",
            "fish.csv",
        )
    ]


def hybrid(demo: Demo) -> list[Planted]:
    """Write down the hybrid male that nobody recognised."""
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


def mixed_vial(demo: Demo) -> list[Planted]:
    """Write down the vial with two larvae."""
    return _of_samples(demo, 18, "two fish", "two-fish-in-vial", "two larvae in one vial")


def same_clip(demo: Demo) -> list[Planted]:
    """Write down the clip that was plated under two names."""
    return _of_samples(demo, 19, "same clip", "genotype-twice", "one clip plated under two names")


def _of_samples(demo: Demo, number: int, key: str, code: str, what: str) -> list[Planted]:
    samples = demo.tables["samples"]
    return [
        Planted(
            number, what, "samples.csv", row_of(samples, "sample_id", s), "sample_id", s, code, "samples.csv"
        )
        for s in demo.lab_faults[key]
    ]


def shifted_plate(demo: Demo) -> list[Planted]:
    """Write down the plate whose columns were loaded one column off."""
    samples = demo.tables["samples"]
    inside = samples[samples["sample_id"].isin(demo.lab_faults["shifted"])]
    plate = str(inside["plate"].iloc[0])
    columns = sorted({int(w[1:]) for w in inside["well"]})
    what = f"columns {columns[0]} to {columns[-1]} of plate {plate} loaded one column off"
    return [Planted(20, what, "samples.csv", 0, "plate", plate, "plate-pattern", "samples.csv")]


def counts(demo: Demo) -> list[Planted]:
    """Let 5 240 fry leave a dish that 5 000 came from."""
    crosses = demo.tables["crosses"]
    season = 2021 if 2021 in demo.scale.seasons else min(demo.scale.seasons)
    can = crosses.index[crosses["season"].eq(season) & crosses["family"].ne("")]
    i = int(demo.rngs["planted"].choice(can.to_numpy()))
    for column, least in (("hatched", 5600), ("fertilised", 6900), ("eggs", 8300)):
        crosses.loc[i, column] = max(int(crosses[column].to_numpy()[i]), least)
    crosses.loc[i, ["swim_up", "kept"]] = [5000, 5240]
    what = "5 000 fry at swim-up, 5 240 kept"
    cross = crosses.iloc[i]
    dish = Planted(
        24, what, "crosses.csv", i + 2, "kept", str(cross["cross_id"]), "counts-increase", "crosses.csv"
    )
    return [dish, _lot_of_dish(demo, cross.to_dict())]


def _lot_of_dish(demo: Demo, cross: dict[Any, Any]) -> Planted:
    """Enter the fry of the dish as a lot: 5 000 put in a cell, 5 240 taken out four weeks later."""
    lots, moves = demo.tables["lots"], demo.tables["group_moves"]
    opened, closed = cross["made_on"] + pd.Timedelta(days=21), cross["made_on"] + pd.Timedelta(days=49)
    name = f"F{cross['family'][1:]}"
    lot = {
        "lot_id": name,
        "year_class": int(cross["season"]),
        "kind": "family",
        "stage": "larvae",
        "told_apart": "",
        "opened_on": opened,
        "closed_on": closed,
    }
    event = dict.fromkeys(moves.columns, "") | {
        "method": "counted",
        "error_pct": 1.0,
        "family_error_pct": np.nan,
    }
    came = event | {"to_lot": name, "to_unit": cross["cell"], "family": cross["family"]}
    came |= {"move_id": f"G-{opened.year}-901", "happened_on": opened, "kind": "in", "number": 5000}
    left = event | {"from_lot": name, "from_unit": cross["cell"], "note": "counted again for the ponds"}
    left |= {"move_id": f"G-{closed.year}-902", "happened_on": closed, "kind": "out", "number": 5240}
    demo.tables["lots"] = pd.concat(
        [lots, pd.DataFrame([lot]).astype(lots.dtypes.to_dict())], ignore_index=True
    )
    demo.tables["group_moves"] = pd.concat(
        [moves, pd.DataFrame([came, left]).astype(moves.dtypes.to_dict())], ignore_index=True
    )
    what = f"lot {name}: 5 000 fry in, 5 240 out"
    return Planted(
        24, what, "group_moves.csv", len(moves) + 3, "number", name, "lot-more-out-than-in", "group_moves.csv"
    )


def certificate(demo: Demo) -> list[Planted]:
    """Let a health certificate end three days before the release."""
    certificates, stock = demo.tables["certificates"], demo.tables["stock"]
    ponds = stock.loc[stock["unit"].str.startswith("P"), "unit"].value_counts()
    unit = "P-06" if "P-06" in ponds.index else str(ponds.index[-1])
    i = row_of(certificates, "unit", unit) - 2
    certificates.loc[i, "valid_until"] = pd.Timestamp("2024-11-09")
    name = str(certificates.loc[i, "certificate_id"])
    what = f"health certificate of {unit} ends three days before the release"
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


def permit(demo: Demo) -> list[Planted]:
    """Write down the larval permit that is exceeded."""
    permits = demo.tables["permits"]
    over = int(permits["used"].to_numpy()[0] - permits["limit_number"].to_numpy()[0])
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
