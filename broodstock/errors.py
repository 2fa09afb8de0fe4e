"""The errors this package raises, one class per situation a caller may want to handle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from broodstock.findings import Finding


class KinshoalError(Exception):
    """Any error raised on purpose: its message says place, found, expected and what to do."""

    code = "error"


class ShapeError(KinshoalError, ValueError):
    """An array has the wrong number of dimensions or a wrong length."""

    code = "shape"


class ValueRangeError(KinshoalError, ValueError):
    """A number lies outside the range in which the formula means anything."""

    code = "value-range"


class PedigreeError(KinshoalError, ValueError):
    """The pedigree is impossible: a loop, a fish that is both dam and sire, a fish its own parent.

    Parameters
    ----------
    message : str
        Place, found, expected, what to do; names the fish.
    fish : sequence of str
        Identifiers of the fish concerned, in order along a loop.
    """

    code = "pedigree"

    def __init__(self, message: str, fish: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.fish = tuple(fish)


class InputError(KinshoalError, ValueError):
    """Input has hard faults; nothing was written.

    Parameters
    ----------
    findings : sequence of Finding
        All faults of the whole import, in file and row order.
    """

    code = "input"

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        hard = [f for f in self.findings if f.level == "error"]
        shown = "\n".join(f"- {f.text()}" for f in hard)
        super().__init__(f"{len(hard)} fault(s) stop this import; nothing was written.\n{shown}")


class UsageError(KinshoalError, ValueError):
    """A setting or an option has a value the work cannot use."""

    code = "usage"
