"""From records to the rules a release keeps beside capacity and length: species, season, sexes, partners, permit."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pandas as pd

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.release.settings import NO_LIMIT, UNKNOWN_C, SitesShare
from planner.tasks.no_plan import NoPlanError
from planner.tasks.permits import permit_room
from planner.tasks.programme import Programme

SHARE = re.compile(r"^(?P<name>[^:]+):\s*(?P<low>[0-9.]+)\s*-\s*(?P<high>[0-9.]+)$")


def other_species(programme: Programme, fish: pd.DataFrame, held: dict[tuple[str, str], str]) -> BoolArray:
    """Return which fish of the stock are flagged as not the programme's species, shape (n_fish,).

    A fish is flagged by an open hold of the reason ``species`` on it, its family or its unit, or by a parent
    that is recorded as another species.
    """
    flagged = {subject for subject, words in held.items() if words.startswith("on hold: species")}
    foreign = _families_of_other_species(programme)
    return np.array(
        [
            ("unit", unit) in flagged
            or ("family", family) in flagged
            or ("fish", one) in flagged
            or family in foreign
            for unit, family, one in zip(fish["unit"], fish["family"], fish["stock_id"], strict=True)
        ],
        dtype=np.bool_,
    )


def _families_of_other_species(programme: Programme) -> set[str]:
    own = programme.settings["species"]
    table = programme.tables["fish"]
    foreign = set(table.loc[~table["species"].isin(["", own]), "fish_id"])
    families = programme.tables["families"]
    mixed = families["dam"].isin(foreign) | families["sire"].isin(foreign)
    return set(families.loc[mixed, "family_id"])


def closed_months(table: pd.DataFrame) -> BoolArray:
    """Return the months in which each site receives no fish, shape (12, n_sites), January first.

    Raises
    ------
    UsageError
        If a word is not the number of a month.
    """
    shut = np.zeros((12, len(table)), dtype=np.bool_)
    for i, (site, text) in enumerate(zip(table["site_id"], table["closed_months"], strict=True)):
        for word in str(text).replace(",", " ").replace(";", " ").split():
            if not (word.isdigit() and 1 <= int(word) <= 12):
                raise UsageError(
                    f"sites.csv, closed_months, site {site!r}: found {word!r}. Expected numbers of months from 1 to 12 "
                    "with spaces between them, for example '3 4 5'. Correct the record."
                )
            shut[int(word) - 1, i] = True
    return shut


def temperatures(column: pd.Series) -> FloatArray:
    """Return water temperatures with the code of the core where nobody took one."""
    return column.astype("Float64").fillna(UNKNOWN_C).to_numpy(dtype=np.float64)


def sex_window(programme: Programme) -> tuple[float, float] | None:
    """Return the least and largest share of females, None when no such rule is set.

    Raises
    ------
    NoPlanError
        If the least is above the largest: no plan can meet both (exit code 4).
    """
    low, high = (float(programme.settings[n]) for n in ("female_share_min", "female_share_max"))
    if low > high:
        raise NoPlanError(
            f"Release plan: setting female_share_min: found {low:g}, above female_share_max {high:g}. Expected no more "
            "than that.\nThese rules cannot hold together:\n"
            f"- At least {low:g} of the fish of known sex at a backwater are females. [female_share_min]\n"
            f"- At most {high:g} of them are females. [female_share_max]\n"
            f"  would help: Lower female_share_min to {high:g}.\n  would help: Raise female_share_max to {low:g}.",
            4,
        )
    return None if low <= 0 and high >= 1 else (low, high)


def agreed_shares(programme: Programme, table: pd.DataFrame) -> tuple[SitesShare, ...]:
    """Return the shares partners agreed on, from the setting and the column ``partner`` of the sites.

    Raises
    ------
    UsageError
        If the setting cannot be read, or no site has the partner.
    """
    out = []
    for part in filter(None, (p.strip() for p in str(programme.settings["partner_shares"]).split(";"))):
        found = SHARE.match(part)
        try:
            name, low, high = (
                (found["name"].strip(), float(found["low"]), float(found["high"]))
                if found
                else ("", 1.0, 0.0)
            )
        except ValueError:
            name, low, high = "", 1.0, 0.0
        if not 0 <= low <= high <= 1:
            raise UsageError(
                f"setting partner_shares: found {part!r}. Expected a partner and a range from 0 to 1, for example "
                "'North office: 0.3-0.5'. Correct it in settings.csv or on the command line."
            )
        sites = tuple(np.flatnonzero((table["partner"] == name).to_numpy()).tolist())
        if not sites:
            known = ", ".join(sorted(set(table["partner"]) - {""})) or "none"
            raise UsageError(
                f"setting partner_shares: found the partner {name!r}. Expected one in the column 'partner' of "
                f"sites.csv (there: {known}). Correct the setting or the table."
            )
        out.append(SitesShare(name, sites, low, high))
    return tuple(out)


def permit_left(programme: Programme, day: dt.date, notes: list[str]) -> int:
    """Return how many fish the release permits valid on the day still allow; -1 when nothing limits it.

    Every permit valid on the day holds, so the one with least left counts; used are the releases counted from the
    records or the number entered by hand, whichever is larger (`planner.tasks.permits`).
    """
    room = permit_room(programme, "release", 0, day)
    if not room.tallies:
        notes.append("No permit to release in the records: no number was held against the plan.")
        return NO_LIMIT
    if not any(t.valid_from <= day <= t.valid_until for t in room.tallies):
        notes.append(f"No permit to release is valid on {day}: no fish may go.")
    return NO_LIMIT if room.left is None else room.left


def note_on_temperatures(
    programme: Programme, fish: pd.DataFrame, water_c: FloatArray, table: pd.DataFrame, notes: list[str]
) -> None:
    """Say which temperatures are missing when the step in temperature is limited."""
    if float(programme.settings["temperature_step_c"]) <= 0:
        return
    sites = int((temperatures(table["water_temperature_c"]) == UNKNOWN_C).sum())
    units = len(set(fish.loc[water_c == UNKNOWN_C, "unit"]))
    if sites or units:
        notes.append(
            f"Water temperature not recorded for {sites} sites and {units} units with stock: the step was not "
            "checked there; take both on the day."
        )
