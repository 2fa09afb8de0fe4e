"""Single files with one fault each: the form of the file, its header, its cells, its tags, its calls.

Each case: file name -> (table, content, expected findings as code, row, column).
"""

from __future__ import annotations

import gzip
import io

CAPTURES = "capture_id,captured_on,site_id,tag,length_mm,weight_g,note\n"
GOOD = "C-1,2024-03-11,GW,999009000000101,402,715,\n"
FISH = "fish_id,sex,origin,status,total_length_mm\n"
SCANS = "deployment_id,scanned_at,tag\n"
SITES = "site_id,name,kind,predators,open_for_release\n"


def _capture(**changes: str) -> str:
    """Return one row of captures with some cells changed."""
    cells = {
        "capture_id": "C-2", "captured_on": "2024-03-12", "site_id": "GW", "tag": "999009000000102",
        "length_mm": "388", "weight_g": "640", "note": "",
    } | changes  # fmt: skip
    return ",".join(cells.values()) + "\n"


def _one(column: str, cell: str, code: str) -> tuple[str, str, list[tuple[str, int | None, str]]]:
    """Return captures whose third row has one wrong cell."""
    return "captures", CAPTURES + GOOD + _capture(**{column: cell}), [(code, 3, column)]


def _gzip(data: bytes) -> bytes:
    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=0, fileobj=out, mtime=0) as z:
        z.write(data)
    return out.getvalue()


WIDE = "sample_id,P1_1,P1_2,P2_1,P2_2\n"
VCF_HEAD = (
    '##fileformat=VCFv4.3\n##contig=<ID=c1>\n##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO"
)

