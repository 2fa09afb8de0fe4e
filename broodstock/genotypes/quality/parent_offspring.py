"""Recorded parents that the genotypes rule out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.error_model import ErrorModel, check_frequencies, reference_frequencies
from broodstock.parentage.likelihood import by_fish
from broodstock.parentage.mismatch import allowed_mismatches, expected_mismatches, mismatches_of


@dataclass(frozen=True, slots=True)
class RecordedParents:
    """Impossible loci of one offspring with its recorded parents.

    Parameters
    ----------
    offspring : str
        Sample name.
    dam, sire : str or None
        Recorded parents that were typed.
    mismatches, compared : int
        Impossible loci and loci typed in all.
    allowed : int
        Mismatches true parents may show.
    dam_mismatches, sire_mismatches : int or None
        Loci without a shared allele, each parent alone.
    verdict : {'fits', 'dam does not fit', 'sire does not fit', 'neither fits', 'pair does not fit', 'not testable'}
        ``pair does not fit``: each alone is possible, both together are not.
    """

    offspring: str
    dam: str | None
    sire: str | None
    mismatches: int
    compared: int
    allowed: int
    dam_mismatches: int | None
    sire_mismatches: int | None
    verdict: str


def recorded_parent_mismatches(
    genotypes: GenotypeSet,
    recorded: Sequence[tuple[str, str | None, str | None]],
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
    confidence: float = 0.9999,
    min_compared: int = 10,
) -> tuple[RecordedParents, ...]:
    """Count impossible loci of recorded offspring, dam and sire.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; neutral loci are used.
    recorded : sequence of (offspring, dam, sire)
        Sample names; None where no parent is recorded. A parent not in the set counts as not typed.
    frequencies : ndarray, float64, shape (n_neutral_loci, max_alleles), optional
        Default: counted in the whole set.
    error : ErrorModel, optional
        Default: substitution 0.005 per gene copy.
    confidence : float
        Share of true parents that stay within the allowed number.
    min_compared : int
        Loci needed.

    Returns
    -------
    tuple of RecordedParents
        In the order given; offspring that are not in the set are not testable.

    Raises
    ------
    ShapeError
        If frequencies or error rates do not fit the loci.
    ValueRangeError
        If frequencies or `confidence` are unusable.
    """
    part = genotypes.with_role("neutral")
    p = check_frequencies(reference_frequencies(part) if frequencies is None else frequencies, part)
    model = ErrorModel.uniform(part.n_loci) if error is None else error
    one_rate, both_rate = expected_mismatches(p, model)
    calls, typed = by_fish(part), part.typed
    limits: dict[tuple[bytes, bool], int] = {}

    def limit(rows: list[int], both: bool) -> int:
        used = typed[:, rows].all(axis=1)
        key = (used.tobytes(), both)
        if key not in limits:
            limits[key] = allowed_mismatches((both_rate if both else one_rate)[used], confidence)
        return limits[key]

    out = []
    for offspring, dam, sire in recorded:
        i = part.index.get(offspring, -1)
        d, s = (part.index.get(name, -1) if name else -1 for name in (dam, sire))
        seen_dam, seen_sire = dam if d >= 0 else None, sire if s >= 0 else None
        if i < 0 or max(d, s) < 0 or i in (d, s):
            out.append(RecordedParents(offspring, seen_dam, seen_sire, 0, 0, 0, None, None, "not testable"))
            continue
        missed, n = mismatches_of(calls, i, d, s)
        allowed = limit([x for x in (i, d, s) if x >= 0], d >= 0 and s >= 0)
        single = [mismatches_of(calls, i, x, -1) if x >= 0 else None for x in (d, s)]
        wrong = [
            pair is not None and pair[1] >= min_compared and pair[0] > limit([i, x], False)
            for pair, x in zip(single, (d, s), strict=True)
        ]
        verdict = _verdict(wrong[0], wrong[1], missed > allowed)
        testable = any(pair is not None and pair[1] >= min_compared for pair in single)
        if not testable or (n < min_compared and not any(wrong)):
            verdict = "not testable"
        out.append(
            RecordedParents(
                offspring,
                seen_dam,
                seen_sire,
                missed,
                n,
                allowed,
                single[0][0] if single[0] is not None else None,
                single[1][0] if single[1] is not None else None,
                verdict,
            )
        )
    return tuple(out)


def _verdict(dam_wrong: bool, sire_wrong: bool, together: bool) -> str:
    if dam_wrong and sire_wrong:
        return "neither fits"
    if dam_wrong:
        return "dam does not fit"
    if sire_wrong:
        return "sire does not fit"
    return "pair does not fit" if together else "fits"


def worst_loci(genotypes: GenotypeSet, trios: Sequence[tuple[int, int, int]]) -> np.ndarray:
    """Count impossible trios by locus, to find loci that mistype or carry null alleles.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    trios : sequence of (offspring, dam, sire)
        Positions of trios believed to be right.

    Returns
    -------
    ndarray, int64, shape (n_loci, 2)
        Impossible trios, and trios typed in all three.
    """
    out = np.zeros((genotypes.n_loci, 2), dtype=np.int64)
    typed = genotypes.typed
    for o, d, s in trios:
        used = typed[:, o] & typed[:, d] & typed[:, s]
        child, dam, sire = (genotypes.calls[:, x] for x in (o, d, s))
        in_dam = (child[:, :, None] == dam[:, None, :]).any(axis=2)
        in_sire = (child[:, :, None] == sire[:, None, :]).any(axis=2)
        fits = (in_dam[:, 0] & in_sire[:, 1]) | (in_dam[:, 1] & in_sire[:, 0])
        out[:, 0] += used & ~fits
        out[:, 1] += used
    return out
