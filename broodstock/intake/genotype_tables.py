"""Genotypes in CSV, wide (a row per sample) or long (a row per call), to a `GenotypeSet` and back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from broodstock.arrays import MISSING
from broodstock.errors import UsageError
from broodstock.findings import Finding, Findings, Place
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.intake.raw_table import MAX_LISTED, RawTable, more, read_bytes, read_csv
from broodstock.intake.tables import in_order
from broodstock.intake.write import gzip_bytes, write_bytes

MISSING_CODES = ("", "0", "-9", "NA", "./.")
"""Texts that stand for an untyped allele or call."""
SAMPLE = "sample_id"
_LONG = ("sample_id", "locus", "allele_1", "allele_2")
_PAIR = re.compile(r"(.+)_([12])")
_ALLELE = re.compile(r"[A-Za-z0-9.*+-]{1,60}")
_MAX_ALLELES = 32_000


def read_genotype_table(
    path: str | Path, loci: pd.DataFrame | None = None, *, kind: str = "microsatellite"
) -> tuple[GenotypeSet | None, list[Finding]]:
    """Read genotypes from CSV.

    Wide: a column ``sample_id`` and for each locus either two columns ``LOCUS_1``, ``LOCUS_2`` or one column
    ``LOCUS`` with both alleles as ``142/146``. Long: columns ``sample_id``, ``locus``, ``allele_1``,
    ``allele_2``. Untyped alleles are an empty cell, ``0``, ``-9``, ``NA`` or ``./.``.

    Parameters
    ----------
    path : str or Path
        ``.csv`` or ``.csv.gz``.
    loci : DataFrame, optional
        The table ``loci``; gives kind, role and position. Loci it does not list are findings.
    kind : {'microsatellite', 'snp'}
        Kind of loci that `loci` does not list.

    Returns
    -------
    genotypes : GenotypeSet or None
        Alleles of each locus in the order of number or alphabet. Half-missing calls are set missing. None
        when no genotype could be read.
    findings : list of Finding
        All faults.
    """
    path = Path(path)
    findings = Findings()
    data = read_bytes(path, findings, path.name)
    raw = read_csv(data, path.name, findings) if data is not None else RawTable(path.name)
    if not raw.header:
        return None, in_order(findings)
    if SAMPLE not in raw.header:
        near = near_word(SAMPLE, set(raw.header))
        findings.add(
            "missing-column",
            Place(raw.file, 1, SAMPLE),
            "no such column" + (f"; '{near}' is there" if near else ""),
            f"a column '{SAMPLE}'",
            "Name the column of samples so.",
        )
        return None, in_order(findings)
    first = _long(raw, findings) if set(_LONG) <= set(raw.header) else _wide(raw, findings)
    if first is None:
        return None, in_order(findings)
    samples, names, texts, rows = first
    calls, alleles = _encode(texts, names, rows, raw.file, findings)
    described = describe_loci(names, loci, kind, raw.file, findings)
    if not samples or not names:
        findings.add(
            "no-genotypes",
            Place(raw.file),
            "no genotype",
            "samples and loci",
            "Fill the table or remove it.",
            "warning",
        )
        return None, in_order(findings)
    return GenotypeSet(tuple(samples), described, alleles, calls), in_order(findings)


def describe_loci(
    names: Sequence[str], loci: pd.DataFrame | None, kind: str, file: str, findings: Findings
) -> tuple[Locus, ...]:
    """Return the loci with what the table ``loci`` says of them.

    Parameters
    ----------
    names : sequence of str
        Names in file order.
    loci : DataFrame or None
        The table ``loci`` in the shared form.
    kind : {'microsatellite', 'snp'}
        Kind of loci that are not listed.
    file : str
        For findings.
    findings : Findings
        Receives ``locus-unknown`` for names that are not listed.

    Returns
    -------
    tuple of Locus
        Unlisted loci count as neutral.
    """
    listed = {} if loci is None else {str(r["locus"]): r for r in loci.to_dict("records")}
    known = set(listed)
    out: list[Locus] = []
    unknown = 0
    for name in names:
        row = listed.get(name)
        if row is not None:
            position = -1 if pd.isna(row["position"]) else int(row["position"])
            words = [str(row[k]) for k in ("linkage_group", "foreign_allele", "male_allele")]
            out.append(
                Locus(
                    name,
                    row["kind"] or kind,
                    row["role"] or "neutral",
                    words[0],
                    position,
                    words[1],
                    words[2],
                )
            )
            continue
        out.append(Locus(name, kind))
        unknown += 1 if listed else 0
        if listed and unknown <= MAX_LISTED:
            _unknown_locus(name, known, file, findings)
    more(findings, "locus-unknown", file, None, unknown)
    return tuple(out)


def _unknown_locus(name: str, known: Collection[str], file: str, findings: Findings) -> None:
    findings.add(
        "locus-unknown",
        Place(file, None, name),
        f"locus '{name}'",
        "a locus in loci.csv",
        f"{did_you_mean(near_word(name, known))}Correct the name or add the locus.",
    )


def _long(raw: RawTable, findings: Findings) -> tuple[list[str], list[str], np.ndarray, np.ndarray] | None:
    """Arrange a long table as samples x loci; a second call of one sample and locus is a finding."""
    at = {h: i for i, h in enumerate(raw.header)}
    columns = [np.array([c.strip() for c in raw.columns[at[n]]], dtype=object) for n in _LONG]
    whole = (columns[0] != "") & (columns[1] != "")
    for row in raw.rows[~whole][:MAX_LISTED]:
        findings.add(
            "missing-cell",
            Place(raw.file, int(row), SAMPLE),
            "no sample or no locus",
            "a sample_id and a locus",
            "Fill both cells.",
        )
    sample_at, samples = pd.factorize(columns[0][whole])
    locus_at, names = pd.factorize(columns[1][whole])
    texts = np.full((len(names), len(samples), 2), "", dtype=object)
    rows = np.zeros((len(names), len(samples)), dtype=np.int64)
    numbers = raw.rows[whole]
    key = pd.Series(locus_at.astype(np.int64) * max(len(samples), 1) + sample_at)
    again = key.duplicated().to_numpy()
    first = ~again
    rows[locus_at[first], sample_at[first]] = numbers[first]
    for k, column in enumerate(columns[2:]):
        texts[locus_at[first], sample_at[first], k] = column[whole][first]
    for i in np.flatnonzero(again)[:MAX_LISTED]:
        sample, locus = samples[sample_at[i]], names[locus_at[i]]
        before = int(rows[locus_at[i], sample_at[i]])
        findings.add(
            "call-duplicate",
            Place(raw.file, int(numbers[i]), "locus"),
            f"a second call of sample '{sample}' at locus '{locus}'",
            "one call of each sample at each locus",
            "Delete the call that is wrong; give a repeated typing its own sample_id.",
            others=[Place(raw.file, before)],
        )
    more(findings, "call-duplicate", raw.file, "locus", int(again.sum()))
    return list(samples), list(names), texts, rows


def _wide(raw: RawTable, findings: Findings) -> tuple[list[str], list[str], np.ndarray, np.ndarray] | None:
    """Arrange a wide table as loci x samples."""
    places = _wide_loci(raw, findings)
    at = raw.header.index(SAMPLE)
    samples = [c.strip() for c in raw.columns[at]]
    seen: dict[str, int] = {}
    keep = np.ones(len(samples), dtype=bool)
    for i, sample in enumerate(samples):
        row = int(raw.rows[i])
        if not sample:
            keep[i] = False
            findings.add(
                "missing-cell",
                Place(raw.file, row, SAMPLE),
                "an empty cell",
                "a sample_id",
                "Name the sample.",
            )
        elif sample in seen:
            keep[i] = False
            findings.add(
                "sample-duplicate",
                Place(raw.file, row, SAMPLE),
                f"'{sample}' again, first in row {seen[sample]}",
                "each sample once",
                "Give a repeated typing its own sample_id and enter it under replicate_of.",
                others=[Place(raw.file, seen[sample], SAMPLE)],
            )
        else:
            seen[sample] = row
    texts = np.full((len(places), len(samples), 2), "", dtype=object)
    for j, (name, columns) in enumerate(places.items()):
        if len(columns) == 2:
            for k, c in enumerate(columns):
                texts[j, :, k] = [t.strip() for t in raw.columns[c]]
        else:
            _split_pairs(raw, columns[0], name, texts[j], findings)
    rows = np.broadcast_to(raw.rows[keep], (len(places), int(keep.sum())))
    return [s for s, k in zip(samples, keep, strict=True) if k], list(places), texts[:, keep], rows


def _wide_loci(raw: RawTable, findings: Findings) -> dict[str, tuple[int, ...]]:
    """Return the columns of each locus."""
    places: dict[str, tuple[int, ...]] = {}
    headers: dict[str, int] = {}
    for i, header in enumerate(raw.header):
        if header in headers:
            findings.add(
                "locus-duplicate",
                Place(raw.file, 1, header),
                f"column '{header}' again, in columns {headers[header] + 1} and {i + 1}",
                "each column once",
                "Delete or rename one of them; only the first was read.",
            )
            continue
        headers[header] = i
    for header, i in headers.items():
        if header == SAMPLE or not header:
            continue
        pair = _PAIR.fullmatch(header)
        both = [headers[f"{pair[1]}_{k}"] for k in "12" if f"{pair[1]}_{k}" in headers] if pair else []
        if pair and len(both) == 2 and not any(_holds_pairs(raw.columns[c]) for c in both):
            places[pair[1]] = (both[0], both[1])
        else:
            places[header] = (i,)
    return places


def _holds_pairs(cells: Sequence[str]) -> bool:
    """Return True when the typed cells of a column hold both alleles, as ``142/146``."""
    typed = [c for c in cells if c.strip() not in MISSING_CODES]
    return bool(typed) and all(_pair(c.strip()) is not None for c in typed)


def _split_pairs(raw: RawTable, column: int, name: str, target: np.ndarray, findings: Findings) -> None:
    """Split cells such as ``142/146``; a cell that is no pair is a finding and stays empty."""
    wrong = 0
    memo: dict[str, tuple[str, str] | None] = {}
    for i, cell in enumerate(raw.columns[column]):
        text = cell.strip()
        if text not in memo:
            memo[text] = _pair(text)
        pair = memo[text]
        if pair is not None:
            target[i] = pair
            continue
        wrong += 1
        if wrong <= MAX_LISTED:
            findings.add(
                "call-unreadable",
                Place(raw.file, int(raw.rows[i]), name),
                f"'{text[:40]}'",
                "two alleles as 142/146, or an empty cell",
                "Correct the call.",
            )
    more(findings, "call-unreadable", raw.file, name, wrong)


def _pair(text: str) -> tuple[str, str] | None:
    if text in MISSING_CODES:
        return "", ""
    parts = re.split(r"[/|:]", text)
    return (parts[0].strip(), parts[1].strip()) if len(parts) == 2 else None


def _encode(
    texts: np.ndarray, names: Sequence[str], rows: np.ndarray, file: str, findings: Findings
) -> tuple[np.ndarray, tuple[tuple[str, ...], ...]]:
    """Turn allele names into allele numbers, locus by locus."""
    calls = np.full(texts.shape, MISSING, dtype=np.int16)
    alleles: list[tuple[str, ...]] = []
    half_total = 0
    for j, name in enumerate(names):
        cells = texts[j]
        position, words = pd.factorize(cells.ravel())
        untyped = np.array([w in MISSING_CODES or w == "." for w in words] + [True])
        bad = np.array(
            [not u and not _ALLELE.fullmatch(w) for w, u in zip(words, untyped, strict=False)] + [False]
        )
        known = sorted(
            (w for w, u, b in zip(words, untyped, bad, strict=False) if not u and not b), key=_allele_order
        )
        number = {w: k for k, w in enumerate(known)}
        codes = np.array([number.get(w, MISSING) for w in words] + [MISSING], dtype=np.int64)
        if len(known) > _MAX_ALLELES:
            findings.add(
                "allele-too-many",
                Place(file, None, name),
                f"{len(known)} alleles",
                f"at most {_MAX_ALLELES}",
                "Check the column.",
            )
            known, codes = [], np.full(len(codes), MISSING)
        wrong = bad[position].reshape(cells.shape).any(axis=1)
        for i in np.flatnonzero(wrong)[:MAX_LISTED]:
            findings.add(
                "call-unreadable",
                Place(file, int(rows[j, i]), name),
                f"'{'/'.join(map(str, cells[i]))[:40]}'",
                "allele names of letters and digits",
                "Correct the call.",
            )
        found = codes[position].reshape(cells.shape)
        typed = found != MISSING
        half = (typed.sum(axis=1) == 1) & ~wrong
        for i in np.flatnonzero(half)[: max(MAX_LISTED - half_total, 0)]:
            half_missing(file, int(rows[j, i]), name, "/".join(c or "missing" for c in cells[i]), findings)
        half_total += int(half.sum())
        found[half | wrong] = MISSING
        calls[j] = found
        alleles.append(tuple(known))
    more(findings, "call-half-missing", file, None, half_total, "warning")
    return calls, tuple(alleles)


def half_missing(file: str, row: int | None, locus: str, shown: str, findings: Findings) -> None:
    """Add the finding of a call with one allele."""
    findings.add(
        "call-half-missing",
        Place(file, row, locus),
        f"'{shown}', one allele of two",
        "two alleles or none",
        "The call was set missing. Type the sample again if it matters.",
        "warning",
    )


def _allele_order(word: str) -> tuple[int, float, str]:
    try:
        return (0, float(word), word)
    except ValueError:
        return (1, 0.0, word)


def write_genotype_table(genotypes: GenotypeSet, path: str | Path, *, layout: str = "wide") -> Path:
    """Write genotypes as CSV, compressed when the name ends in ``.gz``.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; untyped calls become empty cells.
    path : str or Path
        Target.
    layout : {'wide', 'long'}
        Two columns per locus, or a row per call (untyped calls left out).

    Returns
    -------
    Path
        The target; the same genotypes always give the same bytes.

    Raises
    ------
    ValueError
        If `layout` is neither ``wide`` nor ``long``.
    UsageError
        If the name of an allele is a code for missing, or holds more than letters, digits and ``.*+-``.
    OSError
        If the folder cannot be written.
    """
    if layout not in ("wide", "long"):
        raise ValueError(f"layout: found {layout!r}. Expected 'wide' or 'long'.")
    for locus, alleles in zip(genotypes.loci, genotypes.alleles, strict=True):
        wrong = [a for a in alleles if a in MISSING_CODES or not _ALLELE.fullmatch(a)]
        if wrong:
            raise UsageError(
                f"genotype table, locus {locus.name!r}: found allele {wrong[0]!r}. Expected a name of letters "
                f"and digits that is none of {', '.join(map(repr, MISSING_CODES))}. Rename it."
            )
    path = Path(path)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    names = np.empty(genotypes.calls.shape, dtype=object)
    for j, alleles in enumerate(genotypes.alleles):
        names[j] = np.array([*alleles, ""], dtype=object)[genotypes.calls[j]]
    if layout == "wide":
        writer.writerow([SAMPLE, *(f"{locus.name}_{k}" for locus in genotypes.loci for k in (1, 2))])
        flat = names.transpose(1, 0, 2).reshape(genotypes.n_samples, -1)
        writer.writerows([s, *row] for s, row in zip(genotypes.samples, flat.tolist(), strict=True))
    else:
        writer.writerow(_LONG)
        for i, sample in enumerate(genotypes.samples):
            for j in np.flatnonzero(genotypes.typed[:, i]):
                writer.writerow([sample, genotypes.loci[j].name, *names[j, i]])
    data = out.getvalue().encode("utf-8")
    return write_bytes(path, gzip_bytes(data) if path.suffix == ".gz" else data)
