"""Tables of the quality report.

Columns that may be empty use pandas nullable types, so an empty cell is a missing value and never NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.checks import Checks
from broodstock.genotypes.quality.duplicates import SamplePair
from broodstock.genotypes.quality.exclusions import LOCUS, SAMPLE, Exclusion
from broodstock.genotypes.quality.linkage import LinkageTests
from broodstock.genotypes.quality.parent_offspring import RecordedParents
from broodstock.genotypes.quality.plates import MisplacedWell, PlateCheck

if TYPE_CHECKING:
    import pandas as pd

KINDS = {"text": "string", "number": "Float64", "whole": "Int64", "yes": "boolean"}


def sample_table(
    genotypes: GenotypeSet, checks: Checks, raw_rate: dict[str, float], exclusions: Sequence[Exclusion]
) -> pd.DataFrame:
    """One row per sample: call rate, heterozygosity, ancestry, sex, kept or why not.

    Returns
    -------
    DataFrame
        Columns sample, call_rate (of the loci kept), raw_call_rate, heterozygosity, heterozygosity_z,
        heterozygosity_q, two_fish, hybrid_index, hybrid_low, hybrid_high, hybrid_word, dna_sex,
        recorded_sex, sex_agrees, kept, reason. Checks that a left-out sample did not enter stay empty.
    """
    reasons = _reasons(exclusions, SAMPLE)
    het, row_of = checks.heterozygosity, {name: i for i, name in enumerate(checks.neutral_samples)}
    hybrid = {c.sample: c for c in checks.hybrids}
    sex = {c.sample: c for c in checks.sexes}
    rows = []
    for i, name in enumerate(genotypes.samples):
        k = row_of.get(name)
        tested = k is not None and bool(het.testable[k])
        ancestry, sexed = hybrid.get(name), sex.get(name)
        rows.append(
            {
                "sample": name,
                "call_rate": float(checks.sample_rate[i]),
                "raw_call_rate": raw_rate[name],
                "heterozygosity": int(het.heterozygous[k]) / int(het.typed[k])
                if k is not None and het.typed[k]
                else None,
                "heterozygosity_z": float(het.z[k]) if tested else None,
                "heterozygosity_q": float(het.adjusted[k]) if tested else None,
                "two_fish": bool(checks.two_fish[k]) if tested else None,
                "hybrid_index": ancestry.index.value if ancestry else None,
                "hybrid_low": ancestry.index.low if ancestry else None,
                "hybrid_high": ancestry.index.high if ancestry else None,
                "hybrid_word": ancestry.word if ancestry else None,
                "dna_sex": sexed.dna_sex if sexed else None,
                "recorded_sex": sexed.recorded or None if sexed else None,
                "sex_agrees": sexed.agrees if sexed else None,
                "kept": name not in reasons,
                "reason": reasons.get(name, ""),
            }
        )
    return _frame(
        rows,
        sample="text",
        call_rate="number",
        raw_call_rate="number",
        heterozygosity="number",
        heterozygosity_z="number",
        heterozygosity_q="number",
        two_fish="yes",
        hybrid_index="number",
        hybrid_low="number",
        hybrid_high="number",
        hybrid_word="text",
        dna_sex="text",
        recorded_sex="text",
        sex_agrees="yes",
        kept="yes",
        reason="text",
    )


def locus_table(genotypes: GenotypeSet, checks: Checks, exclusions: Sequence[Exclusion]) -> pd.DataFrame:
    """One row per locus: call rate, alleles, Hardy-Weinberg, null alleles, replicate errors, kept or why not.

    Returns
    -------
    DataFrame
        Columns locus, kind, role, call_rate, n_alleles, observed, expected, deficit, hw_p, hw_q, null_allele,
        null_low, null_high, repeated, repeated_differing, kept, reason. Hardy-Weinberg and null alleles are
        given for neutral loci only.
    """
    reasons = _reasons(exclusions, LOCUS)
    n_alleles = (genotypes.allele_counts() > 0).sum(axis=1)
    again = {name: i for i, name in enumerate(checks.checked_loci)}
    rows = []
    for k, locus in enumerate(genotypes.loci):
        test, null = checks.hardy_weinberg.get(locus.name), checks.nulls.get(locus.name)
        i = again.get(locus.name)
        rows.append(
            {
                "locus": locus.name,
                "kind": locus.kind,
                "role": locus.role,
                "call_rate": float(checks.locus_rate[k]),
                "n_alleles": int(n_alleles[k]),
                "observed": test.observed if test else None,
                "expected": test.expected if test else None,
                "deficit": test.deficit if test else None,
                "hw_p": test.p_value.value if test else None,
                "hw_q": test.adjusted if test else None,
                "null_allele": null.likelihood.value if null else None,
                "null_low": null.likelihood.low if null else None,
                "null_high": null.likelihood.high if null else None,
                "repeated": int(checks.replicates.compared[i]) if i is not None else None,
                "repeated_differing": int(checks.replicates.differing[i]) if i is not None else None,
                "kept": locus.name not in reasons,
                "reason": reasons.get(locus.name, ""),
            }
        )
    return _frame(
        rows,
        locus="text",
        kind="text",
        role="text",
        call_rate="number",
        n_alleles="whole",
        observed="number",
        expected="number",
        deficit="number",
        hw_p="number",
        hw_q="number",
        null_allele="number",
        null_low="number",
        null_high="number",
        repeated="whole",
        repeated_differing="whole",
        kept="yes",
        reason="text",
    )


def duplicate_table(pairs: Sequence[SamplePair]) -> pd.DataFrame:
    """One row per matching pair of samples, and per pair of one fish that does not match.

    Returns
    -------
    DataFrame
        Columns first, second, mismatches, compared, verdict, sib_chance.
    """
    return _frame(
        [asdict(p) for p in pairs],
        first="text",
        second="text",
        mismatches="whole",
        compared="whole",
        verdict="text",
        sib_chance="number",
    )


def linkage_table(found: LinkageTests, names: Sequence[str], level: float) -> pd.DataFrame:
    """One row per locus pair associated at the false discovery rate, strongest first.

    Returns
    -------
    DataFrame
        Columns first, second, n_fish, r_squared, p_value, adjusted.
    """
    keep = np.flatnonzero(found.associated(level))
    keep = keep[np.argsort(found.p_value[keep], kind="stable")]
    rows = [
        {
            "first": names[found.first[k]],
            "second": names[found.second[k]],
            "n_fish": int(found.n_fish[k]),
            "r_squared": float(found.r_squared[k]),
            "p_value": float(found.p_value[k]),
            "adjusted": float(found.adjusted[k]),
        }
        for k in keep
    ]
    return _frame(
        rows,
        first="text",
        second="text",
        n_fish="whole",
        r_squared="number",
        p_value="number",
        adjusted="number",
    )


def parent_table(found: Sequence[RecordedParents]) -> pd.DataFrame:
    """One row per offspring with recorded parents; columns are the fields of `RecordedParents`."""
    kinds = {f.name: "whole" for f in fields(RecordedParents)}
    kinds.update(offspring="text", dam="text", sire="text", verdict="text")
    return _frame([asdict(row) for row in found], **kinds)


def well_table(found: PlateCheck) -> pd.DataFrame:
    """One row per misplaced well; columns are the fields of `MisplacedWell`, fitting wells joined by commas."""
    kinds = {f.name: "text" for f in fields(MisplacedWell)}
    kinds.update(mismatches="whole", compared="whole")
    return _frame([{**asdict(w), "fits_wells": ", ".join(w.fits_wells)} for w in found.misplaced], **kinds)


def _reasons(exclusions: Sequence[Exclusion], kind: str) -> dict[str, str]:
    out: dict[str, str] = {}
    for e in exclusions:
        if e.kind == kind:
            out[e.name] = f"{out[e.name]}; {e.reason}" if e.name in out else e.reason
    return out


def _frame(rows: list[dict[str, Any]], **kinds: str) -> pd.DataFrame:
    import pandas as pd

    columns: dict[str, Any] = {
        name: pd.Series([row[name] for row in rows], dtype=KINDS[kind])  # type: ignore[call-overload]
        for name, kind in kinds.items()
    }
    return pd.DataFrame(columns)
