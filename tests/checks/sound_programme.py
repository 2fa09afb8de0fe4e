"""A simulated programme without a fault: families, dishes, stock, releases, captures, scans, genotypes."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd

from broodstock.fields import TABLES
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.tables import typed_frame

TODAY = dt.date(2024, 10, 20)
SETTINGS = {"release_day": dt.date(2024, 11, 12)}
Rows = dict[str, list[dict[str, Any]]]


def code(number: int) -> str:
    """Return a tag of the invented range."""
    return f"99900900{number:07d}"


def frame(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return rows of plain values as a frame in the shared form."""
    spec = TABLES[name]
    columns: dict[str, Any] = {}
    for c in spec.columns:
        values = [r.get(c.name) for r in rows]
        if c.kind in ("text", "tag", "choice"):
            columns[c.name] = np.array(["" if v is None else v for v in values], dtype=object)
        elif c.kind == "number":
            columns[c.name] = np.array([np.nan if v is None else float(v) for v in values])
        elif c.kind in ("date", "datetime"):
            stamps = [np.datetime64("NaT", "ns") if v is None else np.datetime64(v, "ns") for v in values]
            columns[c.name] = np.array(stamps, dtype="datetime64[ns]")
        else:
            kind = "Int64" if c.kind == "integer" else "boolean"
            columns[c.name] = pd.Series([pd.NA if v is None else v for v in values], dtype=kind).array
    return typed_frame(spec, columns, np.arange(2, 2 + len(rows)), f"{name}.csv")


def frames(rows: Rows) -> dict[str, pd.DataFrame]:
    """Return every registered table."""
    return {name: frame(name, rows.get(name, [])) for name in TABLES}


def weight(length: float, rng: np.random.Generator) -> float:
    """Return a weight with condition near 1.1."""
    return round(1.1e-5 * length**3 * float(rng.normal(1, 0.06)), 1)


