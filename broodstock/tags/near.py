"""Known and bought codes that differ from a read code by one slip of the hand."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from broodstock.tags.codes import is_iso, is_legacy


@dataclass(frozen=True, slots=True)
class NearTag:
    """A code one slip away from what was read.

    Parameters
    ----------
    code : str
        The other code.
    slip : str
        What the slip would be, for example ``two digits swapped``.
    known : bool
        True for a tag of the records; False for a code that is only in a bought range.
    """

    code: str
    slip: str
    known: bool


@dataclass(frozen=True)
class TagRanges:
    """Ranges of codes that were bought.

    Parameters
    ----------
    first, last : tuple of str
        First and last code of each range, internal form, both of one kind and length.
    labels : tuple of str
        Box or order.
    purposes : tuple of str
        ``fish`` or ``marker``.
    """

    first: tuple[str, ...]
    last: tuple[str, ...]
    labels: tuple[str, ...]
    purposes: tuple[str, ...]

    @classmethod
    def sorted_from(cls, rows: Iterable[tuple[str, str, str, str]]) -> TagRanges:
        """Return ranges from rows of first, last, label and purpose, sorted by first code."""
        ordered = sorted(rows, key=lambda r: (len(r[0]), r[0]))
        a, b, c, d = zip(*ordered, strict=True) if ordered else ((), (), (), ())
        return cls(a, b, c, d)

    def position(self, code: str) -> int:
        """Return the number of the range that holds a code, -1 if none.

        Overlapping ranges are searched from the one that begins last.
        """
        keys = self._keys
        i = bisect_right(keys, (len(code), code)) - 1
        while i >= 0 and len(self.first[i]) == len(code):
            if self.first[i] <= code <= self.last[i]:
                return i
            if code > self._reach[i]:
                return -1
            i -= 1
        return -1

    def __contains__(self, code: str) -> bool:
        return self.position(code) >= 0

    def __len__(self) -> int:
        return len(self.first)

    @cached_property
    def _keys(self) -> list[tuple[int, str]]:
        return [(len(f), f) for f in self.first]

    @cached_property
    def _reach(self) -> list[str]:
        """Largest last code of a range and all before it of the same length."""
        return _running_last(self.first, self.last)


def near_matches(
    code: str, known: Collection[str], ranges: TagRanges | None = None, limit: int = 5
) -> list[NearTag]:
    """Find the codes that one slip turns into the code that was read.

    Slips are one wrong digit, two neighbouring digits swapped, one digit lost and one digit too many.

    Parameters
    ----------
    code : str
        Code as read, without blanks, in capitals; need not be a possible code.
    known : set of str
        Tags of the records, internal form.
    ranges : TagRanges, optional
        Bought ranges; codes in them are offered after the known tags, and only when they are few.
    limit : int
        Most codes to return.

    Returns
    -------
    list of NearTag
        Known tags first; empty when nothing is near or the bought codes are too many to be of help.

    Examples
    --------
    >>> [(n.code, n.slip) for n in near_matches("999090000010022", {"999009000010022"})]
    [('999009000010022', 'two digits swapped')]
    """
    variants: dict[str, str] = {}
    for variant, slip in one_slip(code):
        if variant != code and (is_iso(variant) or is_legacy(variant)):
            variants.setdefault(variant, slip)
    found = [NearTag(v, slip, True) for v, slip in variants.items() if v in known]
    if ranges is not None and len(found) < limit:
        bought = [NearTag(v, slip, False) for v, slip in variants.items() if v not in known and v in ranges]
        if len(bought) <= limit:
            found += bought
    return found[:limit]


def one_slip(code: str) -> Iterator[tuple[str, str]]:
    """Yield every text one slip away from a code, with the slip that would turn it into the code."""
    alphabet = "0123456789" if code.isdigit() and len(code) >= 12 else "0123456789ABCDEF"
    for i in range(len(code) - 1):
        if code[i] != code[i + 1]:
            yield code[:i] + code[i + 1] + code[i] + code[i + 2 :], "two digits swapped"
    for i, old in enumerate(code):
        for new in alphabet:
            if new != old:
                yield code[:i] + new + code[i + 1 :], "one digit wrong"
    for i in range(len(code)):
        doubled = (i > 0 and code[i - 1] == code[i]) or (i + 1 < len(code) and code[i + 1] == code[i])
        yield code[:i] + code[i + 1 :], "one digit doubled" if doubled else "one digit too many"
    for i in range(len(code) + 1):
        for new in alphabet:
            yield code[:i] + new + code[i:], "one digit missing"


def suggestion(near: Sequence[NearTag]) -> str:
    """Return the near codes as a sentence, empty when there are none."""
    if not near:
        return ""
    shown = "; ".join(f"'{n.code}' ({n.slip}{'' if n.known else ', bought but unused'})" for n in near)
    return f"Did you mean {shown}?"


def _running_last(first: Sequence[str], last: Sequence[str]) -> list[str]:
    out: list[str] = []
    for i, end in enumerate(last):
        same = i > 0 and len(first[i - 1]) == len(first[i])
        out.append(max(end, out[-1]) if same else end)
    return out
