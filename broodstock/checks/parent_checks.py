"""Checks of parents: pedigree, ages and sexes of the fish crossed, families and origins."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.checks.records import ALIVE, CheckInput, day, dicts, file_of, lookup, mapped, report
from broodstock.findings import Findings, Place

ROLE_SEX = {"dam": "female", "sire": "male"}
_BOTH_KNOWN = 3
"""Fish born in a hatchery with both parents from which a fish with one is doubted. Common practice, no source."""


def check_pedigree_of_fish(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is its own ancestor, both dam and sire, or as old as its young."""
    from broodstock.pedigree.check import check_pedigree

    fish = records.tables["fish"]
    whole = fish[fish["fish_id"].ne("") & ~fish["fish_id"].duplicated()]
    own = {role: list(whole[role]) for role in ROLE_SEX}
    parents = effective_parents(records, whole)
    known = set(whole["fish_id"])
    found = check_pedigree(
        list(whole["fish_id"]),
        [d if d in known else "" for d in parents["dam"]],
        [s if s in known else "" for s in parents["sire"]],
        list(whole["sex"]),
        file=file_of(fish, "fish"),
        rows=[int(r) for r in whole.index],
        birth_years=[None if pd.isna(y) else int(y) for y in whole["year_class"]],
        min_age_female=records.limits.min_age_female,
        min_age_male=records.limits.min_age_male,
        report_unknown=False,
    )
    at = {int(r): i for i, r in enumerate(whole.index)}
    for finding in found:
        role, row = finding.where.column, finding.where.row
        inherited = role in own and row is not None and not own[role][at[row]]
        # Sex and age of parents that only the family names are reported once, at the family.
        if not (inherited and finding.code in ("parent-age", "parent-sex")):
            findings.extend([finding])


def effective_parents(records: CheckInput, fish: pd.DataFrame) -> dict[str, list[str]]:
    """Return dam and sire of some rows of ``fish``: their own, or those of their family where empty."""
    out = {}
    for role in ROLE_SEX:
        of_family = lookup(records.tables["families"], "family_id", role)
        out[role] = [p or of_family.get(f, "") for p, f in zip(fish[role], fish["family"], strict=True)]
    return out


def check_parents_of_crosses(records: CheckInput, findings: Findings) -> None:
    """Check that dams are females, sires are males, and both are old enough on the day."""
    fish = records.tables["fish"]
    sex = lookup(fish, "fish_id", "sex")
    born = lookup(fish, "fish_id", "year_class")
    row_of = dict(zip(fish["fish_id"], fish.index, strict=True))
    for name in ("crosses", "families"):
        frame = records.tables[name]
        year = frame["made_on"].dt.year
        year = year.fillna(frame["season"] if name == "crosses" else frame["year_class"].astype("float64"))
        for role, right in ROLE_SEX.items():
            recorded = mapped(frame[role], sex, "object")
            report(
                findings,
                "sex-against-role",
                frame,
                recorded.isin(ROLE_SEX.values()) & recorded.ne(right),
                role,
                lambda r, k=role: f"'{r[k]}', a {sex[r[k]]} by its record",  # type: ignore[misc]
                f"a {right}",
                "Correct the fish, or its sex after looking at it or its DNA.",
                others=lambda r, k=role: [Place(file_of(fish, "fish"), int(row_of[r[k]]), "sex")],  # type: ignore[misc]
            )
            age = year.astype("float64") - mapped(frame[role], born, "float64")
            least = records.limits.min_age_female if role == "dam" else records.limits.min_age_male
            for level, young in (("error", age <= 0), ("warning", (age > 0) & (age < least))):
                report(
                    findings,
                    "parent-age",
                    frame,
                    young,
                    role,
                    lambda r, k=role, a=age: (
                        f"'{r[k]}' of year class {born[r[k]]}, {int(a[r.name])} year(s) old"
                    ),  # type: ignore[misc]
                    f"a {role} of at least {least} years",
                    "Correct the fish, its year class or the day.",
                    level,  # type: ignore[arg-type]
                )


def check_one_role_per_fish(records: CheckInput, findings: Findings) -> None:
    """Check that no fish is dam in one place and sire in another."""
    first: dict[str, dict[str, Place]] = {"dam": {}, "sire": {}}
    for name in ("families", "crosses", "fish"):
        frame = records.tables[name]
        for role in ROLE_SEX:
            for parent, row in zip(frame[role], frame.index, strict=True):
                if parent:
                    first[role].setdefault(parent, Place(file_of(frame, name), int(row), role))
    fish = records.tables["fish"]
    of_fish = effective_parents(records, fish)
    # Those that are dam and sire of recorded fish are reported by the check of the pedigree.
    reported = set(of_fish["dam"]) & set(of_fish["sire"]) & set(fish["fish_id"])
    for parent, place in first["sire"].items():
        if parent in first["dam"] and parent not in reported:
            findings.add(
                "two-sex-parent",
                place,
                f"'{parent}' as sire, and as dam elsewhere",
                "a fish that is only dam or only sire",
                "Correct the place that is wrong.",
                "error",
                others=[first["dam"][parent]],
            )


def check_families(records: CheckInput, findings: Findings) -> None:
    """Check that crosses have both parents, and groups of unknown parents have none."""
    families = records.tables["families"]
    cross = families["kind"].eq("cross")
    dishes = set(records.tables["crosses"]["family"])
    missing = families["dam"].eq("") | families["sire"].eq("")
    report(
        findings,
        "family-without-parents",
        families,
        cross & missing & ~families["family_id"].isin(dishes),
        "dam",
        lambda r: (
            f"{'dam and sire' if not r['dam'] and not r['sire'] else 'dam' if not r['dam'] else 'sire'} missing for '{r['family_id']}'"
        ),
        "a dam and a sire, or dishes in crosses.csv that name the family",
        "Fill in the parents; without them the fish of the family count as unrelated to all others.",
    )
    report(
        findings,
        "group-with-parents",
        families,
        families["kind"].isin(["larval-group", "backwater"])
        & (families["dam"].ne("") | families["sire"].ne("")),
        "dam",
        lambda r: f"parents in '{r['family_id']}', a {r['kind']}",
        "no parents, as they are unknown",
        "Correct the kind, or move the parents to parent_claims.csv.",
    )