def sound_rows(seed: int = 7) -> Rows:
    """Return the rows of every table; nothing in them is wrong."""
    rng = np.random.default_rng(seed)
    rows: Rows = {name: [] for name in TABLES}
    rows["units"] = [
        {"unit_id": "T1", "building": "hall", "kind": "tank", "capacity_fish": 60},
        {"unit_id": "T2", "building": "hall", "kind": "tank", "capacity_fish": 200},
        {"unit_id": "K1", "building": "hall", "kind": "cell", "capacity_fish": 1},
    ]
    rows["sites"] = [
        {"site_id": "GW", "name": "Glasswater", "kind": "reservoir-zone", "predators": "present", "river_km": 30,
         "max_depth_m": 31, "open_for_release": True, "surveyed_on": "2024-08-01"},
        {"site_id": "BB", "name": "Broad Basin", "kind": "reservoir-zone", "predators": "present", "river_km": 55,
         "max_depth_m": 44, "open_for_release": True, "surveyed_on": "2024-08-02"},
        {"site_id": "NP", "name": "Nine Posts", "kind": "isolated-backwater", "predators": "none", "river_km": 40,
         "max_depth_m": 3.1, "capacity_fish": 80, "renovated_on": "2023-05-01", "open_for_release": True,
         "surveyed_on": "2024-09-10"},
    ]  # fmt: skip
    rows["tags_bought"] = [
        {"box": "B1", "first_code": code(0), "last_code": code(39999), "purpose": "fish"},
        {"box": "B2", "first_code": code(90000), "last_code": code(90099), "purpose": "marker"},
    ]
    tag = iter(range(1, 39000, 37))
    dams, sires = [], []
    for i in range(24):
        sex = "female" if i % 2 else "male"
        length = float(rng.integers(420, 520))
        name = f"W-{i:03d}"
        (dams if sex == "female" else sires).append(name)
        rows["fish"].append(
            {"fish_id": name, "sex": sex, "sex_basis": "seen", "origin": "wild-adult", "year_class": 2012,
             "entered_on": "2016-03-01", "status": "brood", "unit": "T1", "tag": code(next(tag)),
             "total_length_mm": length, "weight_g": weight(length, rng), "measured_on": "2024-10-02"}
        )  # fmt: skip
    for j in range(12):
        dam, sire = dams[j], sires[(j + 1) % 12]
        family = f"FA-{j:02d}"
        rows["families"].append(
            {
                "family_id": family,
                "kind": "cross",
                "year_class": 2022,
                "dam": dam,
                "sire": sire,
                "made_on": "2022-02-14",
            }
        )
        rows["crosses"].append(
            {"cross_id": f"X-{j:02d}", "season": 2022, "made_on": "2022-02-14", "made_at": f"08:{j:02d}", "dam": dam,
             "sire": sire, "dish": 1, "cell": "K1", "eggs": 9000, "fertilised": 8200, "hatched": 7000,
             "swim_up": 6600, "kept": 900, "family": family}
        )  # fmt: skip
        for k in range(8):
            length = float(rng.integers(300, 400))
            rows["stock"].append(
                {"stock_id": f"ST-{j:02d}{k}", "tag": code(next(tag)), "family": family, "year_class": 2022,
                 "sex": "unknown", "total_length_mm": length, "weight_g": weight(length, rng),
                 "measured_on": "2024-10-01", "unit": "T2", "tagged_on": "2024-09-20"}
            )  # fmt: skip
    for j in range(4):
        rows["families"].append(
            {
                "family_id": f"GR-{j}",
                "kind": "larval-group",
                "year_class": 2021,
                "made_on": "2020-12-28" if j == 0 else "2021-02-11",
            }
        )
        rows["larval_takes"].append(
            {"take_id": f"L-{j}", "collected_on": rows["families"][-1]["made_on"], "zone": "GW", "year_class": 2021,
             "number": 200, "family": f"GR-{j}"}
        )  # fmt: skip
    for i in range(160):
        length = float(rng.integers(300, 380))
        rows["releases"].append(
            {"event": "E1", "released_on": "2023-11-12", "site_id": "GW" if i % 2 else "BB", "tag": code(next(tag)),
             "family": f"GR-{i % 4}", "year_class": 2021, "sex": "unknown", "total_length_mm": length,
             "weight_g": weight(length, rng)}
        )  # fmt: skip
    for i, fish in enumerate(rows["releases"][:60]):
        length = fish["total_length_mm"] + float(rng.integers(5, 60))
        rows["captures"].append(
            {"capture_id": f"C-{i:03d}", "captured_on": "2024-03-11", "site_id": fish["site_id"], "tag": fish["tag"],
             "sex": "unknown", "length_mm": length, "length_type": "TL", "weight_g": weight(length, rng)}
        )  # fmt: skip
    for k, site in enumerate(("GW", "BB", "NP")):
        rows["deployments"].append(
            {"deployment_id": f"D-{site}", "site_id": site, "from_time": "2024-01-05T10:00:00",
             "to_time": "2024-06-05T10:00:00", "utc_offset_h": -7, "scan_hours": 3000 + k}
        )  # fmt: skip
    for i, fish in enumerate(rows["releases"][40:120]):
        for d in range(1 + i % 5):
            rows["scans"].append(
                {
                    "deployment_id": f"D-{fish['site_id']}",
                    "tag": fish["tag"],
                    "scanned_at": f"2024-04-{d + 2:02d}T05:{i % 60:02d}:00",
                }
            )
    rows["residents"] = [{"site_id": "NP", "family": "GR-1", "number": 40, "counted_on": "2024-09-10"}]
    rows["permits"] = [
        {"permit_id": "P1", "activity": "collect-larvae", "limit_number": 1000, "used": 800, "valid_from": "2020-10-01", "valid_until": "2021-09-30"},
        {"permit_id": "P2", "activity": "release", "limit_number": 500, "used": 160, "valid_from": "2023-10-01", "valid_until": "2024-09-30"},
        {"permit_id": "P3", "activity": "spawn", "limit_number": 30, "used": 12, "valid_from": "2022-01-01", "valid_until": "2022-12-31"},
    ]  # fmt: skip
    rows["certificates"] = [
        {
            "certificate_id": "H1",
            "unit": "T2",
            "issued_on": "2024-10-15",
            "valid_until": "2024-12-15",
            "result": "clear",
        }
    ]
    rows["holds"] = [
        {
            "subject": "W-003",
            "subject_kind": "fish",
            "reason": "reserved",
            "from_date": "2024-10-01",
            "until_date": "2024-12-31",
        }
    ]
    rows["identifiers"] = [
        {
            "fish_id": "W-000",
            "kind": "pit-legacy",
            "code": "1F74374E68",
            "from_date": "2016-03-01",
            "to_date": "2019-11-02",
        },
        {"fish_id": "W-000", "kind": "pit-iso", "code": code(1), "from_date": "2019-11-02"},
    ]
    rows["ripeness"] = [{"fish_id": "W-001", "checked_on": "2024-02-14", "state": "ripe"}]
    rows["frozen_milt"] = [{"fish_id": "W-002", "straws": 12, "frozen_on": "2022-02-20"}]
    rows["parent_claims"] = [{"child": "W-001", "role": "dam", "source": "dna", "confidence": 0.99}]
    return rows


