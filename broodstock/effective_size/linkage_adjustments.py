"""Published corrections of a linkage Ne for few chromosomes and for overlapping generations.

Every coefficient here is from memory: they agree with each other but no printed table was at hand. They
are options, never applied unasked.
"""

from __future__ import annotations

import math

from broodstock.errors import ValueRangeError


def adjust_for_chromosomes(ne: float, n_chromosomes: int) -> float:
    """Correct a linkage Ne for loci that share chromosomes.

    Parameters
    ----------
    ne : float
        Ne or Nb from all pairs of loci, as if none were linked; positive, may be infinite.
    n_chromosomes : int
        Haploid number of chromosomes.

    Returns
    -------
    float
        ``ne / (0.098 + 0.219 ln(chromosomes))``.

    Raises
    ------
    ValueRangeError
        If `ne` is not positive or there are fewer than 4 chromosomes, where the fit has no data.

    References
    ----------
    .. [1] Waples, Larson & Waples (2016), Heredity 117:233-240 (coefficients from memory).
    """
    if not ne > 0 or n_chromosomes < 4:
        raise ValueRangeError(
            f"chromosome adjustment: found Ne {ne} and {n_chromosomes} chromosomes. Expected a positive Ne "
            "and at least 4 chromosomes (haploid number). Use known linkage groups instead."
        )
    return ne / (0.098 + 0.219 * math.log(n_chromosomes))


def adjust_for_age_structure(nb: float, adult_lifespan: float, age_at_maturity: float) -> tuple[float, float]:
    """Correct the Nb of one cohort for overlapping generations, and derive Ne per generation.

    Parameters
    ----------
    nb : float
        Linkage Nb from a single cohort; positive, may be infinite.
    adult_lifespan : float
        Years from maturity to the last breeding age, counted inclusively (maximum age - age at maturity
        + 1).
    age_at_maturity : float
        Age at first breeding, years.

    Returns
    -------
    nb_adjusted : float
        ``nb / (1.103 - 0.245 log10(AL/alpha))``.
    ne_adjusted : float
        ``nb_adjusted / (0.485 + 0.758 log10(AL/alpha))``.

    Raises
    ------
    ValueRangeError
        If a value is not positive, or the two ages lie so far apart that a factor is not positive.

    References
    ----------
    .. [1] Waples, Antao & Luikart (2014), Genetics 197:769-780 (coefficients from memory).
    """
    if not (nb > 0 and adult_lifespan > 0 and age_at_maturity > 0):
        raise ValueRangeError(
            f"age adjustment: found Nb {nb}, adult lifespan {adult_lifespan} and age at maturity "
            f"{age_at_maturity}. Expected positive numbers (years)."
        )
    log_ratio = math.log10(adult_lifespan / age_at_maturity)
    bias, ratio = 1.103 - 0.245 * log_ratio, 0.485 + 0.758 * log_ratio
    if bias <= 0 or ratio <= 0:
        raise ValueRangeError(
            f"age adjustment: found an adult lifespan of {adult_lifespan} and an age at maturity of "
            f"{age_at_maturity} years. Expected a ratio between 0.23 and 30 000, the range in which the "
            "fitted lines stay positive. Leave the adjustment out."
        )
    return nb / bias, nb / bias / ratio
