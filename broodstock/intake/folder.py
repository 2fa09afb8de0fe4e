"""Read a whole folder of records: tables, genotypes and what files there are."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from broodstock.fields import TABLES
from broodstock.findings import Finding, Findings, Place
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.intake.references import check_references
from broodstock.intake.sheets import sheet_names
from broodstock.intake.tables import empty_frame, in_order, read_table
from broodstock.tags.codes import BLANKS
from broodstock.tags.near import near_matches, suggestion

WORKBOOK = "records.xlsx"
CALL_FILES = {
    "snps": ("snps.vcf.gz", "snps.vcf", "snps.csv.gz", "snps.csv"),
    "microsatellites": (
        "microsatellites.csv.gz",
        "microsatellites.csv",
        "microsatellites.vcf.gz",
        "microsatellites.vcf",
    ),
}
"""Genotype files by set, in the folder ``genotypes``."""
PASSED_OVER = ("truth", "inbox", "plans", "reports", "sheets")
"""Subfolders that are never read."""
_OTHER_FILES = {"datapackage.json", "sites.geojson", "README.md", "README.txt", "LICENSE", "kinshoal.toml"}
_NO_TABLES = {"tag-length", "tag-characters", "tag-number-too-large", "tag-maker-code"}


@dataclass(frozen=True)
class Records:
    """What a folder of records holds.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Every registered table by name, in the shared form; without rows when absent or skipped.
    genotypes : dict of str to GenotypeSet
        ``snps`` and ``microsatellites`` when present.
    findings : tuple of Finding
        Everything found while reading, by file and row.
    fingerprint : str
        SHA-256 over names and contents of the files, in order of name; the same files give the same
        fingerprint on every machine.
    files : dict of str to int
        Size in bytes by name relative to the folder.
    skipped : tuple of str
        Tables that were left out on request.
    """

    tables: dict[str, pd.DataFrame]
    genotypes: dict[str, GenotypeSet]
    findings: tuple[Finding, ...]
    fingerprint: str
    files: dict[str, int]
    skipped: tuple[str, ...] = ()


def read_records(
    path: str | Path, skip: Iterable[str] = (), known: Mapping[str, Collection[str]] | None = None
) -> Records:
    """Read a folder of records and stop when it has hard faults.

    Parameters
    ----------
    path, skip, known
        As in `read_folder`.

    Returns
    -------
    Records
        With warnings and notes only.

    Raises
    ------
    InputError
        With every finding, when at least one is an error.
    """
    records = read_folder(path, skip, known)
    Findings(list(records.findings)).raise_if_hard()
    return records


def read_folder(
    path: str | Path, skip: Iterable[str] = (), known: Mapping[str, Collection[str]] | None = None
) -> Records:
    r"""Read a folder of records.

    ``<table>.csv`` or ``<table>.csv.gz`` or the sheets of ``records.xlsx``; SNPs from
    ``genotypes/snps.vcf.gz`` (or ``.vcf``, ``.csv``), microsatellites from
    ``genotypes/microsatellites.csv`` (or ``.csv.gz``). The subfolders ``truth`` and ``inbox`` are never read.

    Parameters
    ----------
    path : str or Path
        The folder.
    skip : iterable of str
        Tables, or the words ``snps`` and ``microsatellites``, that are not needed now.
    known : dict of str to set of str, optional
        Names that exist elsewhere, by ``table.column``; references to them are right.

    Returns
    -------
    Records
        All faults are in its findings; nothing is raised for a fault of the input.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     text = "fish_id,sex,origin,status\nA,female,unknown,brood\nB,F,unknown,brood\n"
    ...     _ = Path(folder, "fish.csv").write_text(text, encoding="utf-8")
    ...     records = read_folder(folder)
    >>> records.tables["fish"][["fish_id", "sex"]].values.tolist()
    [['A', 'female'], ['B', '']]
    >>> [f.code for f in records.findings if f.level == "error"]
    ['unknown-choice']
    """
    folder = Path(path)
    findings = Findings()
    skip = tuple(skip)
    if not folder.is_dir():
        findings.add(
            "folder-missing", Place(str(path)), "no such folder", "a folder with records", "Check the name."
        )
        return Records({n: empty_frame(s) for n, s in TABLES.items()}, {}, tuple(findings), "", {}, skip)
    sources = _table_sources(folder, findings)
    tables, present = _read_tables(folder, sources, skip, findings)
    call_sources = _call_sources(folder, findings)
    genotypes = _read_calls(folder, call_sources, tables, skip, findings)
    findings.extend(check_references(tables, known, present))
    findings.extend(_unknown_samples(genotypes, call_sources, tables, present))
    used = sorted({*sources.values(), *call_sources.values()})
    _note_unknown_files(folder, set(used), findings)
    items = _with_near_tags(list(findings), tables)
    fingerprint, files = _fingerprint(folder, used)
    return Records(tables, genotypes, tuple(in_order(Findings(items))), fingerprint, files, skip)


def _table_sources(folder: Path, findings: Findings) -> dict[str, str]:
    """Return the file of each table, relative to the folder."""
    sources: dict[str, str] = {}
    book = folder / WORKBOOK
    sheets = set(sheet_names(book, findings)) if book.is_file() else set()
    for name in TABLES:
        there = [f for f in (f"{name}.csv", f"{name}.csv.gz") if (folder / f).is_file()]
        if name in sheets:
            there.append(WORKBOOK)
        if len(there) > 1:
            findings.add(
                "table-twice",
                Place(there[0]),
                f"the table also in {', '.join(there[1:])}",
                "each table once",
                "Remove the one that is out of date; only the first was read.",
            )
        if there:
            sources[name] = there[0]
    if not sources and not findings.stops_import:
        findings.add(
            "no-tables",
            Place(folder.name),
            "no table of records",
            f"files such as fish.csv, or {WORKBOOK}",
            "Check the folder; 'kinshoal template' writes empty tables.",
        )
    return sources


def _read_tables(
    folder: Path, sources: dict[str, str], skip: Collection[str], findings: Findings
) -> tuple[dict[str, pd.DataFrame], set[str]]:
    tables, present = {}, set()
    for name, spec in TABLES.items():
        source = sources.get(name)
        if source is None or name in skip:
            tables[name] = empty_frame(spec, source or f"{name}.csv")
            if source is not None:
                present.add(name)
            continue
        tables[name], found = read_table(folder / source, name)
        findings.extend(found)
        present.add(name)
    return tables, present - set(skip)


def _call_sources(folder: Path, findings: Findings) -> dict[str, str]:
    sources = {}
    for name, files in CALL_FILES.items():
        there = [f"genotypes/{f}" for f in files if (folder / "genotypes" / f).is_file()]
        if len(there) > 1:
            findings.add(
                "table-twice",
                Place(there[0]),
                f"the genotypes also in {', '.join(there[1:])}",
                "each set of genotypes once",
                "Remove the one that is out of date; only the first was read.",
            )
        if there:
            sources[name] = there[0]
    return sources


def _read_calls(
    folder: Path,
    sources: dict[str, str],
    tables: Mapping[str, pd.DataFrame],
    skip: Collection[str],
    findings: Findings,
) -> dict[str, GenotypeSet]:
    from broodstock.intake.genotype_tables import read_genotype_table
    from broodstock.intake.vcf import read_vcf

    genotypes = {}
    for name, source in sources.items():
        if name in skip:
            continue
        read = read_vcf if ".vcf" in source else read_genotype_table
        kind = "snp" if name == "snps" else "microsatellite"
        found_set, found = read(folder / source, tables["loci"], kind=kind)
        findings.extend(replace(f, where=replace(f.where, file=source)) for f in found)
        if found_set is not None:
            genotypes[name] = found_set
    return genotypes


def _unknown_samples(
    genotypes: Mapping[str, GenotypeSet],
    sources: Mapping[str, str],
    tables: Mapping[str, pd.DataFrame],
    present: Collection[str],
) -> list[Finding]:
    """Report genotyped samples that the table of samples does not know."""
    findings = Findings()
    if "samples" not in present:
        return []
    known = set(tables["samples"]["sample_id"])
    for name, calls in genotypes.items():
        unknown = [s for s in calls.samples if s not in known]
        for sample in unknown[:50]:
            findings.add(
                "sample-unknown",
                Place(sources[name], None, sample),
                f"sample '{sample}'",
                "a sample_id in samples.csv",
                f"{did_you_mean(near_word(sample, known))}Correct the name or add the sample.",
                "warning",
            )
        if len(unknown) > 50:
            findings.add(
                "sample-unknown",
                Place(sources[name]),
                f"{len(unknown) - 50} more samples that are not in samples.csv",
                "none",
                "Correct the names or add the samples.",
                "warning",
            )
    return list(findings)


def _with_near_tags(items: list[Finding], tables: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Add the nearest known tags to the findings about codes that cannot be read."""
    if not any(f.code in _NO_TABLES for f in items):
        return items
    known: set[str] = set()
    for name, column in (("fish", "tag"), ("identifiers", "code"), ("stock", "tag"), ("releases", "tag")):
        known |= set(tables[name][column])
    known.discard("")
    out = []
    for f in items:
        written = f.found.split("'")[1] if f.code in _NO_TABLES and f.found.count("'") >= 2 else ""
        bare = "".join(c for c in written if c not in BLANKS).upper()
        words = suggestion(near_matches(bare, known)) if bare else ""
        out.append(replace(f, remedy=f"{words} {f.remedy}") if words else f)
    return out


