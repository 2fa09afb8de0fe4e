"""The audit's first part: quality of the calls, what was left out and why, what a person must look at."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from broodstock.genotypes.quality.exclusions import Notice
from planner.reports.audit_report import AuditSection, table_block
from planner.reports.sheet import TableBlock
from planner.tasks.audit_part import AuditPart, AuditTable
from planner.tasks.audit_samples import AuditCalls, set_words, unused_samples
from planner.tasks.programme import Programme
from planner.tasks.quality import reason_kind
from planner.tasks.sample_records import sample_facts

MOST_ROWS = 40
NOTICE_WORDS = {
    "blank-typed": "Negative control with genotypes",
    "replicate-differs": "One fish on record, two genotypes",
    "replicate-poor": "Repeat typing of poor quality",
    "same-genotype": "One genotype under two names",
    "two-fish": "Two fish in one vial, or foreign DNA",
    "sex-differs": "Sex by DNA against the record",
    "foreign-species": "Genes of the other species",
    "parents-mismatch": "Recorded parents do not fit",
    "plate-pattern": "Plate shift or exchange",
    "null-alleles": "Locus with null alleles",
    "hardy-weinberg": "Locus out of Hardy-Weinberg proportions",
}
SHOWN_FIRST = (
    "plate-pattern",
    "two-fish",
    "sex-differs",
    "replicate-differs",
    "same-genotype",
    "blank-typed",
)


def quality_part(programme: Programme, sets: list[AuditCalls]) -> AuditPart:
    """Report the quality of every call set.

    Parameters
    ----------
    programme : Programme
        Open records.
    sets : list of AuditCalls
        Call sets after quality control, the main one first.
    """
    blocks = [_summary(sets), _left_out(sets)]
    tables: list[AuditTable] = []
    data: dict[str, Any] = {}
    for calls in sets:
        owner = _owners(programme, calls)
        rows, met_again = _identity_rows(programme, calls, owner)
        if rows or met_again:
            notes = []
            if len(rows) > MOST_ROWS:
                notes.append(f"{len(rows) - MOST_ROWS} more in the table to_look_at_{calls.name}.")
            if met_again:
                notes.append(
                    f"{met_again} more pairs have one genotype of which at most one has a name: untagged fish met again, all "
                    f"in the table to_look_at_{calls.name}."
                )
            blocks.append(
                table_block(
                    f"To look at: identity, vials and plates ({set_words(calls.name)})",
                    [("What", 1.1), ("Fish or wells", 1.3), ("Why", 4)],
                    rows[:MOST_ROWS],
                    " ".join(notes),
                )
            )
        hybrids = hybrid_table(programme, calls)
        if len(hybrids):
            blocks.append(_hybrid_block(hybrids, calls.name))
        tables += _tables(calls, hybrids, owner)
        data[calls.name] = calls.quality.as_dict() | {
            "left_out_later": [{"name": e.name, "reason": e.reason} for e in calls.left_out],
            "foreign_fish": sorted(calls.foreign),
        }
    main = sets[0]
    lines = (
        f"{main.quality.before.n_samples} samples were typed at {main.quality.before.n_loci} loci ({set_words(main.name)}); "
        f"{main.quality.after.n_samples} samples and {main.quality.after.n_loci} loci passed, and stand for "
        f"{main.genotypes.n_samples} fish. Nothing was corrected: what is doubtful was left out and is listed.",
    )
    return AuditPart(
        "quality",
        AuditSection("Quality of the genotypes", lines, tuple(blocks)),
        tuple(tables),
        data,
        tuple(_alarms(programme, main)),
        tuple(_methods(programme, main)),
    )


def _identity_rows(
    programme: Programme, calls: AuditCalls, owner: dict[str, str]
) -> tuple[list[tuple[str, str, str]], int]:
    """Return rows about identity, vials and plates, and the number of pairs of untagged fish met again."""
    rows, met_again = [], 0
    for n in sorted(calls.quality.report.notices, key=lambda n: (_rank(n.code), n.names)):
        if n.code not in SHOWN_FIRST:
            continue
        if n.code == "same-genotype" and not _both_named(programme, n, owner):
            met_again += 1
            continue
        rows.append((NOTICE_WORDS.get(n.code, n.code), _names(n, owner), n.sentence))
    return rows, met_again


def _both_named(programme: Programme, notice: Notice, owner: dict[str, str]) -> bool:
    """Return whether a genotype stands under two names of fish, or is that of a broodfish met elsewhere."""
    fish = set(programme.tables["fish"]["fish_id"])
    known = fish | set(programme.tables["stock"]["stock_id"])
    names = [owner.get(n, "") for n in notice.names]
    return all(n in known for n in names) or any(n in fish for n in names)


def _rank(code: str) -> int:
    return SHOWN_FIRST.index(code) if code in SHOWN_FIRST else len(SHOWN_FIRST)


def _owners(programme: Programme, calls: AuditCalls) -> dict[str, str]:
    return sample_facts(programme, calls.quality.before).fish


def _names(notice: Notice, owner: dict[str, str]) -> str:
    if len(notice.names) > 4:
        return f"{len(notice.names)} wells"
    return ", ".join(f"{n} ({owner[n]})" if owner.get(n, n) != n else n for n in notice.names)


def _summary(sets: list[AuditCalls]) -> TableBlock:
    rows = []
    for calls in sets:
        q = calls.quality
        rows.append(
            (
                set_words(calls.name),
                f"{q.before.n_samples} × {q.before.n_loci}",
                f"{q.after.n_samples} × {q.after.n_loci}",
                str(calls.genotypes.n_samples),
                f"{q.before.typed.mean():.1%}, {q.after.typed.mean():.1%}",
                q.report.replicates.error_rate.text(4),
            )
        )
    head: list[Any] = [
        ("Call set", 1.1),
        ("Read, samples × loci", 1.2, "right"),
        ("Kept", 1.0, "right"),
        ("Fish", 0.6, "right"),
        ("Calls made, before and after", 1.2, "right"),
        ("Share of wrong calls, from fish typed twice", 1.9, "right"),
    ]
    return table_block("Call sets", head, rows)


def _left_out(sets: list[AuditCalls]) -> TableBlock:
    rows = []
    for calls in sets:
        later = Counter(reason_kind(e.reason) for e in calls.left_out)
        for kind, reason, n in calls.quality.reasons():
            rows.append((set_words(calls.name), kind, reason, str(n)))
        rows += [(set_words(calls.name), "sample", reason, str(n)) for reason, n in later.items()]
        for reason, n in unused_samples(calls).items():
            if n and reason != "one genotype under two names":
                rows.append((set_words(calls.name), "sample", reason, str(n)))
    return table_block(
        "Left out, by reason",
        [("Call set", 1), ("What", 0.7), ("Reason", 3.4), ("Number", 0.6, "right")],
        rows,
        "Every sample and locus with its own reason: table left_out.",
    )


def hybrid_table(programme: Programme, calls: AuditCalls) -> pd.DataFrame:
    """Return fish that carry more of the other species than the limit, most foreign first.

    Returns
    -------
    DataFrame
        sample, fish, group, year_class, index, low, high, word, surely (yes or no), dishes (number of
        dishes it was used in).
    """
    samples = calls.quality.report.samples
    limit = programme.settings["hybrid_index_max"]
    rows = samples[(samples["hybrid_index"] > limit).fillna(False)]
    facts = sample_facts(programme, calls.quality.before)
    table = programme.tables["samples"].drop_duplicates("sample_id").set_index("sample_id")
    crosses = programme.tables["crosses"]
    uses = Counter([*crosses["dam"], *crosses["sire"]])
    names = list(rows["sample"])
    fish = [facts.fish.get(s, "") for s in names]
    frame = pd.DataFrame(
        {
            "sample": names,
            "fish": fish,
            "group": [table["group"].get(s, "") for s in names],
            "year_class": pd.array([table["year_class"].get(s, pd.NA) for s in names], dtype="Int64"),
            "index": rows["hybrid_index"].to_numpy(dtype=float),
            "low": rows["hybrid_low"].to_numpy(dtype=float),
            "high": rows["hybrid_high"].to_numpy(dtype=float),
            "word": list(rows["hybrid_word"]),
            "surely": ["yes" if s in calls.foreign else "no" for s in names],
            "dishes": [uses.get(f, 0) if f else 0 for f in fish],
        }
    )
    return frame.sort_values(["dishes", "index"], ascending=False, kind="stable").reset_index(drop=True)


def _hybrid_block(table: pd.DataFrame, name: str) -> TableBlock:
    sure = table[table["surely"] == "yes"]
    rows = [
        (
            f"{r['sample']} ({r['fish']})" if r["fish"] and r["fish"] != r["sample"] else r["sample"],
            r["group"],
            "" if pd.isna(r["year_class"]) else str(r["year_class"]),
            f"{r['index']:.2f} ({r['low']:.2f} to {r['high']:.2f})",
            r["word"],
            str(r["dishes"]) if r["dishes"] else "",
        )
        for r in sure.head(MOST_ROWS // 2).to_dict("records")
    ]
    rest = len(table) - len(rows)
    return table_block(
        "Fish with genes of the other species, beyond doubt",
        [
            ("Sample (fish)", 1.5),
            ("Taken as", 1),
            ("Year class", 0.7),
            ("Foreign share", 1.4, "right"),
            ("Most likely class", 1.7),
            ("Dishes", 0.6, "right"),
        ],
        rows,
        f"{rest} more, among them {len(table) - len(sure)} whose interval reaches down to the limit, in the table "
        f"hybrids_{name}.",
    )


def _tables(calls: AuditCalls, hybrids: pd.DataFrame, owner: dict[str, str]) -> list[AuditTable]:
    q = calls.quality
    gone = [(e.kind, e.name, e.reason) for e in (*q.report.exclusions, *calls.left_out)]
    left_out = pd.DataFrame(gone, columns=["kind", "name", "reason"])
    notices = pd.DataFrame(
        [(n.code, " ".join(n.names), _names(n, owner), n.sentence) for n in q.report.notices],
        columns=["code", "names", "fish", "sentence"],
    )
    out = [
        AuditTable(
            f"left_out_{calls.name}",
            "One sample or locus that was left out.",
            left_out,
            {"kind": "Sample or locus.", "name": "Which.", "reason": "Why."},
        ),
        AuditTable(
            f"to_look_at_{calls.name}",
            "One point that a person must decide.",
            notices,
            {
                "code": "Short name of the kind of point.",
                "names": "Samples, loci or wells concerned.",
                "fish": "The same with the fish they belong to.",
                "sentence": "What was found.",
            },
        ),
        AuditTable(
            f"samples_{calls.name}", "One sample with its quality.", q.report.samples, _SAMPLE_COLUMNS
        ),
        AuditTable(f"loci_{calls.name}", "One locus with its quality.", q.report.loci, _LOCUS_COLUMNS),
    ]
    if len(hybrids):
        out.append(
            AuditTable(
                f"hybrids_{calls.name}",
                "One fish with more foreign genes than the limit.",
                hybrids,
                _HYBRID_COLUMNS,
            )
        )
    return out


_SAMPLE_COLUMNS = {
    "sample": "Sample.",
    "call_rate": "Share of the kept loci typed.",
    "raw_call_rate": "Share of all loci typed.",
    "heterozygosity": "Share of typed neutral loci that are heterozygous.",
    "heterozygosity_z": "Standardised departure of that share from the expectation.",
    "heterozygosity_q": "Its P value after control of the false discovery rate.",
    "two_fish": "Whether it looks like two fish in one vial.",
    "hybrid_index": "Share of genes of the other species at diagnostic loci.",
    "hybrid_low": "Lower limit of that share.",
    "hybrid_high": "Upper limit of that share.",
    "hybrid_word": "Most likely class of cross.",
    "dna_sex": "Sex by DNA.",
    "recorded_sex": "Sex on record.",
    "sex_agrees": "Whether the two agree; empty where either is open.",
    "kept": "Whether it passed quality control.",
    "reason": "Why not.",
}
_LOCUS_COLUMNS = {
    "locus": "Locus.",
    "kind": "Kind of marker.",
    "role": "What it is used for.",
    "call_rate": "Share of usable samples typed.",
    "n_alleles": "Alleles seen.",
    "observed": "Observed heterozygosity in the reference samples.",
    "expected": "Expected heterozygosity there.",
    "deficit": "Heterozygote deficit there.",
    "hw_p": "P value of Hardy-Weinberg proportions.",
    "hw_q": "The same after control of the false discovery rate.",
    "null_allele": "Estimated frequency of a null allele.",
    "null_low": "Lower limit of it.",
    "null_high": "Upper limit of it.",
    "repeated": "Pairs of repeat typings compared.",
    "repeated_differing": "Of these, pairs that differ.",
    "kept": "Whether it passed quality control.",
    "reason": "Why not.",
}
_HYBRID_COLUMNS = {
    "sample": "Sample.",
    "fish": "Its fish.",
    "group": "Why it was taken.",
    "year_class": "Year class.",
    "index": "Share of genes of the other species.",
    "low": "Lower limit of support.",
    "high": "Upper limit of support.",
    "word": "Most likely class of cross.",
    "surely": "Whether the whole interval lies above the limit.",
    "dishes": "Dishes the fish was used in.",
}


def _alarms(programme: Programme, calls: AuditCalls) -> list[str]:
    codes = Counter(n.code for n in calls.quality.report.notices)
    out = []
    plates = sorted(
        {p.plate for p in calls.quality.report.plates.patterns if p.kind in ("shift", "exchange")}
    )
    if plates:
        out.append(
            f"Compare the plate map of {', '.join(plates)} with the laboratory's: wells hold their neighbours' fish. "
            "Until then their samples stay out."
        )
    hybrids = hybrid_table(programme, calls)
    used = hybrids[(hybrids["surely"] == "yes") & (hybrids["dishes"] > 0)].drop_duplicates("fish")
    out += [
        f"Decide about {r['fish']} ({r['word']}, {r['index']:.0%} foreign): it was used in {r['dishes']} dishes. Hold the "
        "fish and these families."
        for r in used.to_dict("records")
    ]
    report = calls.quality.report
    owner = _owners(programme, calls)
    off_plate = {e.name for e in report.exclusions if reason_kind(e.reason) == reason_kind("in column")}
    for notice in report.notices:
        if off_plate & set(notice.names):
            continue  # the plate explains it
        if notice.code == "sex-differs":
            out.append(f"Look at {owner.get(notice.names[0], notice.names[0])} again: {notice.sentence}")
        elif notice.code == "same-genotype" and _both_named(programme, notice, owner):
            who = " and ".join(_names(Notice("", (n,), ""), owner) for n in notice.names)
            out.append(f"Find out whether {who} are one fish under two names, or one clip was plated twice.")
    if codes["two-fish"]:
        out.append(f"Clip and type again: {codes['two-fish']} vial(s) with two fish or foreign DNA.")
    return out


def _methods(programme: Programme, calls: AuditCalls) -> list[str]:
    limits = calls.quality.report.thresholds
    return [
        f"Quality control: loci and samples with fewer than {limits.min_locus_call_rate:.0%} and "
        f"{limits.min_sample_call_rate:.0%} of calls left out; typings of one fish compared at up to "
        f"{limits.max_mismatch:.0%} of differing loci; unrecorded matches named only where two full sibs would match by "
        f"chance less often than {limits.max_sib_chance:g}; heterozygosity outliers, Hardy-Weinberg and linkage tests "
        f"with false discovery rates {limits.heterozygosity_level:g}, {limits.hardy_weinberg_level:g} and "
        f"{limits.linkage_level:g}; fish above {limits.flag_foreign_above:.0%} of foreign genes flagged, and left out "
        "of diversity and differentiation (not of numbers of parents) where the whole interval lies above it.",
    ]