CELL_CASES: dict[str, tuple[str, str | bytes, list[tuple[str, int | None, str]]]] = {
    # ------------------------------------------------------------------ form of the file
    "encoding.csv": (
        "captures",
        (CAPTURES + GOOD).encode() + _capture(note="d\xe9coloured").encode("cp1252"),
        [("encoding", 3, "")],
    ),
    "encoding-mixed.csv": (
        "captures",
        (CAPTURES + GOOD).encode()
        + _capture(note="caf\xe9").encode()
        + _capture(capture_id="C-3", note="caf\xe9").encode("cp1252"),
        [("encoding-mixed", 4, "")],
    ),
    "encoding-utf-16.csv": ("captures", (CAPTURES + GOOD).encode("utf-16"), [("encoding", 1, "")]),
    "nul-byte.csv": ("captures", (CAPTURES + GOOD + _capture(note="a\0b")).encode(), [("nul-byte", 3, "")]),
    "ragged-row.csv": (
        "captures",
        CAPTURES + GOOD + _capture().replace(",640", ",6,40"),
        [("ragged-row", 3, "")],
    ),
    "unclosed-quote.csv": (
        "captures",
        CAPTURES + GOOD + _capture(note='"split fin') + _capture(capture_id="C-3", note='"torn, fin"'),
        [("unclosed-quote", 3, "")],
    ),
    "duplicate-header.csv": (
        "captures",
        CAPTURES.replace("weight_g", "length_mm") + GOOD,
        [("duplicate-header", 1, "length_mm")],
    ),
    "separator-semicolon.csv": ("captures", (CAPTURES + GOOD).replace(",", ";"), [("separator", 1, "")]),
    "separator-tab.csv": ("captures", (CAPTURES + GOOD).replace(",", "\t"), [("separator", 1, "")]),
    "file-empty.csv": ("captures", b"", [("file-empty", None, "")]),
    "no-records.csv": ("captures", CAPTURES, [("no-records", None, "")]),
    "blank-row.csv": ("captures", CAPTURES + GOOD + ",,,,,,\n" + _capture(), [("blank-row", 3, "")]),
    "gzip-broken.csv.gz": ("captures", _gzip((CAPTURES + GOOD).encode())[:-12], [("gzip-broken", None, "")]),
    # ------------------------------------------------------------------ header and required cells
    "unknown-column.csv": (
        "captures",
        CAPTURES.replace("length_mm", "lenght_mm") + GOOD,
        [("unknown-column", 1, "lenght_mm")],
    ),
    "missing-column.csv": (
        "fish",
        "fish_id,sex,origin\nF-1,female,hatchery\n",
        [("missing-column", 1, "status")],
    ),
    "missing-cell.csv": _one("site_id", "", "missing-cell"),
    "duplicate-key.csv": (
        "captures",
        CAPTURES + GOOD + _capture(capture_id="C-1"),
        [("duplicate-key", 3, "capture_id")],
    ),
    # ------------------------------------------------------------------ numbers
    "not-a-number.csv": _one("length_mm", "3o8", "not-a-number"),
    "not-finite.csv": _one("weight_g", "NaN", "not-finite"),
    "not-finite-infinity.csv": _one("weight_g", "inf", "not-finite"),
    "word-for-empty.csv": _one("weight_g", "n/a", "word-for-empty"),
    "decimal-comma.csv": _one("length_mm", '"388,5"', "decimal-comma"),
    "number-with-unit.csv": _one("length_mm", "388 mm", "number-with-unit"),
    "number-qualified.csv": _one("weight_g", "~640", "number-qualified"),
    "negative-number.csv": _one("length_mm", "-388", "negative-number"),
    "out-of-range.csv": _one("length_mm", "3880", "out-of-range"),
    "not-an-integer.csv": (
        "crosses",
        "cross_id,season,made_on,dam,sire,eggs\nX-1,2024,2024-02-14,F-1,M-1,1250.5\n",
        [("not-an-integer", 2, "eggs")],
    ),
    "spreadsheet-error.csv": _one("length_mm", "#REF!", "spreadsheet-error"),
    "formula-text.csv": _one("note", "=B2+1", "formula-text"),
    "control-character.csv": _one("note", "split\x07fin", "control-character"),
    # ------------------------------------------------------------------ words
    "unknown-choice.csv": (
        "fish",
        FISH + "F-1,Female,hatchery,brood,410\n",
        [("unknown-choice", 2, "sex")],
    ),
    "not-a-flag.csv": (
        "sites",
        SITES + "QL,Quern Lagoon,isolated-backwater,none,TRUE\n",
        [("not-a-flag", 2, "open_for_release")],
    ),
    # ------------------------------------------------------------------ days and times
    "impossible-date.csv": _one("captured_on", "2024-06-31", "impossible-date"),
    "ambiguous-date.csv": _one("captured_on", "03/04/2024", "ambiguous-date"),
    "two-digit-year.csv": _one("captured_on", "14/03/24", "two-digit-year"),
    "date-form.csv": _one("captured_on", "14.03.2024", "date-form"),
    "date-serial.csv": _one("captured_on", "45363", "date-serial"),
    "not-a-date.csv": _one("captured_on", "spring", "not-a-date"),
    "implausible-year.csv": _one("captured_on", "0204-03-12", "implausible-year"),
    "date-with-time.csv": _one("captured_on", "2024-03-12T09:30", "date-with-time"),
    "time-missing.csv": (
        "scans",
        SCANS + "D-1,2024-03-12,999009000000101\n",
        [("time-missing", 2, "scanned_at")],
    ),
    "time-with-offset.csv": (
        "scans",
        SCANS + "D-1,2024-03-12T09:30:00Z,999009000000101\n",
        [("time-with-offset", 2, "scanned_at")],
    ),
    "impossible-time.csv": (
        "scans",
        SCANS + "D-1,2024-03-12T24:30:00,999009000000101\n",
        [("impossible-time", 2, "scanned_at")],
    ),
    # ------------------------------------------------------------------ tags
    "hidden-blank.csv": _one("tag", "999009000000102\u200b", "hidden-blank"),
    "tag-damaged-number.csv": _one("tag", "9.99E+14", "tag-damaged-number"),
    "tag-damaged-hex.csv": _one("tag", "1.234567E+18", "tag-damaged-number"),
    "tag-length.csv": _one("tag", "99900900000102", "tag-length"),
    "tag-characters.csv": _one("tag", "1F74374EG8", "tag-characters"),
    "tag-number-too-large.csv": _one("tag", "999274877906944", "tag-number-too-large"),
    "tag-maker-code.csv": _one("tag", "3FF.0218714A39", "tag-maker-code"),
    "tag-word-unreadable.csv": _one("tag", "0218714A390218CC", "tag-word-unreadable"),
    "tag-word-ambiguous.csv": _one("tag", "8000F9C000028001", "tag-word-ambiguous"),
    "tag-rounded.csv": _one("tag", "999009000000000", "tag-rounded"),
    "tag-converted.csv": _one("tag", "3E7.0218714A39", "tag-converted"),
    # ------------------------------------------------------------------ genotypes
    "genotypes-no-sample-column.csv": (
        "genotypes",
        "sample,P1_1,P1_2\nS1,142,146\n",
        [("missing-column", 1, "sample_id")],
    ),
    "sample-duplicate.csv": (
        "genotypes",
        WIDE + "S1,142,146,90,90\nS2,142,142,90,92\nS1,146,146,92,92\n",
        [("sample-duplicate", 4, "sample_id")],
    ),
    "locus-duplicate.csv": (
        "genotypes",
        "sample_id,P1,P2,P1\nS1,142/146,90/92,142/142\n",
        [("locus-duplicate", 1, "P1")],
    ),
    "call-half-missing.csv": (
        "genotypes",
        WIDE + "S1,142,146,90,90\nS2,142,0,90,92\n",
        [("call-half-missing", 3, "P1")],
    ),
    "call-unreadable.csv": (
        "genotypes",
        "sample_id,P1\nS1,142/146\nS2,142\n",
        [("call-unreadable", 3, "P1")],
    ),
    "call-duplicate.csv": (
        "genotypes",
        "sample_id,locus,allele_1,allele_2\nS1,P1,142,146\nS1,P1,142,142\n",
        [("call-duplicate", 3, "locus")],
    ),
    "no-genotypes.csv": ("genotypes", WIDE, [("no-genotypes", None, "")]),
    "vcf-broken.vcf": ("genotypes", "sample_id,SNP1\nS1,A/G\n", [("vcf-broken", 1, "")]),
    "vcf-no-samples.vcf": (
        "genotypes",
        VCF_HEAD + "\nc1\t1\tSNP1\tA\tG\t.\t.\t.\n",
        [("vcf-no-samples", 4, "")],
    ),
    "vcf-haploid-call.vcf": (
        "genotypes",
        VCF_HEAD + "\tFORMAT\tS1\tS2\nc1\t1\tSNP1\tA\tG\t.\t.\t.\tGT\t0/1\t1\n",
        [("call-half-missing", 5, "S2")],
    ),
    "vcf-three-alleles.vcf": (
        "genotypes",
        VCF_HEAD + "\tFORMAT\tS1\tS2\nc1\t1\tSNP1\tA\tG\t.\t.\t.\tGT\t0/1\t0/1/1\n",
        [("call-unreadable", 5, "S2")],
    ),
    "vcf-cut-short.vcf": (
        "genotypes",
        VCF_HEAD
        + "\tFORMAT\tS1\tS2\nc1\t1\tSNP1\tA\tG\t.\t.\t.\tGT\t0/1\t0/0\nc1\t9\tSNP2\tA\tG\t.\t.\t.\tGT\t0/1",
        [("ragged-row", 6, "")],
    ),
    "vcf-sample-twice.vcf": (
        "genotypes",
        VCF_HEAD + "\tFORMAT\tS1\tS1\nc1\t1\tSNP1\tA\tG\t.\t.\t.\tGT\t0/1\t0/0\n",
        [("sample-duplicate", 4, "S1")],
    ),
}