def _note_unknown_files(folder: Path, used: set[str], findings: Findings) -> None:
    """Note files that are neither tables nor genotypes nor known companions."""
    names = set(TABLES)
    own = {f"{n}{e}" for n in names for e in (".csv", ".csv.gz")}
    own |= {f"genotypes/{f}" for files in CALL_FILES.values() for f in files}
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder).as_posix()
        top = relative.split("/")[0]
        if not path.is_file() or top in PASSED_OVER or any(p.startswith(".") for p in relative.split("/")):
            continue
        if relative in used or path.name in _OTHER_FILES or relative == WORKBOOK:
            continue
        if relative in own:
            continue
        near = near_word(path.name.split(".")[0], names)
        findings.add(
            "file-unknown",
            Place(relative),
            "a file that is no known table",
            "files named like tables, such as fish.csv",
            f"{did_you_mean(f'{near}.csv' if near else '')}It was not read; rename or remove it.",
            "warning" if near else "note",
        )


def _fingerprint(folder: Path, used: list[str]) -> tuple[str, dict[str, int]]:
    """Return the SHA-256 over names, sizes and contents of the files, and their sizes."""
    total = hashlib.sha256()
    files = {}
    for name in used:
        data = (folder / name).read_bytes()
        files[name] = len(data)
        total.update(f"{name}\0{len(data)}\0".encode())
        total.update(data)
    return total.hexdigest(), files
