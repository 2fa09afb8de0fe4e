"""Every effective-size method that the data of one group allow, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from broodstock.arrays import CallArray
from broodstock.effective_size.demographic import contribution_ne, sex_ratio_ne
from broodstock.effective_size.heterozygote_excess import heterozygote_excess_nb
from broodstock.effective_size.linkage import DEFAULT_SCREENS, Mating, Screen, linkage_ne
from broodstock.effective_size.meaning import SampleKind, single_sample_meaning
from broodstock.effective_size.sibship import sibship_nb
from broodstock.effective_size.temporal import Plan, temporal_ne
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

Quantity: TypeAlias = Literal["Ne", "Nb", "between Nb and Ne"]


@dataclass(frozen=True)
class GroupData:
    """What is known about one group; leave out what is not.

    Parameters
    ----------
    group : str
        The group in the user's words, for example ``year class 2024``.
    kind : {'one-cohort', 'discrete-generation', 'mixed-ages'}
        How the genotyped fish were born.
    genotypes : GenotypeSet or ndarray, optional
        Calls of the group.
    mating : {'random', 'monogamy'}
        How the parents mated.
    n_chromosomes : int, optional
        Haploid number; adds the linkage estimates corrected for linked loci.
    adult_lifespan, age_at_maturity : float, optional
        Years; add the linkage estimates of one cohort corrected for overlapping generations.
    earlier : GenotypeSet or ndarray, optional
        Calls of an earlier sample of the same population.
    generations : float, optional
        Generations between the two samples.
    plan : {'removed', 'returned'}
        How the earlier sample was taken (see `temporal_ne`).
    census : int, optional
        Fish in the population at the earlier sample.
    dam, sire : ndarray of int, optional
        Family assignment of the group's young, -1 where not assigned.
    n_females, n_males : int, optional
        Breeders of each sex.
    female_shares, male_shares : sequence of float, optional
        Share or number of young of each parent, over the whole cohort.
    """

    group: str
    kind: SampleKind = "one-cohort"
    genotypes: GenotypeSet | CallArray | None = None
    mating: Mating = "random"
    n_chromosomes: int | None = None
    adult_lifespan: float | None = None
    age_at_maturity: float | None = None
    earlier: GenotypeSet | CallArray | None = None
    generations: float | None = None
    plan: Plan = "removed"
    census: int | None = None
    dam: npt.NDArray[np.int64] | None = None
    sire: npt.NDArray[np.int64] | None = None
    n_females: int | None = None
    n_males: int | None = None
    female_shares: Sequence[float] | None = None
    male_shares: Sequence[float] | None = None


@dataclass(frozen=True, slots=True)
class MethodRow:
    """One line of the table.

    Parameters
    ----------
    method : str
        Name of the method with its setting, a few words.
    quantity : {'Ne', 'Nb', 'between Nb and Ne'}
        What the number is.
    estimate : Estimate
        The number, its interval, its method in full and its note.
    rests_on : str
        What must hold for it, in plain words.
    """

    method: str
    quantity: Quantity
    estimate: Estimate
    rests_on: str


@dataclass(frozen=True, slots=True)
class SideBySide:
    """The table of one group.

    Parameters
    ----------
    group : str
    rows : tuple of MethodRow
        In the order linkage, sibship, heterozygote excess, temporal, contributions, sex ratio.
    not_run : tuple of str
        For each method left out, what it would need.
    """

    group: str
    rows: tuple[MethodRow, ...]
    not_run: tuple[str, ...]


def effective_size_side_by_side(
    data: GroupData,
    *,
    screens: Sequence[Screen] = DEFAULT_SCREENS,
    level: float = 0.95,
    n_bootstrap: int = 2000,
    seed: int = 1,
    threads: int | None = None,
) -> SideBySide:
    """Run every method that applies to one group.

    Parameters
    ----------
    data : GroupData
        What is known about the group.
    screens : sequence of float or 'no singletons'
        Screens of rare alleles for the linkage method.
    level : float
        Coverage the intervals aim at.
    n_bootstrap : int
        Bootstrap samples of the sibship method.
    seed : int
        Seed of the bootstrap.
    threads : int, optional
        Threads of the linkage method.

    Returns
    -------
    SideBySide
        The methods answer different questions (parents of one season, a generation, several generations),
        so their numbers are not averaged.

    Raises
    ------
    UsageError
        If only one half of a pair of inputs is given (two sexes, dams and sires, earlier sample and
        generations), or a setting is not usable.
    ShapeError, ValueRangeError
        As the methods themselves.
    """
    _check_pairs(data)
    rows: list[MethodRow] = []
    not_run: list[str] = []
    single_sample_meaning(data.kind, data.group)
    if data.genotypes is None:
        not_run += [
            "linkage disequilibrium needs genotypes of the group",
            "heterozygote excess needs genotypes of the group",
        ]
    else:
        rows += _linkage_rows(data, screens, level, threads)
    if data.dam is None or data.sire is None:
        not_run.append("sibship frequency needs a family assignment of the young")
    else:
        rows.append(_sibship_row(data, level, n_bootstrap, seed))
    if data.genotypes is not None:
        if data.kind == "one-cohort":
            estimate = heterozygote_excess_nb(data.genotypes, group=data.group, level=level)
            rows.append(MethodRow("heterozygote excess", "Nb", estimate, _EXCESS))
        else:
            not_run.append("heterozygote excess needs young of one cohort")
    if data.earlier is None or data.generations is None or data.genotypes is None:
        not_run.append("temporal change needs an earlier sample and the generations between")
    else:
        rows += _temporal_rows(data, data.genotypes, data.earlier, data.generations, level)
    if data.female_shares is None or data.male_shares is None:
        not_run.append("unequal contributions need the share of young of each parent")
    else:
        both = contribution_ne(data.female_shares, data.male_shares, data.group).both
        rows.append(MethodRow("unequal contributions", "Nb", both, _SHARES))
    if data.n_females is None or data.n_males is None:
        not_run.append("sex ratio needs the number of breeders of each sex")
    else:
        estimate = sex_ratio_ne(data.n_females, data.n_males, f"the parents of {data.group}")
        rows.append(MethodRow("sex ratio", "Nb", estimate, _RATIO))
    return SideBySide(data.group, tuple(rows), tuple(not_run))


_LINKAGE = (
    "Loci on different chromosomes, no mixing of stocks, parents mated as stated. Rare alleles push it up; "
    "compare the screens."
)
_CORRECTED = (
    "As the uncorrected number, and a line fitted over other species (coefficients from memory) holds here."
)
_SIBS = "The family assignment is right. Its errors are not in the interval."
_EXCESS = "Few breeders that pair at random, no null alleles, one stock."
_TEMPORAL = "No migration or stocking from outside between the samples, same marker set, neutral loci."
_SHARES = "The shares are those of the whole cohort at the stage that counts, not of eggs laid."
_RATIO = "Every fish of a sex had the same chance to be a parent: an upper limit."


def _check_pairs(data: GroupData) -> None:
    pairs = (
        ("numbers of females and males", data.n_females, data.n_males),
        ("dams and sires", data.dam, data.sire),
        ("female and male shares", data.female_shares, data.male_shares),
        ("earlier sample and generations", data.earlier, data.generations),
        ("adult lifespan and age at maturity", data.adult_lifespan, data.age_at_maturity),
    )
    for words, one, other in pairs:
        if (one is None) != (other is None):
            raise UsageError(
                f"effective size of {data.group!r}: found only one of {words}. Expected both or neither."
            )
    if data.earlier is not None and data.genotypes is None:
        raise UsageError(
            f"effective size of {data.group!r}: found an earlier sample but no genotypes of the group. "
            "Expected both."
        )


def _single_sample_quantity(kind: SampleKind) -> Quantity:
    quantities: dict[SampleKind, Quantity] = {
        "one-cohort": "Nb",
        "discrete-generation": "Ne",
        "mixed-ages": "between Nb and Ne",
    }
    return quantities[kind]


def _linkage_rows(
    data: GroupData, screens: Sequence[Screen], level: float, threads: int | None
) -> list[MethodRow]:
    assert data.genotypes is not None
    results = linkage_ne(
        data.genotypes,
        group=data.group,
        kind=data.kind,
        mating=data.mating,
        screens=screens,
        n_chromosomes=data.n_chromosomes,
        adult_lifespan=data.adult_lifespan,
        age_at_maturity=data.age_at_maturity,
        level=level,
        threads=threads,
    )
    quantity = _single_sample_quantity(data.kind)
    rows = []
    for r in results:
        name = f"linkage disequilibrium, {_screen_words(r.screen)}"
        rows.append(MethodRow(name, quantity, r.over_fish, _LINKAGE))
        further: tuple[tuple[str, Quantity, Estimate | None], ...] = (
            ("corrected for chromosomes", quantity, r.chromosome_adjusted),
            ("corrected for overlapping generations", "Nb", r.age_adjusted_nb),
            ("corrected for overlapping generations, per generation", "Ne", r.age_adjusted_ne),
        )
        rows += [MethodRow(f"{name}, {w}", q, e, _CORRECTED) for w, q, e in further if e is not None]
    return rows


def _screen_words(screen: Screen) -> str:
    return "alleles seen twice or more" if screen == "no singletons" else f"alleles at {screen:g} or more"


def _sibship_row(data: GroupData, level: float, n_bootstrap: int, seed: int) -> MethodRow:
    assert data.dam is not None
    assert data.sire is not None
    estimate = sibship_nb(
        data.dam, data.sire, group=data.group, level=level, n_bootstrap=n_bootstrap, seed=seed
    )
    return MethodRow("sibship frequency", _single_sample_quantity(data.kind), estimate, _SIBS)


def _temporal_rows(
    data: GroupData,
    genotypes: GenotypeSet | CallArray,
    earlier: GenotypeSet | CallArray,
    generations: float,
    level: float,
) -> list[MethodRow]:
    results = temporal_ne(
        earlier,
        genotypes,
        generations,
        plan=data.plan,
        census=data.census,
        group=f"the population of {data.group}",
        level=level,
    )
    return [MethodRow(f"temporal change, {r.measure}", "Ne", r.over_loci, _TEMPORAL) for r in results]
