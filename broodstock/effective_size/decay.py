"""How fast gene diversity is lost, and what it takes to keep it: Ne targets and founder numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from broodstock.effective_size.demographic import harmonic_mean_ne
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate


def diversity_kept(ne: float | Estimate, generations: int, group: str = "") -> Estimate:
    """Return the share of gene diversity expected to be kept at a constant effective size.

    Parameters
    ----------
    ne : float or Estimate
        Effective size per generation, at least 0.5, may be infinite; limits are carried over.
    generations : int
        At least 0.
    group : str
        The line or population in the user's words.

    Returns
    -------
    Estimate
        ``(1 - 1/(2 Ne))**t``; not estimable when `ne` is not.

    Raises
    ------
    ValueRangeError
        If `ne` is below 0.5 or `generations` is negative.

    References
    ----------
    .. [1] Wright (1931), Genetics 16:97-159; Soule et al. (1986), Zoo Biology 5:101-113 (from memory).
    """
    method = "decay of gene diversity, (1 - 1/(2 Ne))^t"
    estimate = ne if isinstance(ne, Estimate) else Estimate(float(ne))
    if generations < 0 or (estimate.value is not None and not estimate.value >= 0.5):
        raise ValueRangeError(
            f"decay: found Ne {estimate.value} and {generations} generations. Expected an Ne of at least 0.5 "
            "and no negative number of generations."
        )
    if estimate.value is None:
        return Estimate.not_estimable(f"Ne is not known: {estimate.reason}", method)
    low, value, high = (
        None if n is None else (1 - 1 / (2 * max(n, 0.5))) ** generations
        for n in (estimate.low, estimate.value, estimate.high)
    )
    assert value is not None
    note = f"Expected share of today's gene diversity that {group or 'the population'} keeps after {generations} generations."
    return Estimate(value, low, high, method, generations, "generations", estimate.level, note)


def diversity_kept_over(ne_by_generation: Sequence[float], group: str = "") -> Estimate:
    """Return the share of gene diversity expected to be kept over differing generations.

    Parameters
    ----------
    ne_by_generation : sequence of float
        Ne of each generation, at least 0.5.
    group : str
        The line or population in the user's words.

    Returns
    -------
    Estimate
        The product of ``1 - 1/(2 Ne)``.

    Raises
    ------
    ValueRangeError
        If the list is empty or an Ne is below 0.5.
    """
    sizes = [float(n) for n in ne_by_generation]
    if not sizes or not all(n >= 0.5 for n in sizes):
        raise ValueRangeError(f"decay: found Ne {sizes}. Expected at least one number, none below 0.5.")
    value = math.prod(1 - 1 / (2 * n) for n in sizes)
    mean = harmonic_mean_ne(sizes).value
    note = (
        f"Expected share of gene diversity that {group or 'the population'} keeps over {len(sizes)} "
        f"generations (harmonic mean Ne {mean:.1f})."
    )
    return Estimate(
        value,
        method="decay of gene diversity, product over generations",
        n_used=len(sizes),
        unit_used="generations",
        note=note,
    )


def inbreeding_after(ne: float, generations: int) -> float:
    """Return the expected inbreeding after some generations, ``1 - (1 - 1/(2 Ne))**t``, from none.

    Raises
    ------
    ValueRangeError
        As `diversity_kept`.
    """
    kept = diversity_kept(ne, generations).value
    assert kept is not None
    return 1 - kept


def ne_to_keep(share: float, generations: float) -> float:
    """Effective size that keeps a share of gene diversity over some generations.

    Parameters
    ----------
    share : float
        Share to keep, between 0 and 1, for example 0.9.
    generations : float
        Above 0; years divided by the generation length.

    Returns
    -------
    float
        ``1 / (2 (1 - share**(1/t)))``.

    Raises
    ------
    ValueRangeError
        If a number is out of range.

    Examples
    --------
    >>> round(ne_to_keep(0.9, 100 / 5), 3)
    95.162
    """
    _check_goal(share, generations)
    return 1 / (2 * -math.expm1(math.log(share) / generations))


def ne_to_keep_over_years(share: float, years: float, generation_length: float) -> float:
    """Effective size for a goal in years, by the continuous textbook form ``T / (2 L (-ln share))``.

    Parameters
    ----------
    share : float
        Share to keep, between 0 and 1.
    years, generation_length : float
        Above 0.

    Returns
    -------
    float
        For 90 % over 100 years 475 divided by the generation length.

    Raises
    ------
    ValueRangeError
        If a number is out of range.

    References
    ----------
    .. [1] Soule et al. (1986), Zoo Biology 5:101-113; Frankham, Ballou & Briscoe, Introduction to
       Conservation Genetics (from memory).
    """
    if not generation_length > 0:
        raise ValueRangeError(f"generation length: found {generation_length}. Expected years above 0.")
    _check_goal(share, years)
    return years / (2 * generation_length * -math.log(share))


def generations_until(share: float, ne: float) -> float:
    """Return the generations until gene diversity has fallen to a share, infinite for an infinite Ne.

    Raises
    ------
    ValueRangeError
        If `share` is not between 0 and 1 or `ne` is not above 0.5.
    """
    _check_goal(share, 1)
    if not ne > 0.5:
        raise ValueRangeError(f"decay: found Ne {ne}. Expected a number above 0.5.")
    return math.inf if math.isinf(ne) else math.log(share) / math.log1p(-1 / (2 * ne))


def founders_diversity(n_founders: int) -> float:
    """Return the share of the source's gene diversity that unrelated founders carry, ``1 - 1/(2N)``.

    Raises
    ------
    ValueRangeError
        If there are no founders.
    """
    if n_founders < 1:
        raise ValueRangeError(f"founders: found {n_founders}. Expected at least one.")
    return 1 - 1 / (2 * n_founders)


def chance_to_carry(frequency: float, n_founders: int) -> float:
    """Return the chance that unrelated founders carry an allele, ``1 - (1 - p)**(2N)``.

    Raises
    ------
    ValueRangeError
        If the frequency is not between 0 and 1 or there are no founders.
    """
    if not 0 < frequency < 1 or n_founders < 1:
        raise ValueRangeError(
            f"founders: found allele frequency {frequency} and {n_founders} founders. Expected a frequency "
            "between 0 and 1 and at least one founder."
        )
    return -math.expm1(2 * n_founders * math.log1p(-frequency))


def genes_to_carry(frequency: float, chance: float) -> int:
    """Return the fewest gene copies that carry an allele with a chance.

    Raises
    ------
    ValueRangeError
        If the frequency or the chance is not between 0 and 1.

    References
    ----------
    .. [1] Marshall & Brown (1975), in Crop Genetic Resources for Today and Tomorrow (from memory).
    """
    if not (0 < frequency < 1 and 0 < chance < 1):
        raise ValueRangeError(
            f"founders: found allele frequency {frequency} and chance {chance}. Expected both between 0 and 1."
        )
    return math.ceil(math.log1p(-chance) / math.log1p(-frequency) - 1e-9)


def founders_to_carry(frequency: float, chance: float) -> int:
    """Return the fewest unrelated founders that carry an allele with a chance.

    Raises
    ------
    ValueRangeError
        As `genes_to_carry`.

    Examples
    --------
    >>> founders_to_carry(0.05, 0.95), founders_to_carry(0.01, 0.95)
    (30, 150)
    """
    return math.ceil(genes_to_carry(frequency, chance) / 2)


def _check_goal(share: float, length: float) -> None:
    if not 0 < share < 1 or not length > 0:
        raise ValueRangeError(
            f"diversity goal: found share {share} over {length}. Expected a share between 0 and 1 and a "
            "length above 0."
        )
