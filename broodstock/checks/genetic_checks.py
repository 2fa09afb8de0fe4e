"""Checks of genotypes against the records: identity, parents, sex, species, vials and plates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from broodstock.checks.parent_checks import ROLE_SEX, effective_parents
from broodstock.checks.records import MAX_LISTED, CheckInput, file_of, lookup
from broodstock.errors import UsageError
from broodstock.findings import Findings, Level, Place
from broodstock.genotypes.genotype_set import GenotypeSet

_ENOUGH_LOCI = 10
"""Loci below which two genotypes say nothing about identity or parents."""
_ENOUGH_SAMPLES = 10


def check_sample_places(records: CheckInput, findings: Findings) -> None:
    """Check that each well of a plate holds one sample and can be found."""
    from broodstock.genotypes.quality.plates import well_position

    samples = records.tables["samples"]
    first: dict[tuple[str, str], int] = {}
    for plate, well, row in zip(samples["plate"], samples["well"], samples.index, strict=True):
        if not plate or not well:
            continue
        try:
            well_position(well)
        except UsageError:
            findings.add(
                "well-unreadable",
                Place(file_of(samples, "samples"), int(row), "well"),
                f"'{well}'",
                "a letter A to P and a number, as B07",
                "Correct the well.",
                "warning",
            )
            continue
        before = first.setdefault((plate, well), int(row))
        if before != row:
            where = Place(file_of(samples, "samples"), int(row), "well")
            findings.add(
                "well-twice",
                where,
                f"well {well} of plate '{plate}' a second time",
                "one sample in one well",
                "Correct the plate or the well of one of the two.",
                "warning",
                others=[Place(where.file, before, "well")],
            )


def check_call_rates(records: CheckInput, findings: Findings) -> None:
    """Check that samples are typed at enough loci to be used."""
    from broodstock.genotypes.quality.call_rate import call_rates

    for name, calls in _sets(records):
        rates = call_rates(calls).by_sample
        least = records.limits.sample_call_rate_min
        low = np.flatnonzero(rates < least)
        for i in low[:MAX_LISTED]:
            findings.add(
                "call-rate-low",
                _place(records, calls.samples[i], name, "sample_id"),
                f"'{calls.samples[i]}', typed at {rates[i]:.0%} of {calls.n_loci} loci ({name})",
                f"at least {least:.0%}",
                "It is left out of genetic results; type it again if it matters.",
                "note",
            )
        _count_more(findings, "call-rate-low", name, len(low), "note")


def check_identities(records: CheckInput, findings: Findings) -> None:
    """Check that one genotype is one fish, and one fish has one genotype."""
    from broodstock.genotypes.quality.duplicates import DIFFERENT, TWO_NAMES, UNNAMED, duplicate_samples

    fish_of = _identities(records)
    on_record = set(records.tables["fish"]["fish_id"])
    for name, calls in _sets(records):
        listed = 0
        told: set[frozenset[str]] = set()
        for pair in duplicate_samples(calls, fish_of):
            who = frozenset(fish_of.get(s, s) for s in (pair.first, pair.second))
            if pair.verdict not in (DIFFERENT, TWO_NAMES, UNNAMED) or who in told:
                continue
            told.add(who)
            two_genotypes = pair.verdict == DIFFERENT
            code = "fish-two-genotypes" if two_genotypes else "genotype-twice"
            listed += 1
            if listed > MAX_LISTED:
                continue
            what = "two genotypes of one fish" if two_genotypes else "one genotype in two samples"
            open_identity = pair.verdict == UNNAMED and not who & on_record
            findings.add(
                code,
                _place(records, pair.second, name, "fish_id"),
                f"'{pair.second}'{_whose(fish_of, pair.second)} and '{pair.first}'{_whose(fish_of, pair.first)}: "
                f"{what}, {pair.mismatches} of {pair.compared} loci differ ({name})",
                "samples of one fish alike, samples of two fish different",
                "If a fish was sampled twice, enter its identity; else a clip was taken or plated twice."
                if open_identity
                else "A clip may have been taken or plated twice, a fish re-tagged, or two vials exchanged. "
                "Compare the tags and the plate map.",
                "note" if open_identity else "warning",
                others=[_place(records, pair.first, name, "fish_id")],
            )
        _count_more(findings, "genotype-twice", name, listed)


def check_recorded_parents(records: CheckInput, findings: Findings) -> None:
    """Check that the genotypes of recorded parents and offspring fit."""
    from broodstock.genotypes.quality.parent_offspring import recorded_parent_mismatches

    recorded = _recorded_parents(records)
    for name, calls in _sets(records):
        here = [r for r in recorded if r[0] in calls.index and (r[1] in calls.index or r[2] in calls.index)]
        if not here or sum(locus.role == "neutral" for locus in calls.loci) < _ENOUGH_LOCI:
            continue
        listed = 0
        for found in recorded_parent_mismatches(calls, here):
            if found.verdict in ("fits", "not testable"):
                continue
            listed += 1
            if listed > MAX_LISTED:
                continue
            clear = found.mismatches > records.limits.parent_mismatch_share * found.compared
            parents = [f"{k} '{s}'" for k, s in (("dam", found.dam), ("sire", found.sire)) if s is not None]
            findings.add(
                "parents-against-dna",
                _place(records, found.offspring, name, "family"),
                f"'{found.offspring}' with {' and '.join(parents)}: {found.verdict}, {found.mismatches} of "
                f"{found.compared} loci impossible ({name})",
                f"no more impossible loci than misreading explains (both parents together {found.allowed})",
                "Two dishes or vials may have been exchanged. Ask for parentage; keep the record and add a claim by DNA."
                if clear
                else "So few may come from misread calls of one sample. Type it again if it matters.",
                "warning" if clear else "note",
            )
        _count_more(findings, "parents-against-dna", name, listed)


def check_sex_by_dna(records: CheckInput, findings: Findings) -> None:
    """Check that the sex on record agrees with the sex by DNA."""
    from broodstock.genotypes.quality.sex_marker import sex_calls

    fish = records.tables["fish"]
    sex = lookup(fish, "fish_id", "sex")
    row_of = dict(zip(fish["fish_id"], fish.index, strict=True))
    fish_of = lookup(records.tables["samples"], "sample_id", "fish_id")
    stock_of = lookup(records.tables["samples"], "sample_id", "stock_id")
    stock_sex = lookup(records.tables["stock"], "stock_id", "sex")
    for name, calls in _sets(records, role="sex"):
        recorded = {
            s: sex.get(fish_of.get(s, ""), "") or stock_sex.get(stock_of.get(s, ""), "")
            for s in calls.samples
        }
        for call in sex_calls(calls, recorded):
            if call.agrees is not False:
                continue
            fish_id = fish_of.get(call.sample, "")
            others = [Place(file_of(fish, "fish"), int(row_of[fish_id]), "sex")] if fish_id in row_of else []
            findings.add(
                "sex-against-dna",
                _place(records, call.sample, name, "fish_id"),
                f"'{call.sample}'{_whose(fish_of, call.sample)}, {call.dna_sex} by DNA ({call.n_male_allele} of "
                f"{call.n_typed} loci show the male allele)",
                f"{call.recorded}, as recorded",
                "Look at the fish again; a wrong sample has the same effect.",
                "warning",
                others=others,
            )


def check_species(records: CheckInput, findings: Findings) -> None:
    """Check that no fish carries more of the other species than the limit."""
    from broodstock.genotypes.quality.hybrid_index import hybrid_calls

    fish_of = lookup(records.tables["samples"], "sample_id", "fish_id")
    used = _crosses_of(records)
    for name, calls in _sets(records, role="diagnostic"):
        listed = 0
        for call in hybrid_calls(calls, flag_above=records.limits.hybrid_index_max):
            # One misread locus of many lifts the index above the limit; a fish judged to be of its own
            # species with certainty is none to hold.
            if not call.flagged or call.word == "own species":
                continue
            listed += 1
            if listed > MAX_LISTED:
                continue
            # With few loci typed one misread call lifts the index; its interval then reaches to nothing.
            clear = call.index.low is not None and call.index.low > 0.01
            places = used.get(fish_of.get(call.sample, ""), [])
            dishes = f", used in {len(places)} dish(es)" if places else ""
            findings.add(
                "hybrid-suspected",
                _place(records, call.sample, name, "fish_id"),
                f"'{call.sample}'{_whose(fish_of, call.sample)}, {call.index.text(2)} of its genes from the other "
                f"species at {call.n_typed} diagnostic loci, {call.word}{dishes}",
                f"at most {records.limits.hybrid_index_max:g}",
                "Hold the fish and all dishes it was used in until the geneticist has decided."
                if clear
                else "It may be one misread call. Type the sample again before the fish is used.",
                "warning" if clear else "note",
                others=places[:20],
            )
        _count_more(findings, "hybrid-suspected", name, listed)


def check_vials(records: CheckInput, findings: Findings) -> None:
    """Check that each vial held one fish: two fish show too many heterozygous loci."""
    from broodstock.genotypes.quality.heterozygosity import sample_heterozygosity, two_fish_suspected

    for name, calls in _sets(records, role="neutral"):
        if calls.n_samples < _ENOUGH_SAMPLES or calls.n_loci < _ENOUGH_LOCI:
            continue
        found = sample_heterozygosity(calls)
        for i in np.flatnonzero(two_fish_suspected(found))[:MAX_LISTED]:
            findings.add(
                "two-fish-in-vial",
                _place(records, calls.samples[i], name, "sample_id"),
                f"'{calls.samples[i]}', heterozygous at {found.heterozygous[i]} of {found.typed[i]} loci ({name})",
                f"about {found.expected[i]:.0f}",
                "There may be two fish in the vial, or foreign DNA. Type it again from the clip.",
                "warning",
            )


def check_plate_patterns(records: CheckInput, findings: Findings) -> None:
    """Check that the samples of a plate stand in their wells, not shifted or exchanged."""
    from broodstock.genotypes.quality.plates import PlateLayout, check_plates, well_position

    samples = records.tables["samples"]
    same = _same_fish(records)
    parents = {o: (d, s) for o, d, s in _recorded_parents(records)}
    layout, seen = [], set()
    for sample, plate, well in zip(samples["sample_id"], samples["plate"], samples["well"], strict=True):
        if not plate or not well or (plate, well) in seen:
            continue
        try:
            well_position(well)
        except UsageError:
            continue
        seen.add((plate, well))
        dam, sire = parents.get(sample, (None, None))
        layout.append(
            PlateLayout(sample, plate, well, tuple(s for s in same.get(sample, ()) if s != sample), dam, sire)
        )
    if not layout:
        return
    for name, calls in _sets(records):
        for pattern in check_plates(calls, layout).patterns:
            findings.add(
                "plate-pattern",
                Place(file_of(samples, "samples"), None, "plate"),
                f"plate '{pattern.plate}', {pattern.kind} of {len(pattern.wells)} wells ({name}): {pattern.sentence.rstrip('.')}",
                "samples that fit their wells",
                "Compare the plate map with the laboratory's before any of these samples is used.",
                "warning",
            )


def _sets(records: CheckInput, role: str = "") -> Iterator[tuple[str, GenotypeSet]]:
    """Yield the sets that have samples and loci, without controls; with a role, only loci of that role."""
    samples = records.tables["samples"]
    controls = set(samples.loc[samples["group"] == "control", "sample_id"])
    for name, calls in records.genotypes.items():
        keep = [i for i, s in enumerate(calls.samples) if s not in controls]
        loci = [j for j, locus in enumerate(calls.loci) if not role or locus.role == role]
        if keep and loci:
            yield name, calls.take(samples=keep, loci=loci)


def _identities(records: CheckInput) -> dict[str, str]:
    """Return the fish of each sample: by name, by stock, or that of the sample it repeats."""
    samples = records.tables["samples"]
    own = {
        s: f or (f"stock {k}" if k else "")
        for s, f, k in zip(samples["sample_id"], samples["fish_id"], samples["stock_id"], strict=True)
    }
    repeats = lookup(samples, "sample_id", "replicate_of")
    out = {}
    for sample in own:
        origin, steps = sample, 0
        while repeats.get(origin) and repeats[origin] in own and steps < 20:
            origin, steps = repeats[origin], steps + 1
        fish = own[origin] or own[sample] or (f"sample {origin}" if origin != sample else "")
        if fish:
            out[sample] = fish
        if origin != sample and not own[origin]:
            out[origin] = f"sample {origin}"
    return out


def _same_fish(records: CheckInput) -> dict[str, list[str]]:
    """Return for each sample all samples of its fish."""
    by_fish: dict[str, list[str]] = {}
    for sample, fish in _identities(records).items():
        by_fish.setdefault(fish, []).append(sample)
    return {s: group for group in by_fish.values() if len(group) > 1 for s in group}


def _recorded_parents(records: CheckInput) -> list[tuple[str, str | None, str | None]]:
    """Return samples with the samples of their recorded dam and sire, by fish or by family."""
    samples, fish, families = (records.tables[n] for n in ("samples", "fish", "families"))
    sample_of: dict[str, str] = {}
    for sample, name in zip(samples["sample_id"], samples["fish_id"], strict=True):
        if name:
            sample_of.setdefault(name, sample)
    of_fish = effective_parents(records, fish)
    by_fish = {f: (d, s) for f, d, s in zip(fish["fish_id"], of_fish["dam"], of_fish["sire"], strict=True)}
    by_family = {
        f: (d, s) for f, d, s in zip(families["family_id"], *(families[r] for r in ROLE_SEX), strict=True)
    }
    out = []
    for sample, name, family in zip(samples["sample_id"], samples["fish_id"], samples["family"], strict=True):
        dam, sire = by_fish.get(name, ("", "")) if name else by_family.get(family, ("", ""))
        pair = sample_of.get(dam), sample_of.get(sire)
        if pair != (None, None):
            out.append((sample, *pair))
    return out


def _crosses_of(records: CheckInput) -> dict[str, list[Place]]:
    crosses = records.tables["crosses"]
    out: dict[str, list[Place]] = {}
    for role in ROLE_SEX:
        for fish, row in zip(crosses[role], crosses.index, strict=True):
            if fish:
                out.setdefault(fish, []).append(Place(file_of(crosses, "crosses"), int(row), role))
    return out


def _place(records: CheckInput, sample: str, name: str, column: str) -> Place:
    row = records.sample_rows.get(sample)
    if row is not None:
        return Place(file_of(records.tables["samples"], "samples"), row, column)
    return Place(f"genotypes/{name}", None, sample)


def _whose(fish_of: Mapping[str, str], sample: str) -> str:
    fish = fish_of.get(sample, "")
    return f" of '{fish}'" if fish else ""


def _count_more(findings: Findings, code: str, name: str, total: int, level: Level = "warning") -> None:
    if total > MAX_LISTED:
        findings.add(
            code,
            Place(f"genotypes/{name}"),
            f"{total - MAX_LISTED} more of the same kind",
            "none",
            f"Only the first {MAX_LISTED} are listed.",
            level,
        )
