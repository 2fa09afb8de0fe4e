"""Genotypes in the Variant Call Format, plain or block-compressed, to a `GenotypeSet` and back."""

from __future__ import annotations

import io
import re
import struct
import warnings
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from broodstock.arrays import MISSING
from broodstock.errors import UsageError
from broodstock.findings import Finding, Findings, Place
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.genotype_tables import describe_loci, half_missing
from broodstock.intake.raw_table import MAX_LISTED, more, read_bytes
from broodstock.intake.tables import in_order
from broodstock.intake.write import write_bytes

UNPLACED = "unplaced"
"""Sequence name written for loci whose linkage group is not known."""
_FIXED = ["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO"]
_BGZF_END = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")
_MORE_THAN_TWO = re.compile(rb"\t[0-9.]+[/|][0-9.]+[/|][0-9.]+")
_BASES = re.compile(r"[ACGTNacgtn]+")
_SYMBOL = re.compile(r"\*|<[A-Za-z0-9_:*]+>")


@dataclass(frozen=True)
class _Layout:
    """Where things stand in a VCF file."""

    samples: tuple[str, ...]
    lines: np.ndarray
    chromosomes: tuple[str, ...]
    positions: tuple[int, ...]
    names: tuple[str, ...]
    alleles: tuple[tuple[str, ...], ...]


def read_vcf(
    path: str | Path, loci: pd.DataFrame | None = None, *, kind: str = "snp"
) -> tuple[GenotypeSet | None, list[Finding]]:
    """Read genotypes from a VCF file.

    Parameters
    ----------
    path : str or Path
        ``.vcf`` or ``.vcf.gz`` (block-compressed or plain gzip).
    loci : DataFrame, optional
        The table ``loci``; gives kind, role and position. Loci it does not list are findings.
    kind : {'snp', 'microsatellite'}
        Kind of loci that `loci` does not list.

    Returns
    -------
    genotypes : GenotypeSet or None
        Loci in file order, named by ID or, where that is missing, by ``CHROM_POS``; the alleles of a locus
        are REF and then every ALT. Half-missing calls, and calls of one allele only, are set missing. None
        when the file cannot be used.
    findings : list of Finding
        All faults; rows are line numbers of the file.

    References
    ----------
    .. [1] The Variant Call Format specification, VCFv4.3 (samtools/hts-specs).
    """
    path = Path(path)
    file = path.name
    findings = Findings()
    data = read_bytes(path, findings, file)
    if data is None:
        return None, in_order(findings)
    packed = path.read_bytes()
    if packed[:4] == b"\x1f\x8b\x08\x04" and b"BC\x02\x00" in packed[:18] and not packed.endswith(_BGZF_END):
        findings.add(
            "gzip-broken",
            Place(file),
            "a block-compressed file without its end block",
            "a whole file",
            "It was cut short. Copy or export the file again.",
        )
        return None, in_order(findings)
    layout = _layout(data, file, findings)
    if layout is None:
        return None, in_order(findings)
    calls = _calls(data, layout, file, findings)
    described = describe_loci(layout.names, loci, kind, file, findings)
    listed = set() if loci is None or loci.empty else set(loci["locus"])
    placed = tuple(
        locus
        if locus.name in listed
        else replace(locus, linkage_group="" if c == UNPLACED else c, position=-1 if c == UNPLACED else p)
        for locus, c, p in zip(described, layout.chromosomes, layout.positions, strict=True)
    )
    return GenotypeSet(layout.samples, placed, layout.alleles, calls), in_order(findings)


def _layout(data: bytes, file: str, findings: Findings) -> _Layout | None:
    """Check the form of the file line by line; None when it cannot be used."""
    lines = data.split(b"\n")
    if not lines[0].startswith(b"##fileformat=VCF"):
        findings.add(
            "vcf-broken",
            Place(file, 1),
            f"'{lines[0][:40].decode('utf-8', errors='replace')}'",
            "a first line ##fileformat=VCFv4.x",
            "The file is no VCF. Export the genotypes as VCF.",
        )
        return None
    head = next((i for i, line in enumerate(lines) if not line.startswith(b"##")), len(lines))
    columns = (
        lines[head].decode("utf-8", errors="replace").rstrip("\r").split("\t") if head < len(lines) else []
    )
    if columns[:8] != _FIXED:
        findings.add(
            "vcf-broken",
            Place(file, head + 1),
            f"'{' '.join(columns)[:60]}'",
            "the line of column names, #CHROM POS ID REF ALT QUAL FILTER INFO",
            "Export the genotypes again.",
        )
        return None
    samples = columns[9:]
    if not samples:
        findings.add(
            "vcf-no-samples",
            Place(file, head + 1),
            "no sample columns",
            "FORMAT and a column for each sample",
            "Export the file with genotypes.",
        )
        return None
    for sample in (
        sorted({s for s in samples if samples.count(s) > 1}) if len(set(samples)) < len(samples) else ()
    ):
        findings.add(
            "sample-duplicate",
            Place(file, head + 1, sample),
            f"sample '{sample}' in {samples.count(sample)} columns",
            "each sample once",
            "Give a repeated typing its own sample_id and enter it under replicate_of.",
        )
    return _variants(lines, head, tuple(samples), file, findings)


