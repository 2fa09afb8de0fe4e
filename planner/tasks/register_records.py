"""A register as the records of a programme: tables, genotype sets, and scanner contacts from the days kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from broodstock.intake.folder import Records
    from planner.store.register import Register


def read_register(place: str | Path, skip: Iterable[str] = ()) -> Records:
    """Read a register in the form of a folder of records.

    Parameters
    ----------
    place : str or Path
        Register file or address.
    skip : iterable of str
        Tables, or the words ``snps`` and ``microsatellites``, that are not needed now.

    Returns
    -------
    Records
        With the data version as fingerprint. References and keys were checked when the rows were entered, so it has no
        findings of its own.

    Raises
    ------
    RegisterError
        If it cannot be opened.
    """
    from planner.store.register import Register

    with Register.open(place, read_only=True) as register:
        return records_of(register, skip)


def records_of(register: Register, skip: Iterable[str] = ()) -> Records:
    """Return the records of an open register; arguments and result as in `read_register`."""
    from planner.store.detections import scans_of

    skip = tuple(skip)
    records = register.records(skip=skip)
    if "scans" in skip:
        return records
    days = register.frame("detection_days")
    if days.empty:
        return records
    scans = scans_of(days)
    scans.attrs["file"] = "scans"
    return replace(records, tables={**records.tables, "scans": scans})
