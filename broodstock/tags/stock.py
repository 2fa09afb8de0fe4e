"""Stock of tags: what was bought, used, scrapped and is left in each box; the loss of tags from double tagging."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from broodstock.tags.codes import is_iso, is_legacy
from broodstock.tags.near import TagRanges


@dataclass(frozen=True, slots=True)
class BoxStock:
    """One bought range.

    Parameters
    ----------
    box, first, last, purpose : str
        As bought.
    bought, used, scrapped, left : int
        Tags; ``bought = used + scrapped + left``. A tag that was scrapped and is in a fish counts as used.
    next_free : str
        First code that is neither used nor scrapped, empty when none is left.
    """

    box: str
    first: str
    last: str
    purpose: str
    bought: int
    used: int
    scrapped: int
    left: int
    next_free: str


@dataclass(frozen=True)
class TagStock:
    """Stock of all boxes and what does not fit.

    Parameters
    ----------
    boxes : tuple of BoxStock
        In the order of the codes.
    in_two_boxes : tuple of (str, str, str, str)
        Two boxes and the first and last code that both claim.
    used_scrapped : tuple of str
        Codes in a fish that were scrapped.
    never_bought : tuple of str
        Codes in a fish outside every box, of a kind that was bought.
    """

    boxes: tuple[BoxStock, ...]
    in_two_boxes: tuple[tuple[str, str, str, str], ...]
    used_scrapped: tuple[str, ...]
    never_bought: tuple[str, ...]


def tag_stock(ranges: TagRanges, used: Collection[str], scrapped: Iterable[tuple[str, str]] = ()) -> TagStock:
    """Count what is left of bought tags.

    Parameters
    ----------
    ranges : TagRanges
        Bought ranges.
    used : collection of str
        Every code that is or was in a fish, internal form.
    scrapped : iterable of (str, str)
        First and last code of runs that will never be used.

    Returns
    -------
    TagStock
        A code in two boxes is counted in both.
    """
    in_fish = {k: sorted({_number(c) for c in used if _kind(c) == k}) for k in ("iso", "legacy")}
    runs = [(a, b) for a, b in scrapped if _kind(a) and _kind(a) == _kind(b) and a <= b]
    boxes = []
    for first, last, box, purpose in zip(
        ranges.first, ranges.last, ranges.labels, ranges.purposes, strict=True
    ):
        kind, low, high = _kind(first), _number(first), _number(last)
        taken = _between(in_fish.get(kind, []), low, high)
        here = [(max(_number(a), low), min(_number(b), high)) for a, b in runs if _kind(a) == kind]
        gone = _joined([r for r in here if r[0] <= r[1]])
        thrown = sum(b - a + 1 - len(_between(taken, a, b)) for a, b in gone)
        bought = high - low + 1
        left = bought - len(taken) - thrown
        free = _first_free(low, high, taken, gone) if left else None
        shown = "" if free is None else _code(free, kind)
        boxes.append(BoxStock(box, first, last, purpose, bought, len(taken), thrown, left, shown))
    both = sorted(
        c
        for c in used
        if any(_kind(a) == _kind(c) and _number(a) <= _number(c) <= _number(b) for a, b in runs)
    )
    kinds = {_kind(f) for f in ranges.first}
    outside = sorted(c for c in used if _kind(c) in kinds and c not in ranges)
    return TagStock(tuple(boxes), _overlaps(ranges), tuple(both), tuple(outside))


def loss_of_double_tags(n_both: int, n_one: int, level: float = 0.95) -> Estimate:
    """Estimate the chance that one tag is lost, from fish that were given two.

    Parameters
    ----------
    n_both, n_one : int
        Fish seen again with both tags, and with one.
    level : float
        Coverage aimed at.

    Returns
    -------
    Estimate
        ``n_one / (n_one + 2 n_both)``. Both tags are taken to be lost independently with the same chance, and fish
        that lost both cannot be counted. The interval is the exact one of the share with both tags, carried over.

    Raises
    ------
    ValueRangeError
        If a number is negative or the level is not between 0 and 1.

    Notes
    -----
    With a chance q, a fish seen again with a tag has both with chance ``(1-q)/(1+q)``. Seber (1982), The Estimation of
    Animal Abundance, for loss from double tagging; Clopper & Pearson (1934), Biometrika 26:404-413, for the interval
    (both from memory).
    """
    if n_both < 0 or n_one < 0 or not 0 < level < 1:
        raise ValueRangeError(
            f"double tags: found {n_both} and {n_one} fish, level {level}. Expected numbers of at least 0 and a level "
            "between 0 and 1. Correct them."
        )
    method = "loss of one tag from fish with two, exact interval of the share with both (Seber 1982)"
    n = n_both + n_one
    if n == 0:
        return Estimate.not_estimable("no fish with two tags was seen again", method)
    from scipy.stats import beta

    tail = (1 - level) / 2
    low = 0.0 if n_both == 0 else float(beta.ppf(tail, n_both, n_one + 1))
    high = 1.0 if n_one == 0 else float(beta.ppf(1 - tail, n_both + 1, n_one))
    return Estimate(
        n_one / (n_one + 2 * n_both), (1 - high) / (1 + high), (1 - low) / (1 + low), method, n, "fish", level
    )


def _kind(code: str) -> str:
    return "iso" if is_iso(code) else "legacy" if is_legacy(code) else ""


def _number(code: str) -> int:
    return int(code) if len(code) == 15 else int(code, 16)


def _code(number: int, kind: str) -> str:
    return f"{number:015d}" if kind == "iso" else f"{number:010X}"


def _between(numbers: Sequence[int], low: int, high: int) -> Sequence[int]:
    return numbers[bisect_left(numbers, low) : bisect_right(numbers, high)]


def _joined(runs: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return runs without overlap, in order."""
    out: list[tuple[int, int]] = []
    for a, b in sorted(runs):
        if out and a <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out


def _first_free(low: int, high: int, taken: Sequence[int], gone: Sequence[tuple[int, int]]) -> int | None:
    at, used, runs = low, iter(taken), iter(gone)
    next_used, run = next(used, None), next(runs, None)
    while at <= high:
        if run is not None and run[1] < at:
            run = next(runs, None)
        elif next_used is not None and next_used < at:
            next_used = next(used, None)
        elif run is not None and run[0] <= at:
            at = run[1] + 1
        elif next_used == at:
            at += 1
        else:
            return at
    return None


def _overlaps(ranges: TagRanges) -> tuple[tuple[str, str, str, str], ...]:
    out = []
    for j in range(len(ranges)):
        for i in range(j):
            if len(ranges.first[i]) == len(ranges.first[j]):
                low = max(ranges.first[i], ranges.first[j])
                high = min(ranges.last[i], ranges.last[j])
                if low <= high:
                    out.append((ranges.labels[i], ranges.labels[j], low, high))
    return tuple(out)
