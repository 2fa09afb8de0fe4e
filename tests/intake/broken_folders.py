"""Folders with one fault each: records that contradict each other, workbooks, references, genotypes.

Each case: folder name -> (rows by table or bytes by file name, expected findings as file, code, row, column).
"""

from __future__ import annotations

from typing import Any

from small_workbook import workbook

Row = dict[str, Any]
Expected = list[tuple[str, str, int | None, str]]


def fish(name: str, **more: Any) -> Row:
    """Return one broodfish."""
    return {"fish_id": name, "sex": "female", "origin": "wild-adult", "status": "brood"} | more


def site(name: str, **more: Any) -> Row:
    """Return one site that is closed for release."""
    return {"site_id": name, "name": name, "kind": "reservoir-zone", "predators": "none"} | more


def stock(name: str, **more: Any) -> Row:
    """Return one fish of the stock, of family FA."""
    return {"stock_id": name, "family": "FA", "year_class": 2022, "total_length_mm": 340} | more


def family(name: str, **more: Any) -> Row:
    """Return one larval group of 2022."""
    return {"family_id": name, "kind": "larval-group", "year_class": 2022, "made_on": "2022-02-20"} | more


def release(tag: str, **more: Any) -> Row:
    """Return one released fish."""
    return {"event": "E1", "released_on": "2023-11-12", "site_id": "GW", "tag": tag} | more


def capture(name: str, tag: str, **more: Any) -> Row:
    """Return one capture in spring 2024."""
    return {"capture_id": name, "captured_on": "2024-03-11", "site_id": "GW", "tag": tag} | more


def dish(name: str, **more: Any) -> Row:
    """Return one dish of F1 and M1."""
    return {"cross_id": name, "season": 2024, "made_on": "2024-02-14", "dam": "F1", "sire": "M1"} | more


def reader(name: str, **more: Any) -> Row:
    """Return one deployment of ten days in January 2024."""
    span = {"from_time": "2024-01-01T00:00:00", "to_time": "2024-01-11T00:00:00"}
    return {"deployment_id": name, "site_id": "GW"} | span | more


def scan(tag: str, when: str, deployment: str = "D1") -> Row:
    """Return one contact."""
    return {"deployment_id": deployment, "scanned_at": when, "tag": tag}


def box(first: str, last: str, purpose: str = "fish", name: str = "B1") -> Row:
    """Return one range of tags."""
    return {"box": name, "first_code": first, "last_code": last, "purpose": purpose}


def permit(activity: str, **more: Any) -> Row:
    """Return one permit of 2024."""
    span = {"valid_from": "2024-01-01", "valid_until": "2024-12-31"}
    return {"permit_id": "P-1", "activity": activity} | span | more


T1, T2, T3, T4 = (f"99900900000010{k}" for k in range(1, 5))
PAIR = [fish("F1", year_class=2015), fish("M1", sex="male", year_class=2015)]
GW = [site("GW")]
SOUND_STOCK = {"families": [family("FA")], "stock": [stock("S1", tag=T1)]}
CALLS = b"sample_id,P1_1,P1_2\nS1,142,146\n"
LOCUS = [{"locus": "P1", "kind": "microsatellite", "role": "neutral"}]
SAMPLE = [{"sample_id": "S1", "group": "brood"}]


def _condition_table() -> list[Row]:
    """Return 24 captures with condition near 1.1, the last a standard length called total length."""
    rows = []
    for i in range(24):
        length = 380 + 4 * i
        weight = round(1.1e-5 * length**3 * (0.97 + 0.0025 * i), 1)
        rows.append(capture(f"C-{i:02d}", "", length_mm=length, length_type="TL", weight_g=weight))
    rows[-1]["length_mm"] = round(rows[-1]["length_mm"] * 0.85)
    return rows


