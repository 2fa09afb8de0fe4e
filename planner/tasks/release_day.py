"""Plan again on the day of release: a water is red, some fish may not go any more, the other trucks are loaded.

The last plan file says where each fish was to go. Fish of waters that are still open keep their place; only the
fish of closed waters get a new one, or stay. The result is a new version that voids the old one.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from broodstock.errors import UsageError
from planner.optimise.release.assign import assign_fish
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.fallback import NewPlan, plan_without_sites
from planner.optimise.release.pair_rules import allowed, reasons
from planner.optimise.release.read import read_plan
from planner.optimise.status import SolveStatus
from planner.tasks.no_plan import STOPPED_WORDS
from planner.tasks.plan_file import read_plan_file
from planner.tasks.programme import Programme, open_programme
from planner.tasks.release import ReleaseOutcome, fish_columns, outcome_of, release_plan
from planner.tasks.release_data import ReleaseInputs, release_inputs

STAYS = -1
QUICK_FIGURES = ("svg",)


@dataclass(frozen=True)
class OldPlan:
    """What the last plan file says.

    Parameters
    ----------
    version : int
        Its version.
    mark : str
        Its mark.
    closed : tuple of str
        Sites that were closed already.
    site_of : dict of str to str
        Name of the site of each fish that was to go, by ``stock_id``.
    """

    version: int
    mark: str
    closed: tuple[str, ...]
    site_of: dict[str, str]


def old_plan(folder: Path) -> OldPlan | None:
    """Return the last release plan of a folder, None when there is none that lists its fish.

    Raises
    ------
    UsageError
        If the plan file is not one of ours.
    OSError
        If it cannot be read.
    """
    path = folder / "release_plan.json"
    if not path.exists():
        return None
    values = read_plan_file(path)
    sent: Any = values.get("fish")
    if not isinstance(sent, dict):
        return None
    site_of = {fish: site for site, names in sent.items() for fish in names}
    proof = values["provenance"]
    return OldPlan(int(proof["version"]), str(proof["mark"]), tuple(values.get("closed", ())), site_of)


def open_for_release_day(folder: Path | str, overrides: dict[str, str]) -> Programme:
    """Open records for a new version on the day, sooner than `open_programme`.

    Genotypes are read only when kinship is made from them. Checks that can find a hard fault run, those that only warn
    do not: ``kinshoal check`` tells the warnings.

    Raises
    ------
    InputError, UsageError
        As `open_programme`.
    """
    programme = open_programme(folder, overrides, with_calls=False, with_warnings=False)
    if programme.settings["kinship_source"] == "pedigree":
        return programme
    return open_programme(folder, overrides, with_warnings=False)


def release_again(
    programme: Programme,
    old: OldPlan,
    closed: tuple[str, ...],
    day: dt.date | None = None,
    progress: Callable[[str], None] | None = None,
    time_limit: float = 4.0,
    cancel: threading.Event | None = None,
) -> ReleaseOutcome:
    """Give the fish of closed waters a new place and leave all others where they were to go.

    Parameters
    ----------
    programme : Programme
        Open records, as they are now.
    old : OldPlan
        The last plan.
    closed : tuple of str
        Sites found closed today; those closed in the last plan stay closed.
    day : date, optional
        Day of release; default the setting ``release_day``.
    progress : callable, optional
        Told in words what is being done.
    time_limit : float
        Seconds for the search; the best plan found by then is returned with its proven gap.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best plan so far is returned and its notes say so.

    Returns
    -------
    ReleaseOutcome
        The new version with its differences to the old one. When the open waters cannot keep their fish under the
        rules, everything is planned anew and the notes say so.

    Raises
    ------
    NoReleasePlanError
        If no plan can meet the rules at all.
    UsageError, ValueRangeError
        If the records do not allow a plan.
    """
    day = day or programme.settings.day("release_day")
    shut = tuple(dict.fromkeys((*old.closed, *closed)))
    inputs = release_inputs(programme, day, shut)
    before, halted = _places(inputs, old)
    positions = [k for k, site in enumerate(programme.tables["sites"]["site_id"]) if site in shut]
    numbers = _numbers(inputs, before)
    if progress is not None:
        moving = int(numbers[:, positions].sum())
        progress(f"keeping {int(numbers.sum()) - moving} fish where they go, seeking a place for {moving}")
    new = plan_without_sites(
        inputs.data, numbers, positions, more_than_wanted=True, time_limit=time_limit, cancel=cancel
    )
    if new.plan.numbers is None:
        outcome = release_plan(programme, day, shut, old.version + 1, progress, cancel)
        note = "The other waters cannot keep their fish under the rules: everything was planned anew."
        inputs = replace(outcome.inputs, notes=(*outcome.inputs.notes, note))
        return replace(outcome, inputs=inputs, changes=differences(outcome.fish, old, halted))
    data = _whole_data(inputs.data, new)
    plan = read_plan(
        data,
        new.plan.numbers,
        new.plan.report,
        new.plan.most_survivors,
        new.plan.survivors_floor,
        None,
        new.plan.stages,
    )
    notes = (
        *inputs.notes,
        *(() if programme.genotypes else ("Genotypes were not read again for this version.",)),
        f"Fish of the waters still open keep their place; the proof holds for the fish of {', '.join(shut) or 'none'}.",
        *(f"Set aside: {words}." for words in new.set_aside),
        *((STOPPED_WORDS,) if plan.status is SolveStatus.STOPPED else ()),
    )
    inputs = replace(inputs, data=data, notes=notes)
    fish = _fish(inputs, plan.numbers, before, positions, int(programme.settings["seed"]), halted)
    outcome = outcome_of(programme, inputs, plan, fish, day, shut, old.version + 1)
    return replace(outcome, changes=differences(outcome.fish, old, halted))


def _places(inputs: ReleaseInputs, old: OldPlan) -> tuple[BigIntArray, dict[str, str]]:
    """Return the old site of each fish of the stock (-1: none) and the fish that may not go there any more.

    Fish that were to go and are no longer in the stock are told as gone.
    """
    data, fish = inputs.data, inputs.fish
    column = {name: k for k, name in enumerate(data.sites.name)}
    known = dict(zip(fish["stock_id"], range(len(fish)), strict=True))
    place = np.full(len(fish), STAYS, dtype=np.int64)
    free = allowed(data)
    group = fish["group"].to_numpy()
    halted: dict[str, str] = {}
    for one, site in old.site_of.items():
        if site not in column:
            raise UsageError(
                f"last release plan: found the site {site!r}. Expected a site of sites.csv. Plan from scratch with "
                "--from-scratch."
            )
        if one not in known:
            halted[one] = "no longer in the stock"
            continue
        s, g = column[site], int(group[known[one]])
        if data.sites.open[s] and not free[g, s]:
            halted[one] = "; ".join(reasons(data, g, s))
            continue
        place[known[one]] = s
    return place, halted


def _numbers(inputs: ReleaseInputs, place: BigIntArray) -> BigIntArray:
    numbers = np.zeros((inputs.data.n_groups, inputs.data.n_sites), dtype=np.int64)
    going = place != STAYS
    np.add.at(numbers, (inputs.fish["group"].to_numpy()[going], place[going]), 1)
    return numbers


def _whole_data(data: ReleaseData, new: NewPlan) -> ReleaseData:
    """Return the data of the new plan with the whole stock in it, so that every figure counts every fish."""
    families = replace(data.families, min_sites=new.data.families.min_sites)
    settings = replace(
        new.data.settings, keep_back=data.settings.keep_back, survivors_min=new.data.settings.survivors_min
    )
    return replace(
        data, families=families, sites=new.data.sites, committed=new.data.committed, settings=settings
    )


def _fish(
    inputs: ReleaseInputs,
    numbers: BigIntArray | None,
    before: BigIntArray,
    closed: list[int],
    seed: int,
    halted: dict[str, str],
) -> pd.DataFrame:
    """Return the table of fish: those of open waters stay in their place, a place is drawn for the displaced."""
    assert numbers is not None
    fish = inputs.fish
    group = fish["group"].to_numpy()
    displaced = np.isin(before, closed)
    place = np.where(displaced, STAYS, before)
    kept = _numbers(inputs, place)
    sex = fish["sex"].where(fish["sex"] != "", "unknown").to_numpy()
    drawn = assign_fish(numbers - kept, group[displaced], sex[displaced], seed=seed)
    place[displaced] = drawn.site
    out = fish_columns(inputs, place, numbers)
    stays = out["site"] == ""
    out["why"] = out["stock_id"].map(halted).where(stays).fillna(out["why"])
    return out


def differences(fish: pd.DataFrame, old: OldPlan, halted: dict[str, str]) -> tuple[str, ...]:
    """Return what changed against the old plan, in words, most fish first.

    Parameters
    ----------
    fish : DataFrame
        Table of fish of the new plan (``stock_id``, ``site``, ``why``).
    old : OldPlan
        The plan it replaces.
    halted : dict of str to str
        Fish that may not go where they were to go, with the reason.

    Returns
    -------
    tuple of str
        One line per kind of change.
    """
    site_now = dict(zip(fish["stock_id"], fish["site"], strict=True))
    counts: dict[str, int] = {}
    for one, site in {**dict.fromkeys(site_now, ""), **old.site_of}.items():
        now = site_now.get(one, "")
        if now == site:
            continue
        if one in halted and not now:
            words = f"not to {site} any more: {halted[one]}"
        elif not now:
            words = f"not to {site} any more: they stay at the station"
        elif not site:
            words = f"stayed before, now to {now}"
        else:
            words = f"from {site} to {now}"
        counts[words] = counts.get(words, 0) + 1
    lines = [
        f"{number} fish {words}" for words, number in sorted(counts.items(), key=lambda x: (-x[1], x[0]))
    ]
    same = sum(1 for one, site in old.site_of.items() if site_now.get(one, "") == site)
    return (f"voids version {old.version}, mark {old.mark}; {same} fish as before", *lines)