def sound_genotypes(rows: Rows, seed: int = 8, n_neutral: int = 120) -> GenotypeSet:
    """Type every wild fish and two stock fish of each family; fill ``samples`` and ``loci``."""
    rng = np.random.default_rng(seed)
    loci = [Locus(f"N{j:03d}") for j in range(n_neutral)]
    loci += [Locus(f"D{j:02d}", role="diagnostic", foreign_allele="G") for j in range(8)]
    loci += [Locus(f"S{j}", role="sex", male_allele="G") for j in range(4)]
    p = rng.uniform(0.2, 0.8, n_neutral)
    genes: dict[str, np.ndarray] = {}

    def founder(male: bool) -> np.ndarray:
        neutral = (rng.random((n_neutral, 2)) < p[:, None]).astype(np.int16)
        own = np.zeros((8, 2), dtype=np.int16)
        sex = np.array([[0, int(male)]] * 4, dtype=np.int16)
        return np.concatenate([neutral, own, sex])

    for fish in rows["fish"]:
        genes[fish["fish_id"]] = founder(fish["sex"] == "male")
    samples, calls = [], []
    for i, fish in enumerate(rows["fish"]):
        sample = f"BR-{i:03d}"
        samples.append(
            {
                "sample_id": sample,
                "fish_id": fish["fish_id"],
                "group": "brood",
                "plate": "PL1",
                "well": well(i),
            }
        )
        calls.append(genes[fish["fish_id"]])
    parents = {f["family_id"]: (f.get("dam"), f.get("sire")) for f in rows["families"]}
    for i, fish in enumerate(rows["stock"]):
        dam, sire = parents[fish["family"]]
        if int(fish["stock_id"][-1]) > 1:
            continue
        young = np.stack([_gamete(genes[dam], rng), _gamete(genes[sire], rng)], axis=1)
        samples.append(
            {"sample_id": f"RL-{i:03d}", "stock_id": fish["stock_id"], "family": fish["family"], "group": "release",
             "year_class": 2022, "plate": "PL1", "well": well(len(samples))}
        )  # fmt: skip
        calls.append(young)
    rows["samples"] = samples
    rows["loci"] = [
        {
            "locus": x.name,
            "kind": "snp",
            "role": x.role,
            "foreign_allele": x.foreign_allele,
            "male_allele": x.male_allele,
        }
        for x in loci
    ]
    stacked = np.stack(calls, axis=1).astype(np.int16)
    stacked[rng.random(stacked.shape[:2]) < 0.02] = -1
    return GenotypeSet(
        tuple(s["sample_id"] for s in samples), tuple(loci), (("A", "G"),) * len(loci), stacked
    )


def well(i: int) -> str:
    """Return the i-th well of a plate of 96, by column."""
    return f"{'ABCDEFGH'[i % 8]}{i // 8 + 1:02d}"


def _gamete(parent: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return parent[np.arange(len(parent)), rng.integers(0, 2, len(parent))]