def _variants(
    lines: list[bytes], head: int, samples: tuple[str, ...], file: str, findings: Findings
) -> _Layout | None:
    """Read the fixed columns of every variant."""
    width = len(samples) + 9
    rows, chromosomes, positions, names, alleles = [], [], [], [], []
    seen: dict[str, int] = {}
    faults = 0
    for number, line in enumerate(lines[head + 1 :], start=head + 2):
        if not line.strip():
            continue
        if line.count(b"\t") + 1 != width:
            faults += 1
            if faults <= MAX_LISTED:
                findings.add(
                    "ragged-row",
                    Place(file, number),
                    f"{line.count(9) + 1} columns",
                    f"{width} columns, as in the line of names",
                    "The file is cut short or damaged. Export it again.",
                )
            continue
        cells = [c.decode("utf-8", errors="replace") for c in line.split(b"\t", 9)[:9]]
        name = cells[2].split(";")[0] if cells[2] not in (".", "") else f"{cells[0]}_{cells[1]}"
        if not cells[1].isdigit() or cells[8].split(":")[0] != "GT":
            faults += 1
            findings.add(
                "vcf-broken",
                Place(file, number),
                f"POS '{cells[1]}', FORMAT '{cells[8]}'",
                "a position, and GT first in FORMAT",
                "Export the file with genotypes (GT).",
            )
            continue
        if name in seen:
            faults += 1
            findings.add(
                "locus-duplicate",
                Place(file, number, name),
                f"locus '{name}' again, first in line {seen[name]}",
                "each locus once",
                "Give each locus its own ID.",
                others=[Place(file, seen[name])],
            )
            continue
        seen[name] = number
        rows.append(number)
        chromosomes.append(cells[0])
        positions.append(int(cells[1]))
        names.append(name)
        alleles.append((cells[3], *(a for a in cells[4].split(",") if a not in (".", ""))))
    more(findings, "ragged-row", file, None, faults)
    if faults or len(set(samples)) < len(samples):
        return None
    if not rows:
        findings.add(
            "no-genotypes",
            Place(file),
            "no variant",
            "a line for each locus",
            "Export the genotypes again.",
            "warning",
        )
        return None
    return _Layout(
        samples, np.array(rows), tuple(chromosomes), tuple(positions), tuple(names), tuple(alleles)
    )


def _calls(data: bytes, layout: _Layout, file: str, findings: Findings) -> np.ndarray:
    """Read the calls; shape (n_loci, n_samples, 2), int16, whole or missing."""
    import allel

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = allel.read_vcf(
            io.BytesIO(data), fields=["calldata/GT"], types={"calldata/GT": "i2"}, numbers={"calldata/GT": 2}
        )
    calls = np.ascontiguousarray(found["calldata/GT"], dtype=np.int16)
    _refuse_polyploid(data, calls, layout, file, findings)
    sizes = np.array([len(a) for a in layout.alleles])[:, None, None]
    beyond = (calls >= sizes).any(axis=2)
    for i, j in np.argwhere(beyond)[:MAX_LISTED]:
        findings.add(
            "call-unreadable",
            Place(file, int(layout.lines[i]), layout.samples[j]),
            f"allele numbers {calls[i, j].tolist()}",
            f"numbers of 0 to {len(layout.alleles[i]) - 1}",
            "The file is damaged. Export it again.",
        )
    more(findings, "call-unreadable", file, None, int(beyond.sum()))
    calls[beyond] = MISSING
    half = (calls[..., 0] == MISSING) != (calls[..., 1] == MISSING)
    for i, j in np.argwhere(half)[:MAX_LISTED]:
        shown = "/".join("." if a == MISSING else str(a) for a in calls[i, j])
        half_missing(file, int(layout.lines[i]), layout.samples[j], shown, findings)
    more(findings, "call-half-missing", file, None, int(half.sum()), "warning")
    calls[half] = MISSING
    return calls


def _refuse_polyploid(data: bytes, calls: np.ndarray, layout: _Layout, file: str, findings: Findings) -> None:
    """Report calls of more than two alleles, of which the reader would keep two, and set them missing."""
    if not _MORE_THAN_TWO.search(data):
        return
    lines = data.split(b"\n")
    for i, number in enumerate(layout.lines):
        cells = lines[number - 1].split(b"\t")[9:]
        for j, cell in enumerate(cells):
            if len(re.split(rb"[/|]", cell.split(b":")[0])) > 2:
                calls[i, j] = MISSING
                findings.add(
                    "call-unreadable",
                    Place(file, int(number), layout.samples[j]),
                    f"'{cell.split(b':')[0].decode('utf-8', errors='replace')}'",
                    "two alleles",
                    "The sample holds more than two alleles: perhaps two fish in one vial. It was set missing.",
                )


