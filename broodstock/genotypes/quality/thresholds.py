"""Limits of the quality checks and the records they are held against."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from broodstock.errors import UsageError
from broodstock.genotypes.quality.plates import PlateLayout


@dataclass(frozen=True, slots=True)
class QualityThresholds:
    """Limits of the checks; common practice unless a source is named.

    Parameters
    ----------
    min_sample_call_rate, min_locus_call_rate : float
        Least share of calls of a sample, of a locus.
    max_mismatch : float
        Largest share of loci at which two typings of one fish may differ.
    max_well_mismatch, max_parent_mismatch : float
        Largest share of loci at which a well may differ from the fish it should hold, and that may be
        impossible with its recorded parents.
    min_compared : int
        Loci that two samples must share to be compared.
    max_sib_chance : float
        Unrecorded matches are called only if two full sibs would match by chance less often than this.
    heterozygosity_level, hardy_weinberg_level, linkage_level : float
        False discovery rates.
    flag_foreign_above : float
        Share of foreign genes at diagnostic loci above which a fish is flagged.
    max_null_frequency : float
        Null-allele frequency whose lower limit marks a locus.
    max_blank_call_rate : float
        Share of calls a negative control may show.
    exclude_monomorphic, exclude_two_fish, exclude_replicates, exclude_hybrids, exclude_hardy_weinberg : bool
        Whether such loci and samples are left out, or only reported. Replicates: of several typings of one
        fish the most complete stays. Sibs are never left out here.
    """

    min_sample_call_rate: float = 0.8
    min_locus_call_rate: float = 0.8
    max_mismatch: float = 0.03
    max_well_mismatch: float = 0.1
    max_parent_mismatch: float = 0.05
    min_compared: int = 10
    max_sib_chance: float = 1e-4
    heterozygosity_level: float = 0.01
    hardy_weinberg_level: float = 0.05
    linkage_level: float = 0.05
    flag_foreign_above: float = 0.05
    max_null_frequency: float = 0.05
    max_blank_call_rate: float = 0.1
    exclude_monomorphic: bool = True
    exclude_two_fish: bool = True
    exclude_replicates: bool = True
    exclude_hybrids: bool = False
    exclude_hardy_weinberg: bool = False

    def check(self) -> None:
        """Check the limits.

        Raises
        ------
        UsageError
            Naming the first one that cannot be used.
        """
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if name == "min_compared":
                if value < 1:
                    raise UsageError(f"min_compared: found {value}. Expected at least 1 locus.")
            elif not isinstance(value, bool) and not 0 <= value <= 1:
                raise UsageError(f"{name}: found {value}. Expected a share from 0 to 1.")


@dataclass(frozen=True)
class SampleRecords:
    """What the records say about the samples; everything is optional.

    Parameters
    ----------
    fish_of : mapping of str to str
        Fish by sample.
    sex : mapping of str to str
        ``female`` or ``male`` by sample.
    parents : sequence of (offspring, dam, sire)
        Sample names of recorded parents; None where unknown.
    layout : sequence of PlateLayout
        Plates and wells.
    reference : sequence of str
        Samples of one population without close relatives for Hardy-Weinberg, linkage and null alleles.
        Empty: all kept samples.
    blanks : sequence of str
        Negative controls.
    """

    fish_of: Mapping[str, str] = field(default_factory=dict)
    sex: Mapping[str, str] = field(default_factory=dict)
    parents: Sequence[tuple[str, str | None, str | None]] = ()
    layout: Sequence[PlateLayout] = ()
    reference: Sequence[str] = ()
    blanks: Sequence[str] = ()
