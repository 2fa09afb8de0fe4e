"""Genotype calls as bytes to keep whole, and back: the same calls give the same bytes."""

from __future__ import annotations

import io
import json
from dataclasses import astuple

import numpy as np

from broodstock.genotypes.genotype_set import GenotypeSet, Locus

FORM = "kinshoal genotype calls 1"


def pack_calls(calls: GenotypeSet) -> bytes:
    """Return genotype calls as a compressed archive of arrays (npz).

    Parameters
    ----------
    calls : GenotypeSet
        Calls, int16, shape (n_loci, n_samples, 2).

    Returns
    -------
    bytes
        ``calls`` as int16 and ``labels``, JSON text with samples, loci and alleles, as bytes.
    """
    labels = json.dumps(
        {
            "form": FORM,
            "samples": list(calls.samples),
            "loci": [list(astuple(locus)) for locus in calls.loci],
            "alleles": [list(a) for a in calls.alleles],
        },
        ensure_ascii=False,
        separators=(",", ":"),
    )
    out = io.BytesIO()
    np.savez_compressed(
        out,
        calls=np.ascontiguousarray(calls.calls, dtype=np.int16),
        labels=np.frombuffer(labels.encode(), dtype=np.uint8),
    )
    return out.getvalue()


def unpack_calls(content: bytes) -> GenotypeSet:
    """Return genotype calls from what `pack_calls` made.

    Raises
    ------
    ValueError
        If the bytes are something else.
    """
    with np.load(io.BytesIO(content), allow_pickle=False) as archive:
        labels = json.loads(bytes(archive["labels"]).decode())
        calls = archive["calls"]
    if labels.get("form") != FORM:
        raise ValueError(f"genotype calls: found form {labels.get('form')!r}, expected {FORM!r}")
    return GenotypeSet(
        tuple(labels["samples"]),
        tuple(Locus(*locus) for locus in labels["loci"]),
        tuple(tuple(a) for a in labels["alleles"]),
        calls,
    )
