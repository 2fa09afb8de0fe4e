"""All checks in order, each with its sentence and the codes it may raise."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from broodstock.checks import (
    date_checks,
    genetic_checks,
    lot_checks,
    measure_checks,
    parent_checks,
    place_checks,
    site_checks,
    station_checks,
    status_machine,
    tag_checks,
)
from broodstock.checks.records import CheckInput
from broodstock.errors import UsageError
from broodstock.fields import TABLES
from broodstock.findings import Finding, Findings
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class Check:
    """One check.

    Parameters
    ----------
    run : function of CheckInput and Findings
        Adds what it finds.
    codes : tuple of str
        Finding codes it may raise.
    """

    run: Callable[[CheckInput, Findings], None]
    codes: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of the check, without ``check_``."""
        return self.run.__name__.removeprefix("check_").replace("_", "-")

    @property
    def sentence(self) -> str:
        """What is checked, in one sentence."""
        first = (self.run.__doc__ or "").strip().split("\n")[0]
        words = first.removeprefix("Check ").removeprefix("that ")
        return words[:1].upper() + words[1:]


CHECKS: tuple[Check, ...] = (
    Check(tag_checks.check_one_fish_per_tag, ("tag-two-fish",)),
    Check(tag_checks.check_tag_ranges, ("tag-range-reversed", "tag-ranges-overlap")),
    Check(tag_checks.check_tags_bought, ("tag-not-bought", "tag-marker")),
    Check(tag_checks.check_unknown_tags, ("tag-unknown", "tag-marker-suspected")),
    Check(tag_checks.check_marker_tags, ("tag-marker",)),
    Check(
        tag_checks.check_tag_before_fish,
        ("capture-before-tagging", "scan-before-tagging", "release-before-tagging"),
    ),
    Check(date_checks.check_spans, ("span-reversed",)),
    Check(date_checks.check_days_to_come, ("day-to-come",)),
    Check(date_checks.check_release_after_hatch, ("release-before-hatch", "tagging-before-hatch")),
    Check(date_checks.check_measured_order, ("tagging-before-hatch",)),
    Check(date_checks.check_year_class, ("year-class-mismatch",)),
    Check(date_checks.check_family_year_class, ("year-class-of-family", "season-mismatch")),
    Check(date_checks.check_dead_fish, ("gone-fish-crossed", "gone-fish-seen")),
    Check(date_checks.check_cross_place, ("two-places",)),
    Check(measure_checks.check_units_of_measures, ("measures-implausible",)),
    Check(measure_checks.check_kind_of_length, ("length-kind-doubtful",)),
    Check(measure_checks.check_growth, ("growth-shrinking", "growth-too-fast", "length-kind-doubtful")),
    Check(
        parent_checks.check_pedigree_of_fish,
        ("self-parent", "pedigree-loop", "two-sex-parent", "parent-sex", "parent-age"),
    ),
    Check(parent_checks.check_parents_of_crosses, ("sex-against-role", "parent-age")),
    Check(parent_checks.check_one_role_per_fish, ("two-sex-parent",)),
    Check(parent_checks.check_families, ("family-without-parents", "group-with-parents")),
    Check(parent_checks.check_origins, ("wild-with-parents", "hatchery-without-parents", "parent-missing")),
    Check(parent_checks.check_parents_agree, ("parents-of-family",)),
    Check(parent_checks.check_parent_claims, ("self-parent", "claim-against-record")),
    Check(parent_checks.check_sex_over_time, ("sex-changed",)),
    Check(station_checks.check_one_unit_per_fish, ("fish-two-units",)),
    Check(station_checks.check_gone_fish_have_no_unit, ("gone-fish-in-unit",)),
    Check(station_checks.check_capacity, ("unit-over-capacity",)),
    Check(station_checks.check_hold_subjects, ("hold-subject-unknown",)),
    Check(station_checks.check_counts_of_dishes, ("counts-increase",)),
    Check(station_checks.check_family_balance, ("family-more-than-kept",)),
    Check(
        station_checks.check_certificates,
        ("certificate-expired", "certificate-not-clear", "certificate-missing"),
    ),
    Check(station_checks.check_permits, ("permit-exceeded", "permit-tally-differs", "permit-not-valid")),
    Check(station_checks.check_stock_is_here, ("stock-already-released",)),
    Check(status_machine.check_status_order, ("status-jump",)),
    Check(lot_checks.check_lot_events, ("lot-event-incomplete",)),
    Check(
        lot_checks.check_lot_balance,
        ("lot-more-out-than-in", "lot-empty-moved", "lot-loss-unexplained", "lot-count-too-high"),
    ),
    Check(lot_checks.check_lot_names, ("lot-name-reused",)),
    Check(lot_checks.check_lot_days, ("lot-not-open",)),
    Check(lot_checks.check_lot_families, ("lot-family-unexpected",)),
    Check(lot_checks.check_lots_told_apart, ("lot-families-not-told-apart",)),
    Check(lot_checks.check_unit_load, ("unit-over-capacity",)),
    Check(place_checks.check_coordinates, ("site-far-off",)),
    Check(site_checks.check_predator_surveys, ("predators-unknown", "survey-stale")),
    Check(site_checks.check_site_capacity, ("site-over-capacity",)),
    Check(site_checks.check_releases_into_water, ("site-without-water",)),
    Check(site_checks.check_duplicate_events, ("release-duplicate", "capture-duplicate")),
    Check(site_checks.check_far_captures, ("places-far-apart",)),
    Check(
        site_checks.check_reader_clocks,
        ("clock-outside-deployment", "clock-offset-odd", "scan-hours-too-many"),
    ),
    Check(site_checks.check_ghost_tags, ("tag-ghost-suspected",)),
    Check(genetic_checks.check_sample_places, ("well-twice", "well-unreadable")),
    Check(genetic_checks.check_call_rates, ("call-rate-low",)),
    Check(genetic_checks.check_identities, ("genotype-twice", "fish-two-genotypes")),
    Check(genetic_checks.check_recorded_parents, ("parents-against-dna",)),
    Check(genetic_checks.check_sex_by_dna, ("sex-against-dna",)),
    Check(genetic_checks.check_species, ("hybrid-suspected",)),
    Check(genetic_checks.check_vials, ("two-fish-in-vial",)),
    Check(genetic_checks.check_plate_patterns, ("plate-pattern",)),
)
"""Every check, in the order in which they run."""