def check_origins(records: CheckInput, findings: Findings) -> None:
    """Check that wild fish have no recorded parents and hatchery fish have some; both, where others have both."""
    fish = records.tables["fish"]
    parents = fish["dam"].ne("") | fish["sire"].ne("")
    report(
        findings,
        "wild-with-parents",
        fish,
        parents & fish["origin"].isin(["wild-adult", "wild-larva"]),
        "origin",
        lambda r: f"'{r['fish_id']}', origin {r['origin']}, dam '{r['dam']}', sire '{r['sire']}'",
        "no recorded parents for a fish from the wild",
        "Correct the origin, or move parents found by DNA to parent_claims.csv.",
    )
    report(
        findings,
        "hatchery-without-parents",
        fish,
        ~parents & fish["family"].eq("") & fish["origin"].eq("hatchery"),
        "family",
        lambda r: f"no parents and no family for '{r['fish_id']}', born in a hatchery",
        "a family, or a dam and a sire",
        "Fill them in; without them the fish counts as unrelated to all others.",
    )
    from_hatchery = fish["origin"].eq("hatchery")
    both = from_hatchery & fish["dam"].ne("") & fish["sire"].ne("")
    if both.sum() < _BOTH_KNOWN:
        return
    report(
        findings,
        "parent-missing",
        fish,
        parents & ~both & fish["family"].eq("") & from_hatchery & fish["status"].isin(ALIVE),
        "family",
        lambda r: (
            f"'{r['fish_id']}', born in a hatchery, with dam '{r['dam']}', sire '{r['sire']}' and no family"
        ),
        "both parents, or a family",
        "Look for the label of its family, or ask for parentage by DNA; until then half its kinship is unknown.",
    )


def check_parents_agree(records: CheckInput, findings: Findings) -> None:
    """Check that the parents of a fish, of its family and of the dishes of the family are the same."""
    families = records.tables["families"]
    for name in ("fish", "crosses"):
        frame = records.tables[name]
        for role in ROLE_SEX:
            parent = lookup(families, "family_id", role)
            expected = mapped(frame["family"], parent, "object")
            report(
                findings,
                "parents-of-family",
                frame,
                frame[role].ne("") & expected.ne("") & frame[role].ne(expected),
                role,
                lambda r, k=role: f"{k} '{r[k]}' in family '{r['family']}'",  # type: ignore[misc]
                lambda r, p=parent: f"'{p[r['family']]}', that of the family",  # type: ignore[misc]
                "Correct the parent or the family.",
            )


def check_parent_claims(records: CheckInput, findings: Findings) -> None:
    """Check that no claim makes a fish its own parent, and recorded claims repeat the record."""
    claims, fish = records.tables["parent_claims"], records.tables["fish"]
    report(
        findings,
        "self-parent",
        claims,
        claims["parent"].ne("") & claims["parent"].eq(claims["child"]),
        "parent",
        lambda r: f"'{r['child']}' as its own {r['role']}",
        "another fish",
        "Correct the claim.",
        "error",
    )
    for role in ROLE_SEX:
        recorded = mapped(claims["child"], lookup(fish, "fish_id", role), "object")
        report(
            findings,
            "claim-against-record",
            claims,
            claims["source"].eq("recorded")
            & claims["role"].eq(role)
            & claims["parent"].ne("")
            & recorded.ne("")
            & recorded.ne(claims["parent"]),
            "parent",
            lambda r: f"recorded {r['role']} '{r['parent']}' of '{r['child']}'",
            lambda r, k=role: f"'{lookup(fish, 'fish_id', k)[r['child']]}', as in fish.csv",  # type: ignore[misc]
            "Correct one of them; what DNA says is a claim of its own.",
        )


def check_sex_over_time(records: CheckInput, findings: Findings) -> None:
    """Check that the sex of a fish is the same each time it is seen."""
    fish, captures, releases = (records.tables[n] for n in ("fish", "captures", "releases"))
    first: dict[str, tuple[str, Place]] = {}
    for frame, name in ((fish, "fish"), (releases, "releases")):
        sexed = frame[frame["tag"].ne("") & frame["sex"].isin(["female", "male"])]
        for row in dicts(sexed[["tag", "sex"]]):
            first.setdefault(row["tag"], (row["sex"], Place(file_of(frame, name), row["row"], "sex")))
    sexed = captures[captures["tag"].ne("") & captures["sex"].isin(["female", "male"])]
    sexed = sexed.sort_values("captured_on", kind="stable")
    wrong = []
    for tag, sex, row in zip(sexed["tag"], sexed["sex"], sexed.index, strict=True):
        before = first.setdefault(tag, (sex, Place(file_of(captures, "captures"), int(row), "sex")))
        if before[0] != sex:
            wrong.append(row)
    listed = captures.loc[wrong]
    listed.attrs = dict(captures.attrs)
    report(
        findings,
        "sex-changed",
        listed,
        np.ones(len(listed), dtype=bool),
        "sex",
        lambda r: f"{r['sex']} for tag '{r['tag']}' on {day(r['captured_on'])}",
        lambda r: f"{first[r['tag']][0]}, as before",
        "Look again, or let the DNA decide; the tag may be misread.",
        others=lambda r: [first[r["tag"]][1]],
    )
