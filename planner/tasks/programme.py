"""Open a folder of records or a register as one programme: tables, genotypes, settings, pedigree, findings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray, IntArray
from broodstock.findings import Finding, Findings, Place
from planner.tasks.claims import DNA_CLAIM_MIN
from planner.tasks.settings import UNSET_DAY, Settings, read_settings

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet
    from broodstock.pedigree.structure import Pedigree
    from planner.tasks.dna_screens import DnaObjections
    from planner.tasks.individuals import Individual
    from planner.tasks.marker_kinship import MarkerKinship


@dataclass(frozen=True)
class Programme:
    """Everything a use case reads; built by `open_programme`.

    Parameters
    ----------
    folder : Path or str
        Where the records are: a folder, a register file, or the address of a register.
    tables : mapping of str to DataFrame
        Tables by name; an absent table is an empty frame with its columns.
    genotypes : mapping of str to GenotypeSet
        Call sets by name (``snps``, ``microsatellites``).
    settings : Settings
        Settings in force.
    findings : tuple of Finding
        Warnings and notes; hard faults never get this far.
    fingerprint : str
        SHA-256 over all files read; of a register the hash of its last change.
    """

    folder: Path | str
    tables: Mapping[str, pd.DataFrame]
    genotypes: Mapping[str, GenotypeSet]
    settings: Settings
    findings: tuple[Finding, ...]
    fingerprint: str

    @property
    def today(self) -> dt.date:
        """The programme's date."""
        return self.settings.day("today")

    @cached_property
    def parents_used(self) -> dict[str, tuple[str, str]]:
        """Dam and sire of each fish as used for kinship: recorded, or DNA where a claim is sure enough."""
        fish = self.tables["fish"]
        used = {f: [d, s] for f, d, s in zip(fish["fish_id"], fish["dam"], fish["sire"], strict=True)}
        claims = self.tables["parent_claims"]
        sure = claims[(claims["source"] == "dna") & (claims["confidence"] >= DNA_CLAIM_MIN)]
        for child, role, parent in zip(sure["child"], sure["role"], sure["parent"], strict=True):
            if child in used:
                used[child][0 if role == "dam" else 1] = parent
        return {f: (d, s) for f, (d, s) in used.items()}

    @cached_property
    def pedigree(self) -> Pedigree:
        """Pedigree of all fish known as individuals.

        Raises
        ------
        PedigreeError
            If the parents in use make a loop or give a fish two sexes.
        """
        from broodstock.pedigree.build import build_pedigree

        fish = self.tables["fish"]
        used = self.parents_used
        ids = list(fish["fish_id"])
        return build_pedigree(ids, [used[f][0] for f in ids], [used[f][1] for f in ids], list(fish["sex"]))

    @cached_property
    def inbreeding(self) -> FloatArray:
        """Inbreeding coefficient by pedigree row."""
        from broodstock.pedigree.kinship import inbreeding

        return inbreeding(self.pedigree.parents)

    @cached_property
    def by_markers(self) -> MarkerKinship | None:
        """Kinship with founders related by markers, None when the setting asks for the pedigree alone.

        Raises
        ------
        UsageError
            If the setting asks for markers and there are too few genotyped founders.
        """
        if self.settings["kinship_source"] == "pedigree":
            return None
        from planner.tasks.marker_kinship import marker_kinship

        return marker_kinship(self)

    @cached_property
    def individuals(self) -> tuple[Individual, ...]:
        """Every fish ever known one by one; shared, so never changed."""
        from planner.tasks.individuals import individuals

        return tuple(individuals(self, dt.date.max))

    @cached_property
    def stock_by_dna(self) -> DnaObjections:
        """Fish of the stock that DNA speaks against; never changed."""
        from planner.tasks.dna_screens import stock_objections

        return stock_objections(self)

    @cached_property
    def stock_here(self) -> pd.DataFrame:
        """Fish of the stock that live here: not dead, not released since they were tagged; never changed."""
        from planner.tasks.still_here import stock_here

        return stock_here(self)

    @cached_property
    def residents_now(self) -> pd.DataFrame:
        """Residents of each water, with the fish released since its last count; never changed."""
        from planner.tasks.still_here import residents_now

        return residents_now(self)

    @cached_property
    def living_rows(self) -> IntArray:
        """Pedigree rows of the living fish in care (brood and hold)."""
        fish = self.tables["fish"]
        living = fish.loc[fish["status"].isin(["brood", "hold"]), "fish_id"]
        return self.pedigree.rows(list(living))

    def living_weights(self) -> FloatArray:
        """Return the number of living fish each pedigree row stands for, shape (n_fish,)."""
        weights = np.zeros(len(self.pedigree))
        weights[self.living_rows] = 1.0
        return weights

    def family_kinship(self, families: list[str]) -> FloatArray:
        """Kinship of two distinct fish, one of each family.

        Parameters
        ----------
        families : list of str
            Family identifiers from the table ``families``; others count as groups of unknown parents.

        Returns
        -------
        ndarray, float64, shape (n, n)
            Off the diagonal the mean kinship of the four parent pairs; on it the kinship of two distinct
            members. An unknown parent of a cross is one unrelated founder shared by the family. A larval or
            backwater group has the setting ``larval_group_kinship`` on the diagonal and 0 elsewhere.

        Notes
        -----
        Kinship of offspring from kinship of parents: Malecot 1948 (from memory).
        """
        from broodstock.pedigree.kinship import kinship_between

        table = self.tables["families"]
        crossed = table[table["kind"] == "cross"]
        parents = {
            f: (d, s) for f, d, s in zip(crossed["family_id"], crossed["dam"], crossed["sire"], strict=True)
        }
        index = self.pedigree.index
        n = len(families)
        half = np.zeros((n, len(self.pedigree)))
        extra = np.zeros(n)
        for i, family in enumerate(families):
            if family not in parents:
                extra[i] = self.settings["larval_group_kinship"]
                continue
            for parent in parents[family]:
                if parent in index:
                    half[i, index[parent]] += 0.5
                else:
                    extra[i] += 0.125
        used = np.flatnonzero(half.any(axis=0)).astype(np.int32)
        if self.by_markers is None:
            between = kinship_between(self.pedigree.parents, used, used, self.inbreeding)
        else:
            between = self.by_markers.kinship[np.ix_(used, used)]
        shares = half[:, used]
        kinship: FloatArray = shares @ between @ shares.T
        kinship[np.diag_indices(n)] += extra
        return kinship


