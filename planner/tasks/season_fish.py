"""From the records to ripening chances, and to the fish and the plan that a season command looks at."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.highs_door import Progress
from planner.optimise.season.rehearsal import MorningRisks
from planner.optimise.season.ripening import (
    UNKNOWN_CHANCE,
    UNKNOWN_DAY,
    Looks,
    RipeChances,
    RipeningModel,
    State,
    ripe_chances,
)
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.read import SpawningPlan, as_table
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus
from planner.tasks.candidates import candidates_on, holds_on
from planner.tasks.no_plan import STOPPED_WORDS
from planner.tasks.plan_file import read_plan_file
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.season_answer import seed_of
from planner.tasks.spawning import no_plan_error
from planner.tasks.spawning_data import SpawningInputs, spawning_inputs
from planner.tasks.spawning_refusals import refuse_missing_sex

STATES = {
    "ripe": State.RIPE,
    "ripening": State.RIPENING,
    "not-ripe": State.NOT_RIPE,
    "spent": State.SPENT,
    "no-milt": State.NO_MILT,
}
RIPENING_SETTINGS = (
    "spawning_day",
    "ripe_in_window",
    "ripe_if_not_ripe",
    "ripe_unseen_female",
    "ripe_unseen_male",
    "ripe_days_female",
    "ripe_days_male",
    "ripe_shoulder_days",
    "ripe_shift_days",
    "look_valid_days",
    "season_least_chance",
)
RISK_SETTINGS = (
    "rehearsals",
    "no_milt_chance",
    "death_chance",
    "bad_eggs_chance",
    "few_eggs_chance",
    "few_eggs_dishes",
    "dish_fails_chance",
    "thaw_fails_chance",
)


@dataclass(frozen=True)
class Ripening:
    """Chances of the broodfish over some days.

    Parameters
    ----------
    fish : tuple of str
        Broodfish of known sex, in the order of the records.
    female : ndarray, bool, shape (n_fish,)
    days : tuple of date
    chances : RipeChances
        0 on days on which a fish is on hold.
    words : tuple of str
        The last look at each fish.
    notes : tuple of str
        Records that could not be used.
    """

    fish: tuple[str, ...]
    female: np.ndarray
    days: tuple[dt.date, ...]
    chances: RipeChances
    words: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def best(self) -> FloatArray:
        """Greatest chance of each fish on any of the days."""
        best: FloatArray = self.chances.mean.max(axis=1, initial=0.0)
        return best

    def by_shift(self, data: SpawningData) -> FloatArray:
        """Return the chances of the candidates of a plan, shape (n_shifts, n_candidates, n_days); frozen milt 1."""
        place = {f: k for k, f in enumerate(self.fish)}
        table = self.chances.by_shift
        out = np.ones((table.shape[0], data.n_candidates, table.shape[2]))
        for position in range(data.n_candidates):
            if data.straws[position] < 0:
                out[:, position] = table[:, place[data.name(position)]]
        return out


@dataclass(frozen=True)
class SeasonPlan:
    """A plan seen over days: candidates that may be used if ripe, planned dishes, chances.

    Parameters
    ----------
    inputs : SpawningInputs
        Every candidate with a fair chance; ``data.ripe`` marks those that may be used if they turn out ripe.
    planned : ndarray, int64, shape (n_females, n_males)
        New dishes of the plan.
    ripe : ndarray, float64, shape (n_shifts, n_candidates, n_days)
    ripening : Ripening
    source : str
        Where the plan comes from, in words.
    barred : dict of str to str
        Broodfish that may not be crossed even if ripe, and why.
    """

    inputs: SpawningInputs
    planned: BigIntArray
    ripe: FloatArray
    ripening: Ripening
    source: str
    barred: dict[str, str]

    @property
    def data(self) -> SpawningData:
        """Candidates and rules."""
        return self.inputs.data

    def chances(self, sex: str) -> RipeChances:
        """Return the chances of the females or of the males."""
        of_sex = self.data.is_female if sex == "female" else ~self.data.is_female
        return RipeChances(self.ripe[:, of_sex], self.ripening.chances.shifts)


def ripening_model(programme: Programme) -> RipeningModel:
    """Return the ripening model of the settings."""
    s = programme.settings
    return RipeningModel(
        s["ripe_in_window"],
        s["ripe_if_not_ripe"],
        s["ripe_unseen_female"],
        s["ripe_unseen_male"],
        s["ripe_days_female"],
        s["ripe_days_male"],
        s["ripe_shoulder_days"],
        s["ripe_shift_days"],
    )


def morning_risks(programme: Programme) -> MorningRisks:
    """Return the risks of a spawning morning from the settings."""
    s = programme.settings
    return MorningRisks(
        s["death_chance"],
        s["no_milt_chance"],
        s["thaw_fails_chance"],
        s["bad_eggs_chance"],
        s["few_eggs_chance"],
        s["few_eggs_dishes"],
        s["dish_fails_chance"],
    )


def ripening_on(programme: Programme, days: Sequence[dt.date]) -> Ripening:
    """Return the chances of every living broodfish of known sex on some days.

    Looks after the first day are not used; a look older than the setting ``look_valid_days`` belongs to an
    earlier season.

    Raises
    ------
    UsageError
        If there is no day, or a day stands twice.
    ValueRangeError
        If a record is impossible.
    """
    ordered = tuple(sorted(set(days)))
    if len(ordered) < len(days) or not days:
        raise UsageError(
            f"spawning days: found {', '.join(map(str, days)) or 'none'}. Expected one or more different days."
        )
    fish = programme.tables["fish"]
    brood = fish[(fish["status"] == "brood") & fish["sex"].isin(["female", "male"])]
    names = tuple(brood["fish_id"])
    female = (brood["sex"] == "female").to_numpy()
    last, notes = _last_looks(programme, ordered[0])
    n = len(names)
    state = np.full(n, int(State.UNSEEN))
    seen, start, end = (np.full(n, UNKNOWN_DAY) for _ in range(3))
    chance = np.full(n, UNKNOWN_CHANCE)
    words = []
    for k, name in enumerate(names):
        if name not in last:
            words.append("not looked at this season")
            continue
        row = last[name]
        state[k] = int(STATES[row.state])
        seen[k] = row.checked_on.date().toordinal()
        if pd.notna(row.window_start) and pd.notna(row.window_end):
            start[k], end[k] = row.window_start.date().toordinal(), row.window_end.date().toordinal()
        if pd.notna(row.probability):
            chance[k] = float(row.probability)
        words.append(f"{row.state} on {row.checked_on:%d %b %Y}")
    asked = programme.settings.day("spawning_day").toordinal()
    looks = Looks(female, state, seen, start, end, chance, asked)
    chances = ripe_chances(looks, [d.toordinal() for d in ordered], ripening_model(programme))
    free = np.ones((n, len(ordered)), bool)
    for d, day in enumerate(ordered):
        held = holds_on(programme.tables["holds"], day)
        for k, row in enumerate(rows(brood)):
            keys = (("fish", row.fish_id), ("unit", row.unit), ("family", row.family))
            free[k, d] = not any(key in held for key in keys)
    chances = RipeChances(chances.by_shift * free[None], chances.shifts)
    return Ripening(names, female, ordered, chances, tuple(words), tuple(notes))


def season_plan(
    programme: Programme,
    days: Sequence[dt.date],
    plan_file: Path | None = None,
    *,
    whole_season: bool = True,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> SeasonPlan:
    """Make, or read, the plan of a season or day and widen it to every candidate with a fair chance.

    Parameters
    ----------
    programme : Programme
    days : sequence of date
        Spawning days.
    plan_file : Path, optional
        A ``spawning_plan.json`` to use instead of a new plan.
    whole_season : bool
        True: every fish with a fair chance on one of the days is planned with. False: only fish that may be
        crossed on the one day by the records are; the others are spares.
    progress : callable, optional
        Told in words how far the search for a new plan is.
    cancel : threading.Event, optional
        Set from elsewhere to stop the search; the best plan so far is used and its notes say so.

    Returns
    -------
    SeasonPlan

    Raises
    ------
    UsageError
        If the days, the plan file or the records cannot be used.
    NoPlanError
        If fish of a sex are missing or no plan meets the rules (exit code 4), or none was found in time (5).
    """
    ripening = ripening_on(programme, days)
    day = ripening.days[-1]
    fair = {f for f, c in zip(ripening.fish, ripening.best, strict=True) if c >= least_chance(programme)}
    by_records = candidates_on(programme, day)
    if_ripe = candidates_on(programme, day, also_ripe=ripening.fish)
    barred = {c.fish_id: c.why_not for c in if_ripe if not c.may_cross and not c.frozen}
    frozen = set() if whole_season else {c.fish_id for c in by_records if c.frozen and c.may_cross}
    also = sorted(fair - set(barred) - frozen)
    not_ripe = sorted({c.fish_id for c in by_records if c.may_cross and not c.frozen} - fair)
    wide = spawning_inputs(programme, day, not_ripe if whole_season else (), also)
    _demand_both_sexes(programme, wide, ripening, barred)
    if plan_file is not None:
        pairs, source = read_pairs(plan_file, wide, programme)
    else:
        inputs = wide if whole_season else spawning_inputs(programme, day)
        _demand_both_sexes(programme, inputs, ripening, barred)
        plan = _new_plan(programme, inputs.data, progress, cancel)
        if plan.status is SolveStatus.STOPPED:
            wide = replace(wide, notes=(*wide.notes, STOPPED_WORDS))
        pairs, source = plan.pairs, "planned anew for these days: " + plan.sentence()
    planned = _as_planned(wide.data, pairs)
    ripe = ripening.by_shift(wide.data)
    return SeasonPlan(wide, planned, ripe, ripening, source, barred)


def least_chance(programme: Programme) -> float:
    """Return the chance below which a fish is not planned with."""
    return float(programme.settings["season_least_chance"])


def read_pairs(path: Path, inputs: SpawningInputs, programme: Programme) -> tuple[np.ndarray, str]:
    """Read the pairs of a plan file as rows of dam, sire and dishes.

    Raises
    ------
    UsageError
        If the file is no spawning plan, or names a fish that is no candidate.
    OSError
        If it cannot be read.
    """
    values = read_plan_file(path)
    data = inputs.data
    row_f = {data.ids[int(r)]: int(r) for r in data.females}
    row_m = {data.ids[int(r)]: int(r) for r in data.males}
    counted: dict[tuple[int, int], int] = {}
    crosses = values.get("crosses", [])
    if not crosses:
        raise UsageError(f"{path}: found no crosses. Expected a spawning plan. Name another file.")
    for cross in crosses:
        for role, known in (("dam", row_f), ("sire", row_m)):
            if cross[role] not in known:
                why = {c.fish_id: c.why_not for c in inputs.candidates}.get(cross[role], "")
                because = f" ({why})" if why else ""
                raise UsageError(
                    f"{path}, {role}: found {cross[role]!r}{because}. Expected a fish that may be crossed and has a "
                    "fair chance to be ripe. Plan again, or correct the records."
                )
        pair = row_f[cross["dam"]], row_m[cross["sire"]]
        counted[pair] = counted.get(pair, 0) + 1
    version = values["provenance"]["version"]
    source = f"the plan {path.name}, version {version}, mark {values['provenance'].get('mark', 'none')}"
    if values["provenance"].get("inputs") != programme.fingerprint:
        source += ", made from other records than these"
    return np.array([(d, s, n) for (d, s), n in counted.items()], dtype=np.int32), source


def _new_plan(
    programme: Programme,
    data: SpawningData,
    progress: Callable[[str], None] | None,
    cancel: threading.Event | None,
) -> SpawningPlan:
    def tell(p: Progress) -> None:
        if progress is not None and p.best is not None and p.bound is not None:
            progress(f"best {p.best:.6f}, bound {p.bound:.6f}")

    how = SearchSettings(
        time_limit=float(programme.settings["time_limit"]),
        relative_gap=float(programme.settings["gap"]),
        seed=seed_of(programme),
    )
    plan = plan_spawning(data, how, progress=tell, cancel=cancel)
    if not plan.has_plan:
        raise no_plan_error(plan)
    return plan


def _as_planned(data: SpawningData, pairs: np.ndarray) -> BigIntArray:
    try:
        return as_table(data, pairs)
    except KeyError as error:
        raise UsageError(
            f"spawning plan: found {data.ids[int(error.args[0])]!r}. Expected a candidate of these days. Plan again."
        ) from None


def _last_looks(programme: Programme, first: dt.date) -> tuple[dict[str, Any], list[str]]:
    """Return the last look at each fish on or before a day, and notes on what was left out."""
    table = programme.tables["ripeness"]
    when = pd.Timestamp(first)
    oldest = when - pd.Timedelta(days=int(programme.settings["look_valid_days"]))
    used = table[(table["checked_on"] <= when) & (table["checked_on"] >= oldest)]
    last = {row.fish_id: row for row in rows(used.sort_values("checked_on", kind="stable"))}
    notes = []
    half = [f for f, r in last.items() if pd.notna(r.window_start) != pd.notna(r.window_end)]
    if half:
        notes.append(
            f"{len(half)} windows have one end only and are not used: {', '.join(half[:5])}"
            f"{' and others' if len(half) > 5 else ''}."
        )
    later = int((table["checked_on"] > when).sum())
    if later:
        notes.append(f"{later} looks after {first:%d %b %Y} are not used.")
    return last, notes


def _demand_both_sexes(
    programme: Programme, inputs: SpawningInputs, ripening: Ripening, barred: dict[str, str]
) -> None:
    """Refuse days without fish of both sexes that may be crossed.

    Raises
    ------
    NoPlanError
        With the reason against every fish of the sex that is missing (exit code 4).
    """
    least = least_chance(programme)
    days = ", ".join(f"{d:%d %b %Y}" for d in ripening.days)
    ahead = {
        fish: barred.get(
            fish, f"chance to be ripe {best:.0%} at most on {days}, season_least_chance is {least:g} ({look})"
        )
        for fish, best, look in zip(ripening.fish, ripening.best, ripening.words, strict=True)
        if fish in barred or best < least
    }
    changes = ["Choose other days."]
    low = sum(fish not in barred for fish in ahead)
    if low:
        changes.append(f"Lower season_least_chance from {least:g}: {low} fish are below it.")
    refuse_missing_sex(inputs.candidates, inputs.data.dishes, changes, ahead)
