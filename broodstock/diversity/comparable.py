"""Which groups were typed at the same loci, so that their diversity may be compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray
from broodstock.diversity.groups import Label, group_members
from broodstock.errors import ShapeError, UsageError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class ComparableRun:
    """Groups that follow each other and share loci.

    Parameters
    ----------
    groups : tuple of str or int
        Groups, in order.
    loci : tuple of int
        Positions in the genotype set of the neutral loci that all of them were typed at.
    """

    groups: tuple[Label, ...]
    loci: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MarkerBreak:
    """Where a comparison breaks because the loci changed.

    Parameters
    ----------
    before, after : str or int
        Groups on either side.
    shared_loci : int
        Loci that the groups so far and the next group have in common.
    reason : str
        Plain words.
    """

    before: Label
    after: Label
    shared_loci: int
    reason: str


@dataclass(frozen=True, slots=True)
class Comparability:
    """Runs of groups that may be compared with each other.

    Parameters
    ----------
    runs : tuple of ComparableRun
        Only groups of one run may be compared, and only at its loci.
    breaks : tuple of MarkerBreak
        One between each run and the next.
    left_out : tuple of (label, str)
        Groups in no run, and why.
    """

    runs: tuple[ComparableRun, ...]
    breaks: tuple[MarkerBreak, ...]
    left_out: tuple[tuple[Label, str], ...]

    @property
    def all_comparable(self) -> bool:
        """True when every group that has calls can be compared with every other."""
        return len(self.runs) <= 1

    def shared_run(self, first: Label, second: Label) -> ComparableRun | None:
        """Return the run that holds two groups, or None when they may not be compared."""
        for run in self.runs:
            if first in run.groups and second in run.groups:
                return run
        return None


def comparable_groups(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    *,
    order: Sequence[Label] | None = None,
    marker_sets: Mapping[Label, str] | None = None,
    calibrated: bool = False,
    least_loci: int = 10,
    call_rate: float = 0.5,
) -> Comparability:
    """Find the runs of groups that were typed at enough shared neutral loci.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of all groups; loci that a marker set lacks are untyped in its samples.
    groups : sequence of str, int or None
        Group of each sample; None leaves a sample out.
    order : sequence of str or int, optional
        Groups in the order in which they follow each other (years rising); default by first appearance.
    marker_sets : mapping of str or int to str, optional
        Marker set each group was typed with.
    calibrated : bool
        True when allele sizes of microsatellites were made to agree between marker sets by samples typed
        with both. Otherwise a microsatellite counts as another locus in another marker set: two
        laboratories name the same allele by different sizes.
    least_loci : int
        Shared loci that a run needs, 1 or more.
    call_rate : float
        Share of a group's fish that must be typed for a locus to count as one of its loci.

    Returns
    -------
    Comparability

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If `least_loci` is below 1, `call_rate` outside (0, 1], a group lacks a marker set although
        `marker_sets` is given, or `order` names a group twice.

    Notes
    -----
    Expected heterozygosity and richness differ between loci far more than between years, so a change of
    loci looks like a change of diversity. A run grows while its groups share `least_loci` loci; the next
    group that would leave fewer starts a new run. One group typed at few loci thus narrows all the others
    of its run; a larger `least_loci` sets it apart instead.
    """
    if len(groups) != genotypes.n_samples:
        raise ShapeError(
            f"groups: found {len(groups)} labels for {genotypes.n_samples} samples. Expected one label per "
            "sample. Give None for a sample that belongs to no group."
        )
    if least_loci < 1:
        raise UsageError(
            f"comparable groups: found least_loci {least_loci}. Expected 1 or more. Ten or more are advisable."
        )
    if not 0 < call_rate <= 1:
        raise UsageError(
            f"comparable groups: found call_rate {call_rate}. Expected more than 0, at most 1. "
            "0.5 asks for half of the fish."
        )
    members = group_members(groups, order)
    if marker_sets is not None:
        lost = [str(g) for g in members if g not in marker_sets]
        if lost:
            raise UsageError(
                f"comparable groups: found no marker set for {', '.join(lost)}. Expected one per group. "
                "Add it, or leave marker_sets out."
            )
    neutral = np.array([locus.role == "neutral" for locus in genotypes.loci], dtype=bool)
    sized = np.array([locus.kind == "microsatellite" for locus in genotypes.loci], dtype=bool)
    left_out: list[tuple[Label, str]] = []
    runs: list[ComparableRun] = []
    breaks: list[MarkerBreak] = []
    current: list[Label] = []
    shared = np.zeros(len(neutral), dtype=bool)
    for label, who in members.items():
        own, reason = _own_loci(genotypes, who, neutral, call_rate)
        if not reason and own.sum() < least_loci:
            reason = f"typed at {int(own.sum())} neutral loci, fewer than {least_loci}"
        if reason:
            left_out.append((label, reason))
            continue
        together = own
        if current:
            together = shared & own
            if not calibrated and _sets_differ(marker_sets, current, label):
                together = together & ~sized
        if current and together.sum() < least_loci:
            runs.append(_run(current, shared))
            breaks.append(_break(current[-1], label, int(together.sum()), least_loci, marker_sets))
            current, together = [], own
        current.append(label)
        shared = together
    if current:
        runs.append(_run(current, shared))
    return Comparability(tuple(runs), tuple(breaks), tuple(left_out))


def _own_loci(
    genotypes: GenotypeSet, who: np.ndarray, neutral: BoolArray, call_rate: float
) -> tuple[BoolArray, str]:
    if len(who) == 0:
        return np.zeros_like(neutral), "the group has no fish"
    typed = genotypes.typed[:, who].sum(axis=1)
    own = neutral & (typed >= 2) & (typed >= call_rate * len(who))
    return own, "" if typed[neutral].any() else "no fish of the group was typed at any neutral locus"


def _sets_differ(marker_sets: Mapping[Label, str] | None, current: Sequence[Label], label: Label) -> bool:
    return marker_sets is not None and any(marker_sets[g] != marker_sets[label] for g in current)


def _run(current: Sequence[Label], shared: BoolArray) -> ComparableRun:
    return ComparableRun(tuple(current), tuple(int(i) for i in np.flatnonzero(shared)))


def _break(
    before: Label, after: Label, n_shared: int, least_loci: int, marker_sets: Mapping[Label, str] | None
) -> MarkerBreak:
    why = f"{n_shared} shared loci, fewer than {least_loci}"
    if marker_sets is not None and marker_sets[before] != marker_sets[after]:
        why = f"marker set {marker_sets[before]} changed to {marker_sets[after]}: {why}"
    return MarkerBreak(before, after, n_shared, why)