def open_programme(
    folder: Path | str,
    overrides: Mapping[str, str] | None = None,
    with_scans: bool = False,
    with_calls: bool = True,
    with_warnings: bool = True,
) -> Programme:
    """Read and check a folder of records, or a register.

    Parameters
    ----------
    folder : Path or str
        Folder with tables (CSV, gzip or ``records.xlsx``) and ``genotypes/``; or a register file or its address.
    overrides : mapping, optional
        Settings given as text for this run.
    with_scans : bool
        Read the table of scanner contacts too (large). A register keeps days with their first and last contact and
        their number; it gives as many contacts.
    with_calls : bool
        Read the genotypes too. Without them no check looks at DNA; the fingerprint still covers their files.
    with_warnings : bool
        Run the checks that only warn, too. Without them a plan is on its desk sooner; hard faults stop it all the same,
        and then every finding is told.

    Returns
    -------
    Programme
        Ready to use.

    Raises
    ------
    InputError
        If any file has a hard fault; the error carries every finding of the whole folder.
    UsageError
        If a setting given for this run is unknown or out of range.
    """
    findings, records, settings = read_and_check(folder, overrides, with_scans, with_calls, with_warnings)
    return programme_of(folder, findings, records, settings)


def programme_of(folder: Path | str, findings: Findings, records: Records, settings: Settings) -> Programme:
    """Make a programme of what `read_and_check` returned, so that a caller who reports on it reads once.

    Raises
    ------
    InputError
        If any finding is an error; the error carries every finding.
    """
    findings.raise_if_hard()
    return Programme(
        folder, records.tables, records.genotypes, settings, tuple(findings), records.fingerprint
    )