def write_vcf(genotypes: GenotypeSet, path: str | Path) -> Path:
    """Write genotypes as VCF 4.3 text, block-compressed when the name ends in ``.gz``.

    Parameters
    ----------
    genotypes : GenotypeSet
        Loci whose alleles are bases; the first allele becomes REF.
    path : str or Path
        Target.

    Returns
    -------
    Path
        The target. Loci stand by linkage group in the order given and within it by position, as the format
        demands; loci without a linkage group stand under ``unplaced`` with positions 1, 2, 3... The same
        genotypes always give the same bytes.

    Raises
    ------
    UsageError
        If an allele is no sequence of bases, or a name holds characters that the format forbids.
    OSError
        If the folder cannot be written.
    """
    path = Path(path)
    data = vcf_text(genotypes).encode("utf-8")
    return write_bytes(path, bgzf_bytes(data) if path.suffix == ".gz" else data)


def vcf_text(genotypes: GenotypeSet) -> str:
    """Return genotypes as VCF 4.3 text; arguments and errors are those of `write_vcf`."""
    _check_names(genotypes)
    places = _places(genotypes.loci)
    order = sorted(range(genotypes.n_loci), key=lambda i: places[i])
    groups = dict.fromkeys(genotypes.loci[i].linkage_group or UNPLACED for i in order)
    out = ["##fileformat=VCFv4.3"]
    out += [f"##contig=<ID={g}>" for g in groups]
    out.append('##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">')
    out.append("\t".join([*_FIXED, "FORMAT", *genotypes.samples]))
    for i in order:
        locus, alleles = genotypes.loci[i], genotypes.alleles[i] or ("N",)
        words = np.array([*map(str, range(len(alleles))), "."], dtype=object)
        pair = words[genotypes.calls[i]]
        fixed = [
            locus.linkage_group or UNPLACED,
            str(places[i][1]),
            locus.name,
            alleles[0],
            ",".join(alleles[1:]) or ".",
            ".",
            ".",
            ".",
            "GT",
        ]
        out.append("\t".join([*fixed, *(f"{a}/{b}" for a, b in pair.tolist())]))
    return "\n".join(out) + "\n"


def _places(loci: Sequence[Locus]) -> list[tuple[int, int]]:
    """Return sequence number and position of each locus."""
    groups = {g: k for k, g in enumerate(dict.fromkeys(locus.linkage_group or UNPLACED for locus in loci))}
    out, unplaced = [], 0
    for locus in loci:
        if locus.linkage_group:
            out.append((groups[locus.linkage_group], max(locus.position, 0)))
        else:
            unplaced += 1
            out.append((groups[UNPLACED], unplaced))
    return out


def _check_names(genotypes: GenotypeSet) -> None:
    for sample in genotypes.samples:
        if not sample or re.search(r"[\t\r\n]", sample):
            raise UsageError(
                f"VCF: found sample {sample!r}. Expected a name without tabs or line breaks. Rename it."
            )
    for locus, alleles in zip(genotypes.loci, genotypes.alleles, strict=True):
        if not locus.name or re.search(r"[\s;]", locus.name) or locus.name == ".":
            raise UsageError(
                f"VCF: found locus {locus.name!r}. Expected a name without blanks and semicolons. Rename it."
            )
        if locus.linkage_group and not re.fullmatch(
            r"[0-9A-Za-z!#$%&+./:;?@^_|~-][0-9A-Za-z!#$%&*+./:;=?@^_|~-]*", locus.linkage_group
        ):
            raise UsageError(
                f"VCF, locus {locus.name!r}: found linkage group {locus.linkage_group!r}. Expected a name of "
                "letters and digits. Rename it."
            )
        for k, allele in enumerate(alleles):
            if not _BASES.fullmatch(allele) and not (k and _SYMBOL.fullmatch(allele)):
                raise UsageError(
                    f"VCF, locus {locus.name!r}: found allele {allele!r}. Expected bases A, C, G, T or N. "
                    "Write microsatellites and other named alleles as a CSV table."
                )


def bgzf_bytes(data: bytes) -> bytes:
    """Return data in the blocked gzip form in which VCF files are compressed.

    Parameters
    ----------
    data : bytes
        Content.

    Returns
    -------
    bytes
        Gzip members of at most 65 280 bytes each, without time, then the empty end block.

    References
    ----------
    .. [1] The SAM/BAM Format Specification, section "The BGZF compression format" (samtools/hts-specs).
    """
    out = []
    for start in range(0, len(data), 65_280):
        block = data[start : start + 65_280]
        squeeze = zlib.compressobj(6, zlib.DEFLATED, -15)
        packed = squeeze.compress(block) + squeeze.flush()
        head = b"\x1f\x8b\x08\x04\0\0\0\0\0\xff\x06\0BC\x02\0" + struct.pack("<H", len(packed) + 25)
        out.append(head + packed + struct.pack("<II", zlib.crc32(block), len(block)))
    return b"".join(out) + _BGZF_END