def run_checks(
    tables: Mapping[str, pd.DataFrame],
    genotypes: Mapping[str, GenotypeSet] | None = None,
    settings: Mapping[str, Any] | None = None,
    today: dt.date | None = None,
    *,
    only: Iterable[str] | None = None,
) -> list[Finding]:
    """Run the checks that need more than one cell.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Every registered table, in the shared form of the readers.
    genotypes : mapping of str to GenotypeSet, optional
        By set.
    settings : mapping, optional
        Settings by name; limits that are not in it keep their defaults (see `broodstock.checks.records.Limits`).
    today : datetime.date, optional
        The day the records are read for; default: the latest day of a release, capture, cross or count in
        them, so that no clock is read.
    only : iterable of str, optional
        Names of the checks to run; default all.

    Returns
    -------
    list of Finding
        In the order of the checks, each place and code once. Nothing is corrected.

    Raises
    ------
    UsageError
        If a table is missing or a check is not known.
    """
    missing = [n for n in TABLES if n not in tables]
    if missing:
        raise UsageError(
            f"checks: found no table {', '.join(missing)}. Expected every registered table; give an empty one."
        )
    wanted = None if only is None else set(only)
    unknown = (wanted or set()) - {c.name for c in CHECKS}
    if unknown:
        raise UsageError(
            f"checks: found {', '.join(sorted(unknown))}. Expected some of {', '.join(c.name for c in CHECKS)}."
        )
    records = CheckInput(tables, genotypes or {}, settings or {}, today or latest_day(tables))
    findings = Findings()
    for check in CHECKS:
        if wanted is None or check.name in wanted:
            check.run(records, findings)
    return list(dict.fromkeys(findings))


def latest_day(tables: Mapping[str, pd.DataFrame]) -> dt.date:
    """Return the latest day of something that was done, 1970-01-01 when there is none."""
    days = [
        tables[name][column].max()
        for name, column in (
            ("releases", "released_on"),
            ("captures", "captured_on"),
            ("crosses", "made_on"),
            ("stock", "measured_on"),
            ("fish", "measured_on"),
            ("group_moves", "happened_on"),
        )
        if len(tables[name])
    ]
    known = [d for d in days if not pd.isna(d)]
    return max(known).date() if known else dt.date(1970, 1, 1)
