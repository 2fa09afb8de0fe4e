"""Turn a programme's records into the arrays of a release plan."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.release.data import Families, Groups, ReleaseData, Sites
from planner.optimise.release.groups import FishGroups, group_fish
from planner.optimise.release.settings import NO_LIMIT, ReleaseSettings
from planner.tasks.candidates import holds_on
from planner.tasks.fish_state import quarantined, withdrawals
from planner.tasks.move_subjects import stock_movers
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme
from planner.tasks.release_rules import (
    agreed_shares,
    closed_months,
    note_on_temperatures,
    other_species,
    permit_left,
    sex_window,
    temperatures,
)
from planner.tasks.rows import rows
from planner.tasks.still_here import added_words, season_start
from planner.tasks.survival_curves import curve_of
from planner.tasks.water_state import CONNECTED, water_states

SETTINGS_USED = (
    "release_wanted",
    "keep_back",
    "keep_back_per_family",
    "families_in_at_least_sites",
    "spread_from_size",
    "family_share_cap",
    "family_place_cap",
    "refuge_copies",
    "female_share_min",
    "female_share_max",
    "sex_known_from",
    "temperature_step_c",
    "partner_shares",
    "size_class_mm",
    "predator_min_length_mm",
    "survey_valid_days",
    "across_weight",
    "survivors_share",
    "larval_group_kinship",
    "kinship_source",
    "release_gap",
    "time_limit",
)
UNKNOWN_FAMILY = "unknown family"
BACKWATERS = ("isolated-backwater", "connected-backwater", "refuge", "grow-out")
SE_REFERENCE_MM = 350


@dataclass(frozen=True)
class ReleaseInputs:
    """What a release plan is made from.

    Parameters
    ----------
    data : ReleaseData
        Arrays for the optimiser.
    fish : DataFrame
        One row per fish of the stock with its ``group`` (position in ``data.groups``).
    site_words : dict of str to str
        For each site the facts behind its state (predators, survey, closure).
    notes : tuple of str
        What was assumed or left out, in words.
    """

    data: ReleaseData
    fish: pd.DataFrame
    site_words: dict[str, str]
    notes: tuple[str, ...]


def season_of(day: dt.date) -> str:
    """Return the season of a day: winter December to February, and so on (northern hemisphere)."""
    return ("winter", "spring", "summer", "autumn")[day.month % 12 // 3]


def release_inputs(programme: Programme, day: dt.date, closed: tuple[str, ...] = ()) -> ReleaseInputs:
    """Sort the stock into groups and build the arrays of the plan.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date
        Day of release.
    closed : tuple of str
        Sites found closed today against the records.

    Returns
    -------
    ReleaseInputs
        Ready for `planner.optimise.release`.

    Raises
    ------
    NoPlanError
        If there is no stock or no site (exit code 4).
    UsageError
        If a site named does not exist.
    ValueRangeError
        If the numbers of the records make no sense together.
    """
    stock, table = programme.stock_here, programme.tables["sites"]
    if stock.empty or table.empty:
        raise NoPlanError(
            f"Release plan: found {len(stock)} fish in stock.csv and {len(table)} sites in sites.csv. Expected at "
            "least one of each.\nThese rules cannot hold together:\n"
            "- Fish of the stock are sent to waters. [stock, sites]\n"
            "  would help: Enter one fish at least in stock.csv and one water in sites.csv.",
            4,
        )
    unknown = [s for s in closed if s not in set(table["site_id"])]
    if unknown:
        raise UsageError(
            f"site named as closed: found {unknown[0]!r}. Expected one of {', '.join(table['site_id'])}."
        )
    notes: list[str] = []
    fish = _with_holds(programme, stock, day, notes)
    residents = programme.residents_now
    notes += [n for n in (added_words(residents),) if n]
    names = sorted(set(fish["family"])) + sorted(set(residents["family"]) - set(fish["family"]) - {""})
    names.append(UNKNOWN_FAMILY)
    families = _families(programme, names, fish)
    sorted_fish = _groups(programme, fish, families, table)
    groups = sorted_fish.groups
    fish["group"] = sorted_fish.group
    sites, words = _sites(programme, table, residents, families, day, closed, notes)
    note_on_temperatures(programme, fish, fish["water_c"].to_numpy(), table, notes)
    survival, errors = _survival(programme, fish, groups, table, day, notes)
    settings = programme.settings
    data = ReleaseData.make(
        families,
        groups,
        sites,
        survival,
        survival_se=errors,
        settings=ReleaseSettings(
            total_min=int(settings["release_wanted"]),
            total_max=int(settings["release_wanted"]) or NO_LIMIT,
            keep_back=int(settings["keep_back"]),
            shares=agreed_shares(programme, table),
            permit_left=permit_left(programme, day, notes),
            month=day.month,
            temperature_step_c=float(settings["temperature_step_c"]),
            min_sites=int(settings["families_in_at_least_sites"]),
            min_sites_from=int(settings["spread_from_size"]),
            living_share=float(settings["family_place_cap"]),
            predator_safe_mm=float(settings["predator_min_length_mm"]),
            connected_min_mm=float(settings["predator_min_length_mm"]),
            survivors_share=float(settings["survivors_share"]),
            whole_weight=float(settings["across_weight"]),
            gap=float(settings["release_gap"]),
            time_limit=float(settings["time_limit"]),
            seed=int(settings["seed"]) % (2**31 - 1),
        ),
    )
    return ReleaseInputs(data, fish, words, tuple(notes))


def _with_holds(programme: Programme, stock: pd.DataFrame, day: dt.date, notes: list[str]) -> pd.DataFrame:
    """Add water risk and holds to each fish, and a weight where none was taken."""
    fish = stock.copy()
    units = programme.tables["units"].set_index("unit_id")
    fish["water_risk"] = fish["unit"].map(units["water_risk"]).astype("Int64").fillna(0).astype(int)
    held = holds_on(programme.tables["holds"], day)
    certified = _units_certified(programme, day)
    fish["other_species"] = other_species(programme, fish, held)
    by_dna = programme.stock_by_dna
    fish["dna"] = fish["stock_id"].map(by_dna.species | by_dna.sex).astype(object).fillna("")
    fish["other_species"] |= fish["stock_id"].isin(set(by_dna.species))
    if by_dna.species:
        notes.append(f"{len(by_dna.species)} fish of the stock stay: genes from the other species by DNA.")
    fish["water_c"] = temperatures(fish["unit"].map(units["water_temperature_c"]))
    held = {subject: why for subject, why in held.items() if not why.startswith("on hold: species")}
    by_hold = [
        ("unit", unit) in held or ("family", family) in held or ("fish", one) in held
        for unit, family, one in zip(fish["unit"], fish["family"], fish["stock_id"], strict=True)
    ]
    # A sample that shows another sex may be of another fish, and so may the family on record.
    fish["sex_doubt"] = fish["stock_id"].isin(set(by_dna.sex))
    if fish["sex_doubt"].any():
        notes.append(
            f"{int(fish['sex_doubt'].sum())} fish of the stock stay: another sex by DNA than recorded."
        )
    if certified is None:
        notes.append("No health certificates in the records: none was asked for.")
        fish["health_hold"] = by_hold
    else:
        fish["health_hold"] = np.array(by_hold) | ~fish["unit"].isin(certified).to_numpy()
    movers = stock_movers(programme)
    kept_apart = quarantined(programme, movers, day)
    if kept_apart:
        fish["health_hold"] |= fish["stock_id"].isin(set(kept_apart)).to_numpy()
        notes.append(f"{len(kept_apart)} fish of the stock stay: in quarantine on {day}.")
    fish["withdrawal_hold"] = fish["stock_id"].isin(set(withdrawals(programme, movers, day))).to_numpy()
    unweighed = int(fish["weight_g"].isna().sum())
    if unweighed:
        # Fulton's condition of the weighed fish stands in for the weight of the others.
        weighed = fish[fish["weight_g"].notna()]
        k = (weighed["weight_g"] / weighed["total_length_mm"] ** 3).median() if len(weighed) else 1.0e-5
        fish["weight_g"] = fish["weight_g"].fillna(k * fish["total_length_mm"] ** 3)
        notes.append(f"{unweighed} fish without a weight: taken from their length and the median condition.")
    return fish


def _units_certified(programme: Programme, day: dt.date) -> set[str] | None:
    """Return the units with a clear certificate valid on the day, None when there are no certificates."""
    table = programme.tables["certificates"]
    if table.empty:
        return None
    when = pd.Timestamp(day)
    valid = table[
        (table["result"] == "clear") & (table["issued_on"] <= when) & (table["valid_until"] >= when)
    ]
    return set(valid["unit"])


def _families(programme: Programme, names: list[str], fish: pd.DataFrame) -> Families:
    kinship = programme.family_kinship(names)
    available = fish.groupby("family").size().reindex(names).fillna(0).astype(int).to_numpy()
    return Families.make(
        names,
        kinship,
        single=np.array([n != UNKNOWN_FAMILY for n in names]),
        keep_back=np.minimum(available, int(programme.settings["keep_back_per_family"])),
    )


def _groups(programme: Programme, fish: pd.DataFrame, families: Families, table: pd.DataFrame) -> FishGroups:
    """Sort the fish into groups; lengths that rules use are class limits, so that a rule splits no group."""
    width = int(programme.settings["size_class_mm"])
    longest = int(fish["total_length_mm"].max()) + width
    edges = {float(x) for x in range(width, longest, width)}
    edges.add(float(programme.settings["predator_min_length_mm"]))
    edges.update(float(x) for x in table["min_length_mm"].dropna())
    place = {name: k for k, name in enumerate(families.name)}
    return group_fish(
        fish["family"].map(place).to_numpy(),
        families.name,
        fish["total_length_mm"].to_numpy(),
        fish["weight_g"].to_numpy(),
        sorted(e for e in edges if e > 0),
        year_class=fish["year_class"].astype(int).to_numpy(),
        water_risk=fish["water_risk"].to_numpy(),
        health_hold=fish["health_hold"].to_numpy(dtype=bool),
        withdrawal_hold=fish["withdrawal_hold"].to_numpy(dtype=bool),
        other_species=fish["other_species"].to_numpy(dtype=bool),
        sex_doubt=fish["sex_doubt"].to_numpy(dtype=bool),
        sex=None if sex_window(programme) is None else fish["sex"].replace("", "unknown").to_numpy(),
        water_c=fish["water_c"].to_numpy() if programme.settings["temperature_step_c"] > 0 else None,
    )


def _sites(
    programme: Programme,
    table: pd.DataFrame,
    residents: pd.DataFrame,
    families: Families,
    day: dt.date,
    closed: tuple[str, ...],
    notes: list[str],
) -> tuple[Sites, dict[str, str]]:
    place = {name: k for k, name in enumerate(families.name)}
    column = {s: k for k, s in enumerate(table["site_id"])}
    living: BigIntArray = np.zeros((len(families), len(table)), dtype=np.int64)
    for row in rows(residents):
        living[place[row.family or UNKNOWN_FAMILY], column[row.site_id]] += int(row.number)
    states = list(water_states(programme, day, closed).values())
    words = {w.site_id: w.why_not or w.predator_words for w in states}
    predators = [w.predators for w in states]
    is_open = np.array([w.takes_fish for w in states], dtype=np.bool_)
    unsaid = [w.site_id for w in states if w.is_open is None]
    if unsaid:
        notes.append(f"Not recorded whether open for release, taken as open: {', '.join(unsaid)}.")
    backwater = table["kind"].isin(BACKWATERS).to_numpy()
    refuge = (table["kind"] == "refuge").to_numpy()
    copies = int(programme.settings["refuge_copies"])
    stocked = set(programme.stock_here["family"])
    in_stock = np.array([n in stocked for n in families.name])
    no_mass = table["capacity_kg"].notna() & (living.sum(axis=0) > 0)
    if no_mass.any():
        notes.append("Mass of residents is not recorded: the limit in kg counts the arrivals only.")
    low, high = sex_window(programme) or (0.0, 1.0)
    received = np.array([w.received for w in states], dtype=np.int64)
    if received.any():
        notes.append(
            f"{int(received.sum())} fish were released since {season_start(day):%d %b %Y} and count as received."
        )
    sites = Sites.make(
        list(table["name"]),
        len(families),
        kind=list(table["kind"]),
        capacity_fish=_whole(table["capacity_fish"], NO_LIMIT),
        capacity_kg=table["capacity_kg"].fillna(np.inf).to_numpy(),
        residents=living,
        predators=predators,
        connected=table["connection"].isin(CONNECTED).to_numpy(),
        open=is_open,
        min_length_mm=table["min_length_mm"].fillna(0).to_numpy(),
        min_group=_whole(table["min_group"], 0),
        wanted=np.where(is_open, _left_to_receive(table["wanted"], received), NO_LIMIT),
        max_receive=_left_to_receive(table["max_receive"], received),
        family_cap=np.where(backwater, programme.settings["family_share_cap"], 1.0),
        refuge_copies=np.outer(in_stock.astype(np.int64), refuge.astype(np.int64) * copies),
        weight=table["weight"].fillna(1.0).to_numpy(),
        water_risk=_whole(table["water_risk"], 9),
        closed_months=closed_months(table),
        water_c=temperatures(table["water_temperature_c"]),
        tempering=table["tempering"].fillna(False).to_numpy(dtype=bool),
        female_low=np.where(backwater, low, 0.0),
        female_high=np.where(backwater, high, 1.0),
        sex_known_from=int(programme.settings["sex_known_from"]),
    )
    return sites, words


def _left_to_receive(column: pd.Series, received: BigIntArray) -> BigIntArray:
    """Return a number for the season less what was received in it; without a number there is no limit."""
    most = _whole(column, NO_LIMIT)
    return np.where(most == NO_LIMIT, NO_LIMIT, np.maximum(most - received, 0))


def _whole(column: pd.Series, empty: int) -> BigIntArray:
    return column.fillna(empty).to_numpy(dtype=np.int64)


def _survival(
    programme: Programme,
    fish: pd.DataFrame,
    groups: Groups,
    table: pd.DataFrame,
    day: dt.date,
    notes: list[str],
) -> tuple[FloatArray, FloatArray]:
    """Return the mean expected first-year survival of each group at each site, and its standard error."""
    season = season_of(day)
    survival = np.ones((len(groups), len(table)))
    errors = np.zeros_like(survival)
    lengths = fish["total_length_mm"].to_numpy()
    group = fish["group"].to_numpy()
    count = np.bincount(group, minlength=len(groups))
    for j, site in enumerate(rows(table)):
        curve = curve_of(programme, site, season)
        if curve is None:
            notes.append(
                f"{site.name}: no survival curve for {season}; every fish sent there counts as a survivor."
            )
            continue
        p = 1 / (1 + np.exp(-(curve.intercept + curve.slope * lengths)))
        survival[:, j] = np.bincount(group, weights=p, minlength=len(groups)) / count
        if curve.error is not None:
            slope = p * (1 - p) * curve.error
            errors[:, j] = np.bincount(group, weights=slope, minlength=len(groups)) / count
    return survival, errors
