"""The audit's parents: DNA against the record, exchanged dishes, parents found, and the dishes of the season."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from broodstock.genotypes.quality.proportions import binomial_share
from planner.reports.audit_report import AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import AuditPart, AuditTable, plain_rows
from planner.tasks.parents import ParentsReport
from planner.tasks.programme import Programme

MOST_ROWS = 30
RESULT_WORDS = {
    "agrees": "agree with DNA",
    "contradicts": "contradicted by DNA",
    "found": "not recorded, found by DNA",
    "undecided": "DNA does not decide",
    "not testable": "not testable",
}


def parents_part(programme: Programme, report: ParentsReport, year_class: int) -> AuditPart:
    """Report parents by DNA beside recorded parents.

    Parameters
    ----------
    programme : Programme
        Open records.
    report : ParentsReport
        Parents found.
    year_class : int
        Year class whose dishes are listed one by one.
    """
    level = float(programme.settings["confidence"])
    counts = report.audit.counts()
    decided = counts.get("agrees", 0) + counts.get("contradicts", 0)
    agreement = binomial_share(
        counts.get("agrees", 0), decided, "share of decided records that agree", "records", level
    )
    dishes = dish_table(report, year_class)
    blocks: list[TableBlock] = [_by_year(report)]
    odd = [v for v in report.audit.verdicts if v.result in ("contradicts", "found")]
    if odd:
        blocks.append(
            table_block(
                "Recorded parents that DNA contradicts, and missing parents it names",
                [
                    ("Young", 0.9),
                    ("Family", 0.9),
                    ("Role", 0.5),
                    ("On record", 0.8),
                    ("By DNA", 0.8),
                    ("Evidence", 3),
                ],
                [
                    (v.offspring, v.dish, v.role, v.recorded or "none", v.better or "none", v.reason)
                    for v in odd[:MOST_ROWS]
                ],
                f"{len(odd) - MOST_ROWS} more in the table recorded_parents." if len(odd) > MOST_ROWS else "",
            )
        )
    if len(dishes):
        blocks.append(_dish_block(dishes, year_class))
    if len(report.strays):
        blocks.append(_stray_block(report))
    swaps = report.audit.swaps
    lines = [
        f"{report.tested} fish were compared with {report.candidates} possible parents at {report.run.n_loci} loci, without "
        "looking at the recorded parents. Records are never changed: what DNA finds is a claim beside the record.",
        f"Of {decided} recorded parents that DNA could decide, {counts.get('agrees', 0)} agree: share "
        f"{agreement.text(4)}. " + _counts_words(counts),
        *[s.sentence for s in swaps],
    ]
    if not swaps:
        lines.append("No two dishes show each other's parents.")
    if report.not_typed:
        lines.append(
            f"Without a usable genotype: {', '.join(report.not_typed)}. Their young can be assigned to the other parent "
            "only."
        )
    if report.poor:
        lines.append(
            f"Compared although poorly typed: {', '.join(report.poor)}. Clip and type them again when you can."
        )
    return AuditPart(
        "parents",
        AuditSection("Parents by DNA and on record", tuple(lines), tuple(blocks)),
        _tables(report, dishes),
        report.as_dict() | {"agreement": agreement.as_dict(), "dishes": plain_rows(dishes)},
        tuple(_alarms(report)),
        (
            "Parents: likelihood of Meagher with typing errors over all pairs of candidates, one or two unsampled parents "
            "as further answers (fractional parentage), "
            f"{report.run.settings.certain_at:.0%} posterior called certain; share of parents sampled estimated from the "
            f"data: {report.run.dams_sampled:.3f} of dams, {report.run.sires_sampled:.3f} of sires; candidates old enough "
            "and in care in the season.",
        ),
    )


def _counts_words(counts: dict[str, int]) -> str:
    parts = [f"{n} {RESULT_WORDS[k]}" for k, n in counts.items() if k != "agrees" and n]
    return f"Besides: {', '.join(parts)}." if parts else ""


def _by_year(report: ParentsReport) -> TableBlock:
    table = report.hatchery
    rows = []
    for year, part in table.groupby("year_class", dropna=False, sort=True):
        words = Counter(part["word"])
        agree = Counter(part["recorded_agrees"])
        rows.append(
            (
                "unknown" if pd.isna(year) else str(year),
                str(len(part)),
                str(words["certain"]),
                str(words["probable"]),
                str(words["unresolved"] + words["not testable"]),
                str(int((part["category"] == "both sampled").sum())),
                str(agree["yes"]),
                str(agree["no"]),
            )
        )
    right = "right"
    head: list[Any] = [
        ("Year class", 1),
        ("Hatchery young", 1, right),
        ("Certain", 0.8, right),
        ("Probable", 0.8, right),
        ("Open", 0.7, right),
        ("Both parents found", 1.2, right),
        ("Record agrees", 1, right),
        ("Record contradicted", 1.2, right),
    ]
    return table_block(
        "Hatchery young by year class",
        head,
        rows,
        f"Expected wrong answers among the certain: {report.run.expected_wrong():.2f} (sum of what is left to certainty).",
    )


def dish_table(report: ParentsReport, year_class: int) -> pd.DataFrame:
    """Return one row per family of a year class: recorded parents, young tested, and what DNA supports.

    Returns
    -------
    DataFrame
        family, dam, sire, tested, dam_by_dna, sire_by_dna (empty where no young gives a clear answer),
        result (agrees, contradicts, mixed, open).
    """
    here = set(report.hatchery.loc[(report.hatchery["year_class"] == year_class).fillna(False), "family"]) - {
        ""
    }
    support = {(d.dish, d.role): d for d in report.audit.dishes if d.dish in here}
    rows = []
    for family in sorted(here):
        both = [support.get((family, role)) for role in ("dam", "sire")]
        known = [d for d in both if d is not None]
        if len(known) < 2:
            continue
        results = [
            "mixed"
            if d.mixed
            else "open"
            if d.supported is None
            else "agrees"
            if d.supported == d.recorded
            else "contradicts"
            for d in known
        ]
        worst = next((r for r in ("contradicts", "mixed", "open") if r in results), "agrees")
        names = (known[0].recorded or "", known[1].recorded or "")
        found = (known[0].supported or "", known[1].supported or "")
        rows.append((family, *names, known[0].n_tested, *found, worst))
    columns = ["family", "dam", "sire", "tested", "dam_by_dna", "sire_by_dna", "result"]
    return pd.DataFrame(rows, columns=columns)


def _dish_block(dishes: pd.DataFrame, year_class: int) -> TableBlock:
    odd = dishes[dishes["result"] != "agrees"]
    agree = len(dishes) - len(odd)
    rows = [tuple(str(x) for x in r) for r in odd.head(MOST_ROWS).itertuples(index=False)]
    note = f"{agree} of {len(dishes)} families of year class {year_class} with tested young agree with the record in both parents."
    head: list[Any] = [
        ("Family", 1),
        ("Dam on record", 1),
        ("Sire on record", 1),
        ("Young tested", 0.8, "right"),
        ("Dam by DNA", 1),
        ("Sire by DNA", 1),
        ("Result", 1),
    ]
    title = f"Families of year class {year_class} by DNA" + (
        ", those that do not plainly agree" if rows else ""
    )
    return table_block(title, head, rows, note)


def _stray_block(report: ParentsReport) -> TableBlock:
    rows = [
        (
            r["sample"],
            r["dam"],
            r["sire"],
            r["word"],
            f"{r['posterior']:.3f}",
            f"{r['mismatches']} of {r['compared']}",
        )
        for r in report.strays.head(MOST_ROWS).to_dict("records")
    ]
    head: list[Any] = [
        ("Sample", 1),
        ("Dam", 1),
        ("Sire", 1),
        ("Answer", 0.8),
        ("Posterior", 0.8, "right"),
        ("Impossible loci", 1, "right"),
    ]
    return table_block(
        "Untagged captures with both parents in the broodstock: fish of ours that lost their tag",
        head,
        rows,
        "Their age is not known, so any broodfish could be a parent: read a single one with care.",
    )


def _tables(report: ParentsReport, dishes: pd.DataFrame) -> tuple[AuditTable, ...]:
    verdicts = report.verdict_table()
    out = [
        AuditTable("parents_by_dna", "One fish with the parents DNA finds.", report.table, _PARENT_COLUMNS),
        AuditTable(
            "recorded_parents", "One recorded parent with the verdict of DNA.", verdicts, _VERDICT_COLUMNS
        ),
    ]
    if len(dishes):
        out.append(
            AuditTable("families_by_dna", "One family of the year class audited.", dishes, _DISH_COLUMNS)
        )
    return tuple(out)


_PARENT_COLUMNS = {
    "sample": "Sample.",
    "kind": "Hatchery young, or untagged capture.",
    "fish": "Its fish, if known.",
    "year_class": "Year class.",
    "family": "Recorded family.",
    "dam": "Dam by DNA; empty when she is not among the candidates.",
    "sire": "Sire by DNA.",
    "word": "Strength of the answer.",
    "category": "Which parents were found.",
    "posterior": "Posterior of this answer.",
    "mismatches": "Loci impossible with it.",
    "compared": "Loci compared.",
    "recorded_dam": "Dam on record.",
    "recorded_sire": "Sire on record.",
    "recorded_agrees": "Whether the record agrees; empty where DNA does not decide.",
    "reason": "Why it is unresolved or not testable.",
}
_VERDICT_COLUMNS = {
    "sample": "Young; a broodfish stands under its fish_id.",
    "family": "Recorded family.",
    "role": "Dam or sire.",
    "recorded": "The recorded parent.",
    "result": "What DNA says of it.",
    "better": "Parent that DNA names with certainty instead.",
    "mismatches": "Loci impossible with the recorded parent.",
    "compared": "Loci compared.",
    "reason": "Evidence in words.",
}
_DISH_COLUMNS = {
    "family": "Family.",
    "dam": "Dam on record.",
    "sire": "Sire on record.",
    "tested": "Young tested.",
    "dam_by_dna": "Dam that at least 80 % of the clear answers name.",
    "sire_by_dna": "Sire that at least 80 % of the clear answers name.",
    "result": "Agrees, contradicts, mixed (answers disagree) or open.",
}


def _alarms(report: ParentsReport) -> list[str]:
    out = [f"Enter claims by DNA for two dishes. {s.sentence}" for s in report.audit.swaps]
    swapped = {d for s in report.audit.swaps for d in s.dishes}
    for v in report.audit.verdicts:
        if v.result == "found":
            out.append(f"Enter {v.better} as {v.role} of {v.offspring} by DNA: {v.reason}.")
        elif v.result == "contradicts" and v.dish not in swapped:
            out.append(
                f"Check vial and tag of {v.offspring}: its recorded {v.role} {v.recorded} does not fit ("
                f"{v.mismatches} of {v.compared} loci impossible)."
            )
    if report.not_typed:
        out.append(
            f"Clip and type {', '.join(report.not_typed)}: parents on record without a usable genotype."
        )
    return out
