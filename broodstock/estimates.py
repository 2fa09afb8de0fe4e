"""An estimate always travels with its interval, its method and what it was made from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number shown to a user.

    Parameters
    ----------
    value : float or None
        Point estimate; ``math.inf`` is a legal value (for example an effective size without upper
        bound); None when it cannot be estimated.
    low, high : float or None
        Limits of the interval; may be infinite. None when no interval exists.
    method : str
        Plain words: the estimator and how the interval was made.
    n_used : int
        Number of units (fish, loci, families) behind the value.
    unit_used : str
        What `n_used` counts.
    level : float
        Coverage the interval aims at.
    note : str
        What the reader must know to use it.
    reason : str
        Why it is not estimable; empty when it is.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    method: str = ""
    n_used: int = 0
    unit_used: str = "fish"
    level: float = 0.95
    note: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("value", "low", "high"):
            number = getattr(self, name)
            if number is not None and math.isnan(number):
                raise ValueError(f"Estimate.{name} is NaN. Use Estimate.not_estimable with the reason.")
        if self.value is None and not self.reason:
            raise ValueError("An Estimate without a value needs the reason why.")

    @classmethod
    def not_estimable(
        cls, reason: str, method: str = "", n_used: int = 0, unit_used: str = "fish"
    ) -> Estimate:
        """Return the estimate that says why there is none."""
        return cls(None, method=method, n_used=n_used, unit_used=unit_used, reason=reason)

    @property
    def estimable(self) -> bool:
        """True when there is a value."""
        return self.value is not None

    def text(self, digits: int = 3) -> str:
        """Return ``0.812 (0.790 to 0.834)``, ``infinite``, or ``not estimable because ...``."""
        if self.value is None:
            return f"not estimable because {self.reason}"
        shown = _number(self.value, digits)
        if self.low is None or self.high is None:
            return shown
        return f"{shown} ({_number(self.low, digits)} to {_number(self.high, digits)})"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; infinity becomes the word ``infinite``."""
        return {
            "value": _json_number(self.value),
            "low": _json_number(self.low),
            "high": _json_number(self.high),
            "level": self.level,
            "method": self.method,
            "n_used": self.n_used,
            "unit_used": self.unit_used,
            "note": self.note,
            "reason": self.reason,
        }


def _number(x: float, digits: int) -> str:
    if math.isinf(x):
        return "infinite" if x > 0 else "minus infinite"
    return f"{x:.{digits}f}"


def _json_number(x: float | None) -> float | str | None:
    if x is None:
        return None
    if math.isinf(x):
        return "infinite" if x > 0 else "minus infinite"
    return float(x)
