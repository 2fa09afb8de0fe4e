"""One part of the audit: its section on paper, its tables as files, its plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from broodstock.estimates import Estimate
from planner.reports.audit_report import AuditSection

ESTIMATE_COLUMNS = {
    "value": "The estimate; empty when it is not estimable, 'infinite' when the data set no upper bound.",
    "low": "Lower limit of the interval; empty without one.",
    "high": "Upper limit of the interval; empty without one, may be 'infinite'.",
    "level": "Coverage the interval aims at.",
    "method": "Estimator and how the interval was made.",
    "n_used": "Units behind the value.",
    "unit_used": "What n_used counts.",
    "note": "What the reader must know to use it.",
    "reason": "Why it is not estimable; empty when it is.",
}


@dataclass(frozen=True)
class AuditTable:
    """A table of the data package.

    Parameters
    ----------
    name : str
        File name without ending.
    sentence : str
        What one row is.
    frame : DataFrame
        Plain columns; missing values are empty cells.
    columns : mapping of str to str
        A sentence for every column.

    Raises
    ------
    ValueError
        If a column has no sentence.
    """

    name: str
    sentence: str
    frame: pd.DataFrame
    columns: Mapping[str, str]

    def __post_init__(self) -> None:
        lacking = [str(c) for c in self.frame.columns if c not in self.columns]
        if lacking:
            raise ValueError(f"table {self.name!r}: no sentence for {', '.join(lacking)}.")


@dataclass(frozen=True)
class AuditPart:
    """Everything one part contributes.

    Parameters
    ----------
    key : str
        Short name, the key in JSON.
    section : AuditSection
        On paper.
    tables : tuple of AuditTable
        As files.
    data : dict
        Plain values.
    alarms : tuple of str
        What a person must do because of this part, most urgent first.
    methods : tuple of str
        Sentences of the methods text.
    """

    key: str
    section: AuditSection
    tables: tuple[AuditTable, ...] = ()
    data: dict[str, Any] = field(default_factory=dict)
    alarms: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()


def not_made(key: str, title: str, reason: str) -> AuditPart:
    """Return a part that only says why it could not be made."""
    return AuditPart(
        key, AuditSection(title, not_made=(f"this part, because {reason}.",)), data={"not_made": reason}
    )


def flat(estimate: Estimate) -> dict[str, Any]:
    """Return an estimate as the columns `ESTIMATE_COLUMNS`; infinity is the word ``infinite``."""
    return estimate.as_dict()


def shown(estimate: Estimate, digits: int = 3) -> str:
    """Return an estimate for a narrow cell; the reason of a missing one stands in the notes."""
    return estimate.text(digits) if estimate.estimable else "not estimable"


def reasons_of(pairs: list[tuple[str, Estimate]]) -> tuple[str, ...]:
    """Return one sentence for each reason why estimates are missing, with what it concerns."""
    why: dict[str, list[str]] = {}
    for what, estimate in pairs:
        if not estimate.estimable:
            why.setdefault(estimate.reason, []).append(what)
    return tuple(f"{', '.join(which)}: not estimable because {reason}." for reason, which in why.items())


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as plain values; a missing value is None, never NaN."""
    return frame.astype(object).where(frame.notna(), None).to_dict("records")  # type: ignore[return-value]
