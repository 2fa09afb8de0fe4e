"""Checks of release data before anything is computed; every fault is listed at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.kinship_form import lowest_eigenvalue, negative_tolerance
from planner.optimise.release.settings import NO_LIMIT, SEXES, UNKNOWN_C

if TYPE_CHECKING:
    from planner.optimise.release.data import ReleaseData


def validate(data: ReleaseData) -> None:
    """Refuse data no plan can be made from.

    Parameters
    ----------
    data : ReleaseData
        The data.

    Raises
    ------
    ShapeError
        If an array has a wrong shape.
    ValueRangeError
        If any number or word is impossible; the message lists every fault.
    """
    faults = list(_shape_faults(data))
    if faults:
        raise ShapeError(_listed(faults))
    faults = [
        *_name_faults(data),
        *_range_faults(data),
        *_reference_faults(data),
        *_settings_faults(data),
        *_share_faults(data),
        *_kinship_faults(data),
    ]
    if faults:
        raise ValueRangeError(_listed(faults))


def _listed(faults: list[str]) -> str:
    return f"release data: {len(faults)} fault(s).\n" + "\n".join(f"- {f}" for f in faults)


def _shape_faults(data: ReleaseData) -> Iterator[str]:
    f, g, s = data.n_families, data.n_groups, data.n_sites
    wanted: list[tuple[str, Any, dict[str, tuple[int, ...]]]] = [
        (
            "families",
            data.families,
            {"kinship": (f, f)}
            | dict.fromkeys(("self_kinship", "elsewhere", "single", "min_sites", "keep_back"), (f,)),
        ),
        (
            "groups",
            data.groups,
            dict.fromkeys(
                (
                    "family",
                    "size_class",
                    "available",
                    "length_mm",
                    "shortest_mm",
                    "weight_g",
                    "year_class",
                    "water_risk",
                    "health_hold",
                    "withdrawal_hold",
                    "other_species",
                    "sex_doubt",
                    "sex",
                    "water_c",
                ),
                (g,),
            ),
        ),
        (
            "sites",
            data.sites,
            {"residents": (f, s), "refuge_copies": (f, s), "closed_months": (12, s)}
            | dict.fromkeys(
                (
                    "kind",
                    "capacity_fish",
                    "capacity_kg",
                    "resident_kg",
                    "resident_survival",
                    "predators",
                    "connected",
                    "open",
                    "min_length_mm",
                    "min_group",
                    "wanted",
                    "min_receive",
                    "max_receive",
                    "min_year_classes",
                    "min_families",
                    "family_cap",
                    "weight",
                    "water_risk",
                    "curve",
                    "water_c",
                    "tempering",
                    "female_low",
                    "female_high",
                    "sex_known_from",
                ),
                (s,),
            ),
        ),
        ("data", data, dict.fromkeys(("survival", "survival_se", "forbidden", "committed"), (g, s))),
    ]
    for table, holder, fields in wanted:
        for field, shape in fields.items():
            found = np.shape(getattr(holder, field))
            if found != shape:
                yield (
                    f"{table}, {field}: found an array of shape {found}. Expected {shape}. "
                    "Give one value per family, group or site."
                )


def _name_faults(data: ReleaseData) -> Iterator[str]:
    for table, names in (
        ("families", data.families.name),
        ("groups", data.groups.name),
        ("sites", data.sites.name),
    ):
        seen: set[str] = set()
        for name in names:
            if name in seen:
                yield f"{table}, name: found {name!r} twice. Expected each name once. Merge or rename one."
            seen.add(name)


_WHOLE = "whole"


def _range_faults(data: ReleaseData) -> Iterator[str]:
    big = 10_000_000
    fam, grp, sit = data.families.name, data.groups.name, data.sites.name
    families, groups, sites = data.families, data.groups, data.sites
    checks: list[tuple[str, tuple[tuple[str, ...], ...], Any, float, float, str]] = [
        ("families, self_kinship", (fam,), families.self_kinship, 0, 1, ""),
        ("families, elsewhere", (fam,), families.elsewhere, 0, big, _WHOLE),
        ("families, min_sites", (fam,), families.min_sites, -1, big, _WHOLE),
        ("families, keep_back", (fam,), families.keep_back, 0, big, _WHOLE),
        ("groups, available", (grp,), groups.available, 0, big, _WHOLE),
        ("groups, length_mm", (grp,), groups.length_mm, 0, 2000, ""),
        ("groups, shortest_mm", (grp,), groups.shortest_mm, 0, 2000, ""),
        ("groups, weight_g", (grp,), groups.weight_g, 0, 30_000, ""),
        ("groups, year_class", (grp,), groups.year_class, 0, 2100, _WHOLE),
        ("groups, water_risk", (grp,), groups.water_risk, 0, 9, _WHOLE),
        ("groups, water_c", (grp,), _taken(groups.water_c), -5, 45, ""),
        ("sites, water_c", (sit,), _taken(sites.water_c), -5, 45, ""),
        ("sites, female_low", (sit,), sites.female_low, 0, 1, ""),
        ("sites, female_high", (sit,), sites.female_high, 0, 1, ""),
        ("sites, sex_known_from", (sit,), sites.sex_known_from, 1, big, _WHOLE),
        ("sites, capacity_fish", (sit,), sites.capacity_fish, -1, big, _WHOLE),
        ("sites, capacity_kg", (sit,), sites.capacity_kg, 0, np.inf, ""),
        ("sites, residents", (fam, sit), sites.residents, 0, big, _WHOLE),
        ("sites, resident_kg", (sit,), sites.resident_kg, 0, 1e9, ""),
        ("sites, resident_survival", (sit,), sites.resident_survival, 0, 1, ""),
        ("sites, min_length_mm", (sit,), sites.min_length_mm, 0, 2000, ""),
        ("sites, min_group", (sit,), sites.min_group, 0, big, _WHOLE),
        ("sites, wanted", (sit,), sites.wanted, -1, big, _WHOLE),
        ("sites, min_receive", (sit,), sites.min_receive, 0, big, _WHOLE),
        ("sites, max_receive", (sit,), sites.max_receive, -1, big, _WHOLE),
        ("sites, min_year_classes", (sit,), sites.min_year_classes, 0, 100, _WHOLE),
        ("sites, min_families", (sit,), sites.min_families, 0, big, _WHOLE),
        ("sites, family_cap", (sit,), sites.family_cap, 0, 1, ""),
        ("sites, refuge_copies", (fam, sit), sites.refuge_copies, 0, big, _WHOLE),
        ("sites, weight", (sit,), sites.weight, 0, 1000, ""),
        ("sites, water_risk", (sit,), sites.water_risk, 0, 9, _WHOLE),
        ("sites, curve", (sit,), sites.curve, 0, big, _WHOLE),
        ("data, survival", (grp, sit), data.survival, 0, 1, ""),
        ("data, survival_se", (grp, sit), data.survival_se, 0, 1, ""),
        ("data, committed", (grp, sit), data.committed, 0, big, _WHOLE),
    ]
    for place, labels, values, low, high, kind in checks:
        bad = ~((values >= low) & (values <= high))
        if kind == _WHOLE:
            bad |= values != np.rint(values)
        number = "a whole number" if kind == _WHOLE else "a number"
        for cell in np.argwhere(bad):
            who = " at ".join(repr(names[i]) for names, i in zip(labels, cell, strict=True))
            yield (
                f"{place}, {who}: found {values[tuple(cell)]}. Expected {number} from {low:g} to {high:g}. "
                "Correct the record."
            )
    for i in np.flatnonzero(groups.shortest_mm > groups.length_mm + 1e-9):
        yield (
            f"groups, shortest_mm, {grp[i]!r}: found {groups.shortest_mm[i]:g} mm, above the mean length of "
            f"{groups.length_mm[i]:g} mm. Expected no more than the mean. Correct one of them."
        )


def _taken(temperature: np.ndarray) -> np.ndarray:
    """Return temperatures with 0 where nobody took one."""
    return np.where(temperature == UNKNOWN_C, 0.0, temperature)


def _reference_faults(data: ReleaseData) -> Iterator[str]:
    from planner.optimise.release.data import PREDATORS

    for i, family in enumerate(data.groups.family):
        if not 0 <= family < data.n_families:
            yield (
                f"groups, family, {data.groups.name[i]!r}: found family number {family}. Expected 0 to "
                f"{data.n_families - 1}. Add the family or correct the group."
            )
    for name, word in zip(data.sites.name, data.sites.predators, strict=True):
        if word not in PREDATORS:
            yield f"sites, predators, {name!r}: found {word!r}. Expected one of {', '.join(PREDATORS)}."
    for name, word in zip(data.groups.name, data.groups.sex, strict=True):
        if word not in SEXES:
            yield f"groups, sex, {name!r}: found {word!r}. Expected one of {', '.join(SEXES)}."
    for i in np.flatnonzero(data.sites.female_low > data.sites.female_high):
        yield (
            f"sites, female_low, {data.sites.name[i]!r}: found {data.sites.female_low[i]:g}, above the largest share "
            f"of {data.sites.female_high[i]:g}. Expected no more than that. Correct one of them."
        )
    over = data.committed.sum(axis=1) > np.maximum(data.groups.available, 0)
    for i in np.flatnonzero(over):
        yield (
            f"data, committed, {data.groups.name[i]!r}: found {data.committed[i].sum():g} fish promised. Expected "
            f"no more than the {data.groups.available[i]:g} fish there are. Correct the count or the promise."
        )


def _settings_faults(data: ReleaseData) -> Iterator[str]:
    s = data.settings
    limits = [
        ("total_min", s.total_min, 0, np.inf),
        ("total_max", s.total_max, -1, np.inf),
        ("keep_back", s.keep_back, 0, np.inf),
        ("min_sites", s.min_sites, 0, np.inf),
        ("min_sites_from", s.min_sites_from, 0, np.inf),
        ("living_share", s.living_share, 0, 1),
        ("predator_safe_mm", s.predator_safe_mm, 0, 2000),
        ("connected_min_mm", s.connected_min_mm, 0, 2000),
        ("year_class_fish", s.year_class_fish, 1, np.inf),
        ("survivors_share", s.survivors_share, 0, 1),
        ("survivors_min", s.survivors_min, 0, 1e9),
        ("whole_weight", s.whole_weight, 0, 1000),
        ("permit_left", s.permit_left, NO_LIMIT, np.inf),
        ("month", s.month, 0, 12),
        ("temperature_step_c", s.temperature_step_c, 0, 50),
        ("gap", s.gap, 0, 1),
        ("time_limit", s.time_limit, 0, 1e7),
        ("seed", s.seed, 0, 2**31 - 1),
    ]
    for name, value, low, high in limits:
        if not low <= value <= high:
            yield f"settings, {name}: found {value}. Expected {low:g} to {high:g}. Correct the setting."
    for total in s.totals:
        wrong = [p for p in total.sites if not 0 <= p < data.n_sites]
        if wrong:
            yield (
                f"settings, totals, {total.name!r}: found site number {wrong[0]}. Expected 0 to "
                f"{data.n_sites - 1}. Correct the setting."
            )
        if total.low < 0 or total.high < NO_LIMIT:
            yield (
                f"settings, totals, {total.name!r}: found {total.low} to {total.high} fish. Expected 0 or more "
                "(the upper limit may be -1: none). Correct the setting."
            )


def _share_faults(data: ReleaseData) -> Iterator[str]:
    for share in data.settings.shares:
        wrong = [p for p in share.sites if not 0 <= p < data.n_sites]
        if wrong:
            yield (
                f"settings, shares, {share.name!r}: found site number {wrong[0]}. Expected 0 to "
                f"{data.n_sites - 1}. Correct the setting."
            )
        if not 0 <= share.low <= share.high <= 1:
            yield (
                f"settings, shares, {share.name!r}: found {share.low:g} to {share.high:g}. Expected rising shares "
                "from 0 to 1. Correct the setting."
            )


def _kinship_faults(data: ReleaseData) -> Iterator[str]:
    k = data.families.kinship
    if k.size == 0:
        return
    if not np.isfinite(k).all():
        i, j = np.argwhere(~np.isfinite(k))[0]
        yield (
            f"families, kinship, {data.families.name[i]!r} and {data.families.name[j]!r}: found {k[i, j]}. "
            "Expected a number from -1 to 1. Estimate it, or enter the mean kinship of the stock."
        )
        return
    if k.min() < -1 or k.max() > 1:
        i, j = np.argwhere((k < -1) | (k > 1))[0]
        yield (
            f"families, kinship, {data.families.name[i]!r} and {data.families.name[j]!r}: found {k[i, j]:g}. "
            "Expected -1 to 1 (values below 0 come from markers). Correct it."
        )
    if np.abs(k - k.T).max() > 1e-9:
        i, j = np.unravel_index(np.argmax(np.abs(k - k.T)), k.shape)
        yield (
            f"families, kinship, {data.families.name[i]!r} and {data.families.name[j]!r}: found {k[i, j]:g} one "
            f"way and {k[j, i]:g} the other. Expected the same number. Correct one."
        )
        return
    lowest = lowest_eigenvalue(k)
    if lowest < -negative_tolerance(k):
        yield (
            f"families, kinship: found an eigenvalue of {lowest:.3g}. Expected none below 0: some mixture of "
            "families would have a negative mean kinship. Take means over parents, or raise the diagonal with "
            "planner.optimise.release.kinship_form.lifted."
        )