FOLDER_CASES: dict[str, tuple[dict[str, Any], Expected]] = {
    # ------------------------------------------------------------------ files of a folder
    "table-twice": (
        {"fish": PAIR, "fish.csv.gz": b"not read"},
        [("fish.csv", "table-twice", None, "")],
    ),
    "no-tables": (
        {"notes.txt": b"nothing\n"},
        [("", "no-tables", None, ""), ("notes.txt", "file-unknown", None, "")],
    ),
    "file-unknown": ({"fish": PAIR, "captrues.csv": b"a\n"}, [("captrues.csv", "file-unknown", None, "")]),
    "workbook-broken": (
        {"records.xlsx": b"this is no workbook\n"},
        [("records.xlsx", "workbook-broken", None, "")],
    ),
    "sheets-text-became-date": (
        {
            "records.xlsx": workbook(
                "fish",
                [["fish_id", "sex", "origin", "status"], [("date", 45323), "female", "wild-adult", "lost"]],
            )
        },
        [("records.xlsx[fish]", "text-became-date", 2, "fish_id")],
    ),
    "sheets-number-became-date": (
        {
            "records.xlsx": workbook(
                "fish",
                [
                    ["fish_id", "sex", "origin", "status", "total_length_mm"],
                    ["F1", "female", "wild-adult", "brood", ("date", 45323)],
                ],
            )
        },
        [("records.xlsx[fish]", "number-became-date", 2, "total_length_mm")],
    ),
    "sheets-tag-is-a-number": (
        {
            "records.xlsx": workbook(
                "fish",
                [
                    ["fish_id", "sex", "origin", "status", "tag"],
                    ["F1", "female", "wild-adult", "brood", 999009000000101],
                ],
            )
        },
        [("records.xlsx[fish]", "tag-damaged-number", 2, "tag")],
    ),
    "sheets-failed-formula": (
        {
            "records.xlsx": workbook(
                "fish",
                [
                    ["fish_id", "sex", "origin", "status", "weight_g"],
                    ["F1", "female", "wild-adult", "brood", ("error", "#REF!")],
                ],
            )
        },
        [("records.xlsx[fish]", "spreadsheet-error", 2, "weight_g")],
    ),
    # ------------------------------------------------------------------ references
    "parent-unknown": (
        {"fish": [*PAIR, fish("F10412", origin="hatchery", dam="F2", sire="M1", year_class=2020)]},
        [("fish.csv", "parent-unknown", 4, "dam")],
    ),
    "reference-unknown": (
        {"sites": GW, "captures": [capture("C-1", "", site_id="WG")]},
        [("captures.csv", "reference-unknown", 2, "site_id")],
    ),
    "reference-unchecked": (
        {"captures": [capture("C-1", "")]},
        [("captures.csv", "reference-unchecked", None, "site_id")],
    ),
    "sample-unknown": (
        {
            "samples": [{"sample_id": "S2", "group": "brood"}],
            "loci": LOCUS,
            "genotypes/microsatellites.csv": CALLS,
        },
        [("genotypes/microsatellites.csv", "sample-unknown", None, "S1")],
    ),
    "locus-unknown": (
        {"samples": SAMPLE, "loci": [LOCUS[0] | {"locus": "P2"}], "genotypes/microsatellites.csv": CALLS},
        [("genotypes/microsatellites.csv", "locus-unknown", None, "P1")],
    ),
    "hold-subject-unknown": (
        {
            "fish": PAIR,
            "holds": [
                {"subject": "F2", "subject_kind": "fish", "reason": "health", "from_date": "2024-01-05"}
            ],
        },
        [("holds.csv", "hold-subject-unknown", 2, "subject")],
    ),
    # ------------------------------------------------------------------ tags
    "tag-two-fish": (
        {"fish": [fish("F1", tag=T1), fish("F2", tag=T1)]},
        [("fish.csv", "tag-two-fish", 3, "tag")],
    ),
    "tag-not-bought": (
        {
            "tags_bought": [box("999009000000000", "999009000004999")],
            "fish": [fish("F1", tag="999090000000101")],
        },
        [("fish.csv", "tag-not-bought", 2, "tag")],
    ),
    "tag-range-reversed": (
        {"tags_bought": [box("999009000004999", "999009000000000")]},
        [("tags_bought.csv", "tag-range-reversed", 2, "last_code")],
    ),
    "tag-ranges-overlap": (
        {
            "tags_bought": [
                box("999009000000000", "999009000004999"),
                box("999009000004500", "999009000009999", name="B2"),
            ]
        },
        [("tags_bought.csv", "tag-ranges-overlap", 3, "first_code")],
    ),
    "tag-unknown": (
        {"sites": GW, "fish": [fish("F1", tag=T1)], "captures": [capture("C-1", "999009000000110")]},
        [("captures.csv", "tag-unknown", 2, "tag")],
    ),
    "tag-marker": (
        {
            "sites": GW,
            "tags_bought": [box("999009000099990", "999009000099999", "marker")],
            "deployments": [reader("D1")],
            "scans": [scan("999009000099991", f"2024-01-02T00:{m:02d}:00") for m in range(0, 60, 10)],
        },
        [("scans.csv", "tag-marker", 2, "tag")],
    ),
    "tag-marker-suspected": (
        {
            "sites": GW,
            "deployments": [reader("D1")],
            "scans": [
                scan("999009000099991", f"2024-01-{d:02d}T{h:02d}:{m:02d}:00")
                for d in range(2, 6)
                for h in range(24)
                for m in range(0, 60, 5)
            ],
        },
        [("scans.csv", "tag-marker-suspected", 2, "tag")],
    ),
    "tag-ghost-suspected": (
        {
            "sites": GW,
            "fish": [fish("F1", tag=T1, status="released")],
            "deployments": [reader("D1", from_time="2021-12-01T00:00:00", to_time="2024-10-01T00:00:00")],
            "scans": [scan(T1, f"{y}-{m:02d}-07T05:00:00") for y in (2022, 2023, 2024) for m in range(1, 9)],
        },
        [("scans.csv", "tag-ghost-suspected", 2, "tag")],
    ),
    "capture-before-tagging": (
        {
            "sites": GW,
            "fish": [fish("F1")],
            "identifiers": [{"fish_id": "F1", "kind": "pit-iso", "code": T1, "from_date": "2024-04-02"}],
            "captures": [capture("C-1", T1)],
        },
        [("captures.csv", "capture-before-tagging", 2, "captured_on")],
    ),
    "scan-before-tagging": (
        {
            "sites": GW,
            "releases": [release(T1, released_on="2024-02-01")],
            "deployments": [reader("D1")],
            "scans": [scan(T1, "2024-01-05T10:00:00")],
        },
        [("scans.csv", "scan-before-tagging", 2, "scanned_at")],
    ),
    "release-before-tagging": (
        {
            "sites": GW,
            "fish": [fish("F1", status="released")],
            "identifiers": [{"fish_id": "F1", "kind": "pit-iso", "code": T1, "from_date": "2024-04-02"}],
            "releases": [release(T1)],
        },
        [("releases.csv", "release-before-tagging", 2, "released_on")],
    ),
    # ------------------------------------------------------------------ days
    "release-before-hatch": (
        {
            "sites": GW,
            "families": [family("FA")],
            "releases": [release(T1, released_on="2021-11-12", family="FA", year_class=2022)],
        },
        [("releases.csv", "release-before-hatch", 2, "released_on")],
    ),
    "tagging-before-hatch": (
        {"families": [family("FA")], "stock": [stock("S1", tag=T1, tagged_on="2021-03-01")]},
        [("stock.csv", "tagging-before-hatch", 2, "tagged_on")],
    ),
    "span-reversed": (
        {"sites": GW, "deployments": [reader("D1", to_time="2023-12-20T00:00:00")]},
        [("deployments.csv", "span-reversed", 2, "to_time")],
    ),
    "day-to-come": (
        {"sites": GW, "captures": [capture("C-1", "", captured_on="2024-11-03")]},
        [("captures.csv", "day-to-come", 2, "captured_on")],
    ),
    "year-class-mismatch": (
        {
            "larval_takes": [
                {
                    "take_id": "L1",
                    "collected_on": "2023-12-28",
                    "zone": "GW",
                    "year_class": 2023,
                    "number": 40,
                }
            ]
        },
        [("larval_takes.csv", "year-class-mismatch", 2, "year_class")],
    ),
    "year-class-of-family": (
        {"families": [family("FA")], "fish": [fish("F1", origin="wild-larva", family="FA", year_class=2021)]},
        [("fish.csv", "year-class-of-family", 2, "year_class")],
    ),
    "season-mismatch": (
        {"fish": PAIR, "crosses": [dish("X1", season=2021)]},
        [("crosses.csv", "season-mismatch", 2, "season")],
    ),
    "gone-fish-crossed": (
        {
            "fish": [fish("F1", year_class=2015, status="dead", status_on="2023-06-01"), PAIR[1]],
            "crosses": [dish("X1")],
        },
        [("crosses.csv", "gone-fish-crossed", 2, "dam")],
    ),
    "gone-fish-seen": (
        {
            "fish": [fish("F1", status="dead", status_on="2023-06-01")],
            "ripeness": [{"fish_id": "F1", "checked_on": "2024-02-13", "state": "ripe"}],
        },
        [("ripeness.csv", "gone-fish-seen", 2, "fish_id")],
    ),
    "two-places": (
        {
            "units": [
                {"unit_id": "K1", "building": "main hall", "kind": "cell"},
                {"unit_id": "K2", "building": "annex", "kind": "cell"},
            ],
            "fish": [*PAIR, fish("M2", sex="male", year_class=2015)],
            "crosses": [
                dish("X1", made_at="08:40", cell="K1"),
                dish("X2", made_at="08:40", cell="K2", sire="M2"),
            ],
        },
        [("crosses.csv", "two-places", 3, "dam")],
    ),
    # ------------------------------------------------------------------ measures
    "length-in-inches": (
        {"sites": GW, "captures": [capture("C-1", "", length_mm=15.7, length_type="TL", weight_g=715)]},
        [("captures.csv", "measures-implausible", 2, "length_mm")],
    ),
    "weight-in-kilograms": (
        {"sites": GW, "captures": [capture("C-1", "", length_mm=402, length_type="TL", weight_g=0.715)]},
        [("captures.csv", "measures-implausible", 2, "length_mm")],
    ),
    "length-kind-doubtful": (
        {"sites": GW, "captures": _condition_table()},
        [("captures.csv", "length-kind-doubtful", 25, "length_mm")],
    ),
    "growth-shrinking": (
        {
            "sites": GW,
            "releases": [release(T1, total_length_mm=402)],
            "captures": [capture("C-1", T1, length_mm=380, length_type="TL")],
        },
        [("captures.csv", "growth-shrinking", 2, "length_mm")],
    ),
    "growth-too-fast": (
        {
            "sites": GW,
            "releases": [release(T1, total_length_mm=402)],
            "captures": [capture("C-1", T1, length_mm=520, length_type="TL")],
        },
        [("captures.csv", "growth-too-fast", 2, "length_mm")],
    ),
    # ------------------------------------------------------------------ parents
    "self-parent": (
        {"fish": [fish("F1", origin="hatchery", dam="F1")]},
        [("fish.csv", "self-parent", 2, "dam")],
    ),
    "self-parent-claim": (
        {
            "fish": [fish("F1")],
            "parent_claims": [{"child": "F1", "role": "dam", "parent": "F1", "source": "assumed"}],
        },
        [("parent_claims.csv", "self-parent", 2, "parent")],
    ),
    "pedigree-loop": (
        {
            "fish": [
                fish("F1", origin="hatchery", dam="F2"),
                fish("F2", origin="hatchery", dam="F3"),
                fish("F3", origin="hatchery", dam="F1"),
            ]
        },
        [("fish.csv", "pedigree-loop", 2, "")],
    ),
    "two-sex-parent": (
        {
            "fish": [
                fish("F1", sex="unknown"),
                fish("F2", origin="hatchery", dam="F1"),
                fish("F3", origin="hatchery", sire="F1"),
            ]
        },
        [("fish.csv", "two-sex-parent", 4, "sire")],
    ),
    "two-sex-parent-crosses": (
        {
            "fish": [
                fish("F1", year_class=2015),
                fish("M1", sex="male", year_class=2015),
                fish("U1", sex="unknown", year_class=2015),
            ],
            "crosses": [dish("X1", dam="U1"), dish("X2", sire="U1")],
        },
        [("crosses.csv", "two-sex-parent", 3, "sire")],
    ),
    "parent-sex": (
        {"fish": [fish("M1", sex="male"), fish("F2", origin="hatchery", dam="M1")]},
        [("fish.csv", "parent-sex", 3, "dam")],
    ),
    "parent-age": (
        {"fish": [fish("F1", year_class=2019), fish("F2", origin="hatchery", dam="F1", year_class=2020)]},
        [("fish.csv", "parent-age", 3, "dam")],
    ),
    "parent-age-cross": (
        {"fish": [fish("F1", year_class=2023, origin="unknown"), PAIR[1]], "crosses": [dish("X1")]},
        [("crosses.csv", "parent-age", 2, "dam")],
    ),
    "sex-against-role": (
        {"fish": [fish("F1", sex="male", year_class=2015), PAIR[1]], "crosses": [dish("X1")]},
        [("crosses.csv", "sex-against-role", 2, "dam")],
    ),
    "sex-changed": (
        {
            "sites": GW,
            "fish": [fish("F1", tag=T1, status="released")],
            "captures": [capture("C-1", T1, sex="male")],
        },
        [("captures.csv", "sex-changed", 2, "sex")],
    ),
    "family-without-parents": (
        {"families": [family("FA", kind="cross")]},
        [("families.csv", "family-without-parents", 2, "dam")],
    ),
    "group-with-parents": (
        {"fish": [fish("F1", year_class=2015)], "families": [family("FA", dam="F1")]},
        [("families.csv", "group-with-parents", 2, "dam")],
    ),
    "wild-with-parents": (
        {"fish": [*PAIR, fish("F2", dam="F1", sire="M1", year_class=2020)]},
        [("fish.csv", "wild-with-parents", 4, "origin")],
    ),
    "hatchery-without-parents": (
        {"fish": [fish("F1", origin="hatchery")]},
        [("fish.csv", "hatchery-without-parents", 2, "family")],
    ),
    "parent-missing": (
        {
            "fish": [
                *PAIR,
                *(fish(f"F{i}", origin="hatchery", dam="F1", sire="M1", year_class=2020) for i in (2, 3, 4)),
                fish("F5", origin="hatchery", dam="F1", year_class=2020),
            ]
        },
        [("fish.csv", "parent-missing", 7, "family")],
    ),
    "parents-of-family": (
        {
            "fish": [
                *PAIR,
                fish("F2", year_class=2015),
                fish("F3", origin="hatchery", dam="F2", family="FA", year_class=2022),
            ],
            "families": [family("FA", kind="cross", dam="F1", sire="M1")],
        },
        [("fish.csv", "parents-of-family", 5, "dam")],
    ),
    "claim-against-record": (
        {
            "fish": [
                *PAIR,
                fish("F2", year_class=2015),
                fish("F3", origin="hatchery", dam="F1", year_class=2020),
            ],
            "parent_claims": [{"child": "F3", "role": "dam", "parent": "F2", "source": "recorded"}],
        },
        [("parent_claims.csv", "claim-against-record", 2, "parent")],
    ),
    # ------------------------------------------------------------------ station
    "fish-two-units": (
        {
            "units": [{"unit_id": "T1", "kind": "tank"}, {"unit_id": "T2", "kind": "tank"}],
            "families": [family("FA")],
            "fish": [
                fish(
                    "F1",
                    origin="wild-larva",
                    family="FA",
                    year_class=2022,
                    status="to-release",
                    tag=T1,
                    unit="T1",
                )
            ],
            "stock": [stock("S1", tag=T1, unit="T2")],
        },
        [("stock.csv", "fish-two-units", 2, "unit")],
    ),
    "gone-fish-in-unit": (
        {"units": [{"unit_id": "T1", "kind": "tank"}], "fish": [fish("F1", status="dead", unit="T1")]},
        [("fish.csv", "gone-fish-in-unit", 2, "unit")],
    ),
    "unit-over-capacity": (
        {
            "units": [{"unit_id": "T1", "kind": "tank", "capacity_fish": 2}],
            "fish": [fish(f"F{i}", unit="T1") for i in range(3)],
        },
        [("units.csv", "unit-over-capacity", 2, "capacity_fish")],
    ),
    "counts-increase": (
        {"fish": PAIR, "crosses": [dish("X1", eggs=9000, hatched=5000, swim_up=5240, kept=900)]},
        [("crosses.csv", "counts-increase", 2, "swim_up")],
    ),
    "family-more-than-kept": (
        {
            "fish": PAIR,
            "families": [family("FA", kind="cross", dam="F1", sire="M1", made_on="2022-02-14")],
            "crosses": [dish("X1", season=2022, made_on="2022-02-14", family="FA", kept=1)],
            "stock": [stock("S1", tag=T1), stock("S2", tag=T2)],
        },
        [("families.csv", "family-more-than-kept", 2, "family_id")],
    ),
    "certificate-expired": (
        {
            "units": [{"unit_id": "T1", "kind": "tank"}],
            "families": [family("FA")],
            "stock": [stock("S1", tag=T1, unit="T1")],
            "certificates": [
                {
                    "certificate_id": "H1",
                    "unit": "T1",
                    "issued_on": "2024-09-17",
                    "valid_until": "2024-10-17",
                    "result": "clear",
                }
            ],
        },
        [("certificates.csv", "certificate-expired", 2, "valid_until")],
    ),
    "certificate-not-clear": (
        {
            "units": [{"unit_id": "T1", "kind": "tank"}],
            "families": [family("FA")],
            "stock": [stock("S1", tag=T1, unit="T1")],
            "certificates": [
                {
                    "certificate_id": "H1",
                    "unit": "T1",
                    "issued_on": "2024-10-01",
                    "valid_until": "2024-11-30",
                    "result": "pending",
                }
            ],
        },
        [("certificates.csv", "certificate-not-clear", 2, "result")],
    ),
    "certificate-missing": (
        {
            "units": [{"unit_id": "T1", "kind": "tank"}, {"unit_id": "T2", "kind": "tank"}],
            "families": [family("FA")],
            "stock": [stock("S1", tag=T1, unit="T1"), stock("S2", tag=T2, unit="T2")],
            "certificates": [
                {
                    "certificate_id": "H1",
                    "unit": "T1",
                    "issued_on": "2024-10-01",
                    "valid_until": "2024-11-30",
                    "result": "clear",
                }
            ],
        },
        [("stock.csv", "certificate-missing", 3, "unit")],
    ),
    "permit-exceeded": (
        {"permits": [permit("collect-larvae", limit_number=12000, used=12212)]},
        [("permits.csv", "permit-exceeded", 2, "used")],
    ),
    "permit-exceeded-by-records": (
        {
            "permits": [permit("collect-larvae", limit_number=100)],
            "larval_takes": [
                {
                    "take_id": f"L{i}",
                    "collected_on": f"2024-02-0{i}",
                    "zone": "GW",
                    "year_class": 2024,
                    "number": 60,
                }
                for i in (1, 2)
            ],
        },
        [("permits.csv", "permit-exceeded", 2, "used")],
    ),
    "permit-tally-differs": (
        {
            "sites": GW,
            "permits": [permit("release", limit_number=100, used=3)],
            "releases": [release(T1, released_on="2024-03-01")],
        },
        [("permits.csv", "permit-tally-differs", 2, "used")],
    ),
    "permit-not-valid": (
        {
            "sites": GW,
            "permits": [
                permit("release", limit_number=100, used=0, valid_from="2023-01-01", valid_until="2023-06-30")
            ],
            "releases": [release(T1)],
        },
        [("releases.csv", "permit-not-valid", 2, "released_on")],
    ),
    "stock-already-released": (
        {"sites": GW, **SOUND_STOCK, "releases": [release(T1)]},
        [("stock.csv", "stock-already-released", 2, "tag")],
    ),
    # ------------------------------------------------------------------ waters
    "site-far-off": (
        {
            "sites": [
                site("GW", latitude=27.5, longitude=-37.9),
                site("BB", latitude=27.51, longitude=-38.16),
                site("QL", latitude=27.52, longitude=37.93),
            ]
        },
        [("sites.csv", "site-far-off", 4, "latitude")],
    ),
    "predators-unknown": (
        {"sites": [site("GW", predators="unknown", open_for_release="yes", surveyed_on="2024-09-01")]},
        [("sites.csv", "predators-unknown", 2, "predators")],
    ),
    "survey-stale": (
        {"sites": [site("LT", kind="isolated-backwater", open_for_release="yes", surveyed_on="2023-05-04")]},
        [("sites.csv", "survey-stale", 2, "surveyed_on")],
    ),
    "site-over-capacity": (
        {
            "sites": [site("HR", capacity_fish=35)],
            "residents": [{"site_id": "HR", "number": 20}, {"site_id": "HR", "number": 16}],
        },
        [("sites.csv", "site-over-capacity", 2, "capacity_fish")],
    ),
    "site-without-water": (
        {"sites": [site("NP", renovated_on="2023-11-05")], "releases": [release(T1, site_id="NP")]},
        [("releases.csv", "site-without-water", 2, "site_id")],
    ),
    "release-duplicate": (
        {"sites": GW, "releases": [release(T1), release(T1)]},
        [("releases.csv", "release-duplicate", 3, "tag")],
    ),
    "capture-duplicate": (
        {
            "sites": GW,
            "fish": [fish("F1", tag=T1, status="released")],
            "captures": [capture("C-1", T1, method="fyke"), capture("C-2", T1, method="trammel")],
        },
        [("captures.csv", "capture-duplicate", 3, "tag")],
    ),
    "places-far-apart": (
        {
            "sites": [site("UN", river_km=10), site("DP", river_km=92)],
            "fish": [fish("F1", tag=T1, status="released")],
            "deployments": [reader("D1", site_id="UN"), reader("D2", site_id="DP")],
            "scans": [scan(T1, "2024-01-05T10:00:00", "D1"), scan(T1, "2024-01-05T11:00:00", "D2")],
        },
        [("scans.csv", "places-far-apart", 3, "site_id")],
    ),
    "clock-outside-deployment": (
        {
            "sites": GW,
            "fish": [fish("F1", tag=T1, status="released")],
            "deployments": [reader("D1")],
            "scans": [scan(T1, "2024-01-05T10:00:00"), scan(T1, "2024-01-11T00:48:00")],
        },
        [("deployments.csv", "clock-outside-deployment", 2, "from_time")],
    ),
    "clock-offset-odd": (
        {
            "sites": GW,
            "deployments": [
                reader("D1", utc_offset_h=-7),
                reader("D2", utc_offset_h=-7),
                reader("D3", utc_offset_h=-6),
            ],
        },
        [("deployments.csv", "clock-offset-odd", 4, "utc_offset_h")],
    ),
    "scan-hours-too-many": (
        {"sites": GW, "deployments": [reader("D1", scan_hours=250)]},
        [("deployments.csv", "scan-hours-too-many", 2, "scan_hours")],
    ),
}
