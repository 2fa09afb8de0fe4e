"""Where effective parents are lost between the fish in care and the fish that count.

At every step each parent has some share of what is left of a year class. The effective number of parents
of a step is that of parents with these shares; the ratio of a step to the one before says what the step
kept. Numbers are exact fractions, so the ratios of all steps multiply to the ratio of the whole without any
rounding.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from broodstock.effective_size.offspring_counts import nb_from_offspring_counts
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate

METHOD = "4 Nef Nem / (Nef + Nem), each sex 1 / sum of squared shares of its parents"
SAMPLED_METHOD = (
    "4 Nef Nem / (Nef + Nem), each sex one over the chance that two different fish seen share that parent"
)


@dataclass(frozen=True)
class StepShares:
    """What is known of one step.

    Parameters
    ----------
    name : str
        The step in the user's words.
    females, males : mapping of str to number
        What each parent has at this step: 1 for a fish that is merely there, dishes, eggs, fry, young. At
        least 0; need not add to 1. Both empty when the step has no data.
    sampled : bool
        True when the numbers are of some of the fish only (fish seen again): then pairs of different fish
        are counted, which corrects for the size of the sample. Numbers must be whole.
    counted : str
        What the numbers are, for example ``fry kept``.
    absent : str
        Why there is no data; needed when there is none.
    note : str
        What the reader must know.
    """

    name: str
    females: Mapping[str, float | Fraction] = field(default_factory=dict)
    males: Mapping[str, float | Fraction] = field(default_factory=dict)
    sampled: bool = False
    counted: str = ""
    absent: str = ""
    note: str = ""


@dataclass(frozen=True)
class WaterfallStep:
    """One step with data.

    Parameters
    ----------
    name, counted : str
        As in `StepShares`.
    females, males, both : Fraction
        Effective number of mothers, of fathers, of parents.
    n_females, n_males : int
        Parents with a share.
    lost_females, lost_males : tuple of str
        Parents that had a share at the step before and have none now.
    ratio : Fraction or None
        `both` over that of the step before; None for the first.
    estimate : Estimate
        `both` with its interval, or why it has none.
    """

    name: str
    counted: str
    females: Fraction
    males: Fraction
    both: Fraction
    n_females: int
    n_males: int
    lost_females: tuple[str, ...]
    lost_males: tuple[str, ...]
    ratio: Fraction | None
    estimate: Estimate


@dataclass(frozen=True)
class Waterfall:
    """Steps from the fish in care to the fish that count.

    Parameters
    ----------
    group : str
        The year class in the user's words.
    steps : tuple of WaterfallStep
        Steps with data, in order.
    left_out : tuple of (str, str)
        Steps without data, and why.
    realised : Estimate or None
        Effective number of breeders that DNA finds, to set beside the last step.
    """

    group: str
    steps: tuple[WaterfallStep, ...]
    left_out: tuple[tuple[str, str], ...]
    realised: Estimate | None

    @property
    def total(self) -> Fraction | None:
        """The last step over the first, exactly the product of all ratios; None without steps."""
        return self.steps[-1].both / self.steps[0].both if self.steps else None

    def largest_loss(self) -> WaterfallStep | None:
        """Return the step that kept least of the one before; None when no step lost anything."""
        losing = [s for s in self.steps if s.ratio is not None and s.ratio < 1]
        return min(losing, key=lambda s: s.ratio or Fraction(1), default=None)


def diversity_loss_waterfall(
    steps: Sequence[StepShares],
    group: str = "",
    realised: Estimate | None = None,
    *,
    n_bootstrap: int = 2000,
    level: float = 0.95,
    seed: int = 1,
) -> Waterfall:
    """Compute the effective number of parents at every step and what each step kept.

    Parameters
    ----------
    steps : sequence of StepShares
        In order of time.
    group : str
        The year class in the user's words.
    realised : Estimate, optional
        Effective number of breeders by DNA.
    n_bootstrap : int
        Bootstrap samples of the interval of a sampled step.
    level : float
        Coverage that interval aims at.
    seed : int
        Its source of random numbers.

    Returns
    -------
    Waterfall
        A step without data, without one of the sexes, or (sampled) in which no two fish share a parent, is
        left out and named; the ratio of the next step then spans both.

    Raises
    ------
    ValueRangeError
        If a share is negative or not finite, or a sampled number is not whole.
    UsageError
        If two steps have one name, a step without data does not say why, or a setting is not usable.

    Notes
    -----
    Steps that count every fish, egg or fry have no sampling error, hence no interval: ``1 / sum(x**2)`` per
    sex [1]_ and ``4 Nef Nem / (Nef + Nem)`` [2]_ of the shares as counted. A sampled step uses the form for
    counted young [1]_, ``(S - 1) / (Q / S - 1)`` with S the sum of the numbers and Q that of their squares.

    References
    ----------
    .. [1] Crow & Denniston (1988), Evolution 42:482-495 (from memory).
    .. [2] Wright (1931), Genetics 16:97-159.
    """
    names = [s.name for s in steps]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"waterfall: found step {name!r} twice. Expected one name per step. Rename one.")
    out: list[WaterfallStep] = []
    left_out: list[tuple[str, str]] = []
    before: StepShares | None = None
    for step in steps:
        shares = [_exact(step, sex) for sex in (step.females, step.males)]
        reason = _why_not(step, shares)
        numbers: list[Fraction] = []
        if not reason:
            found = [_effective(x, step.sampled) for x in shares]
            numbers = [x for x in found if x is not None]
            if len(numbers) < 2:
                reason = "no two of the fish seen share a parent of each sex, so no number can be given"
        if reason:
            left_out.append((step.name, reason))
            continue
        females, males = numbers
        both = 4 * females * males / (females + males)
        out.append(
            WaterfallStep(
                step.name,
                step.counted,
                females,
                males,
                both,
                len(shares[0]),
                len(shares[1]),
                _lost(before, step, "females"),
                _lost(before, step, "males"),
                both / out[-1].both if out else None,
                _estimate(step, shares, both, n_bootstrap, level, seed),
            )
        )
        before = step
    return Waterfall(group, tuple(out), tuple(left_out), realised)


def _exact(step: StepShares, shares: Mapping[str, float | Fraction]) -> list[Fraction]:
    """Return the positive shares as exact fractions."""
    out = []
    for parent, x in shares.items():
        number = x if isinstance(x, Fraction) else float(x)
        if not math.isfinite(number) or number < 0:
            raise ValueRangeError(
                f"waterfall, step {step.name!r}, parent {parent!r}: found {x}. Expected a number of at least 0. "
                "Leave out parents whose share is unknown."
            )
        if step.sampled and number != int(number):
            raise ValueRangeError(
                f"waterfall, step {step.name!r}, parent {parent!r}: found {x} fish. Expected a whole number in a "
                "step that counts fish seen."
            )
        if number > 0:
            out.append(Fraction(number))
    return out


def _why_not(step: StepShares, shares: Iterable[list[Fraction]]) -> str:
    females, males = shares
    if not females and not males:
        if not step.absent:
            raise UsageError(
                f"waterfall, step {step.name!r}: found no data and no reason. Expected shares, or `absent`."
            )
        return step.absent
    if not females or not males:
        return f"there is no {'mother' if not females else 'father'} with a share"
    return ""


def _effective(shares: list[Fraction], sampled: bool) -> Fraction | None:
    """Effective number of parents of one sex; None when no two fish of a sample share one."""
    total = sum(shares, Fraction(0))
    squares = sum((x * x for x in shares), Fraction(0))
    if not sampled:
        return total * total / squares
    return total * (total - 1) / (squares - total) if squares > total else None


def _lost(before: StepShares | None, step: StepShares, sex: str) -> tuple[str, ...]:
    if before is None:
        return ()
    had, has = getattr(before, sex), getattr(step, sex)
    return tuple(p for p, x in had.items() if x > 0 and not has.get(p, 0) > 0)


def _estimate(
    step: StepShares,
    shares: list[list[Fraction]],
    both: Fraction,
    n_bootstrap: int,
    level: float,
    seed: int,
) -> Estimate:
    if not step.sampled:
        note = "Counted, not sampled: no sampling error, but counting errors are not in it. " + step.note
        n = len(shares[0]) + len(shares[1])
        return Estimate(
            float(both), method=METHOD, n_used=n, unit_used="parents", level=level, note=note.strip()
        )
    females, males = ([int(x) for x in s] for s in shares)
    found = nb_from_offspring_counts(females, males, n_bootstrap=n_bootstrap, level=level, seed=seed).both
    return Estimate(
        float(both),
        found.low,
        found.high,
        f"{SAMPLED_METHOD}; interval by bootstrap of fish",
        sum(females),
        "fish",
        level,
        step.note,
    )