def settings_in(records: Records) -> tuple[Settings, Findings]:
    """Return the settings of the records and the faults of their table."""
    table = records.tables["settings"]
    rows = zip(table.index, table["name"], table["value"], table["source"], strict=True)
    return read_settings(rows, table.attrs.get("file", "settings.csv"))


def read_and_check(
    folder: Path | str,
    overrides: Mapping[str, str] | None = None,
    with_scans: bool = True,
    with_calls: bool = True,
    with_warnings: bool = True,
) -> tuple[Findings, Records, Settings]:
    """Read a folder or a register and run every check; nothing stops before all faults are found.

    Parameters
    ----------
    folder, overrides, with_scans, with_calls, with_warnings
        As in `open_programme`.

    Returns
    -------
    Findings, Records, Settings
        All findings, what was read, and the settings in force.

    Raises
    ------
    UsageError
        If a setting given for this run is unknown or out of range.
    """
    from broodstock.checks.run import CHECKS, run_checks
    from broodstock.findings_catalogue import CATALOGUE

    skip = (*(() if with_scans else ("scans",)), *(() if with_calls else ("snps", "microsatellites")))
    records = read_place(folder, skip)
    findings = Findings(list(records.findings))
    settings, faults = settings_in(records)
    findings.extend(faults)
    settings = settings.with_overrides(overrides or {})
    settings = with_day(settings, records, findings)
    asked = (records.tables, records.genotypes, settings.values, settings.day("today"))
    if not with_warnings:
        hard = [c.name for c in CHECKS if any("error" in CATALOGUE[code].levels for code in c.codes)]
        if not any(f.level == "error" for f in (*findings, *run_checks(*asked, only=hard))):
            return findings, records, settings
    findings.extend(run_checks(*asked))
    return findings, records, settings


def read_place(place: Path | str, skip: tuple[str, ...] = ()) -> Records:
    """Read the tables of a folder or of a register.

    Raises
    ------
    RegisterError
        If the register cannot be opened.
    """
    from planner.tasks.registers import is_register

    if is_register(place):
        from planner.tasks.register_records import read_register

        return read_register(place, skip)
    from broodstock.intake.folder import read_folder

    return read_folder(place, skip=skip)


def with_day(settings: Settings, records: Records, findings: Findings) -> Settings:
    """Return settings with a day to read the records for: as set, otherwise the last day in the records."""
    from broodstock.fields import TABLES

    if settings["today"] != UNSET_DAY:
        return settings
    days = [
        records.tables[name][column.name].max()
        for name, table in TABLES.items()
        for column in table.columns
        if column.kind == "date" and column.name not in DAYS_TO_COME and len(records.tables[name])
    ]
    known = [d for d in days if not pd.isna(d)]
    if not known:
        return settings.with_overrides({"today": FAR_DAY})
    last = max(known).date()
    findings.add(
        "day-assumed",
        Place("settings.csv", None, "today"),
        "no day to read the records for",
        "a row 'today' with an ISO date",
        f"The last day in the records, {last}, was taken. Add the row.",
        "note",
    )
    return settings.with_overrides({"today": last.isoformat()})


DAYS_TO_COME = ("valid_until", "valid_from", "until_date", "withdrawal_until", "window_start", "window_end")
"""Columns whose days may lie ahead of the records."""

FAR_DAY = "2100-01-01"
"""Day taken when the records hold no day at all."""


if TYPE_CHECKING:
    from broodstock.intake.folder import Records
