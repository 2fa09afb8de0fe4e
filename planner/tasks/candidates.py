"""Which broodfish may be crossed on a day, and why the others may not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.tasks.dna_screens import dna_objections
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

EVERY_FISH = "all"
"""Named among the ripe fish: every fish that nobody has looked at this season."""

UNSEEN = ("unknown", "not looked at this season")


@dataclass(frozen=True)
class Candidate:
    """One fish considered for crossing.

    Parameters
    ----------
    fish_id, sex : str
        As in the records.
    may_cross : bool
        Whether any rule stands against it.
    why_not : str
        The rule in words, empty when it may.
    dishes_possible : int
        Most dishes this season: the use limit less dishes already made, or straws for frozen milt.
    dishes_made : int
        Dishes already made this season.
    frozen : bool
        Used from frozen milt.
    ripeness : str
        What is known, in words.
    """

    fish_id: str
    sex: str
    may_cross: bool
    why_not: str
    dishes_possible: int
    dishes_made: int
    frozen: bool
    ripeness: str


def candidates_on(
    programme: Programme, day: dt.date, not_ripe: Sequence[str] = (), also_ripe: Sequence[str] = ()
) -> list[Candidate]:
    """Judge every living broodfish and every male with frozen milt.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date
        Spawning day.
    not_ripe, also_ripe : sequence of str
        Fish found not ripe, or ripe, this morning against the records. `EVERY_FISH` among those ripe takes every fish
        that nobody has looked at this season as ripe.

    Returns
    -------
    list of Candidate
        In the order of the table ``fish``; frozen milt after them.

    Raises
    ------
    UsageError
        If a fish named is not among the broodfish.
    """
    fish = programme.tables["fish"]
    brood = fish[fish["status"] == "brood"]
    _check_named(set(brood["fish_id"]), (*not_ripe, *(f for f in also_ripe if f != EVERY_FISH)))
    held = holds_on(programme.tables["holds"], day)
    ripe = _ripeness_on(programme.tables["ripeness"], day)
    made = _dishes_made(programme.tables["crosses"], day)
    frozen = programme.tables["frozen_milt"]["fish_id"]
    by_dna = dna_objections(programme, [*brood["fish_id"], *frozen])
    out = []
    for row in rows(brood):
        state = ripe.get(row.fish_id, UNSEEN)
        if state is UNSEEN and EVERY_FISH in also_ripe:
            state = ("ripe", "taken as ripe; not looked at this season")
        if row.fish_id in also_ripe:
            state = ("ripe", "ripe this morning")
        if row.fish_id in not_ripe:
            state = ("not-ripe", "not ripe this morning")
        limit = programme.settings[f"{row.sex}_uses_max"] if row.sex in ("female", "male") else 0
        used = made.get(row.fish_id, 0)
        why = _why_not(programme, row, day, held, by_dna, state, limit - used)
        out.append(Candidate(row.fish_id, row.sex, not why, why, max(limit - used, 0), used, False, state[1]))
    return out + _frozen(programme, held, by_dna, made, {c.fish_id for c in out if c.may_cross})


def look_first(judged: Sequence[Candidate]) -> list[str]:
    """Return how fish that nobody has looked at become candidates, when there are such fish."""
    if not any(c.why_not.endswith(UNSEEN[1]) for c in judged):
        return []
    return [
        "Look at the fish and name the ripe ones with --also-ripe FISH, or enter them in the table 'ripeness'; "
        f"--also-ripe {EVERY_FISH} takes every fish that nobody has looked at as ripe."
    ]


def holds_on(holds: pd.DataFrame, day: dt.date) -> dict[tuple[str, str], str]:
    """Return the open holds of a day: (kind of subject, subject) to the reason in words."""
    when = pd.Timestamp(day)
    open_now = holds[
        (holds["from_date"] <= when) & (holds["until_date"].isna() | (holds["until_date"] >= when))
    ]
    return {
        (kind, subject): f"on hold: {reason}" + (f" ({note})" if note else "")
        for kind, subject, reason, note in zip(
            open_now["subject_kind"], open_now["subject"], open_now["reason"], open_now["note"], strict=True
        )
    }


def _check_named(known: set[str], named: Sequence[str]) -> None:
    import difflib

    from broodstock.errors import UsageError

    for fish in named:
        if fish not in known:
            near = difflib.get_close_matches(fish, known, 1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            raise UsageError(
                f"fish named for this morning: found {fish!r}. Expected a living broodfish.{hint}"
            )


def _ripeness_on(table: pd.DataFrame, day: dt.date) -> dict[str, tuple[str, str]]:
    """Return state and words by fish from the last look on or before the day."""
    when = pd.Timestamp(day)
    seen = table[table["checked_on"] <= when].sort_values("checked_on", kind="stable")
    out = {}
    for row in rows(seen):
        state = row.state
        words = f"{state} on {row.checked_on:%d %b %Y}"
        window = pd.notna(row.window_start) and pd.notna(row.window_end)
        if state == "ripening" and window:
            words = f"ripe {row.window_start:%d %b} to {row.window_end:%d %b}"
            if row.window_start <= when <= row.window_end:
                state = "likely"
        if pd.notna(row.probability):
            words += f", {row.probability:.0%} today"
        out[row.fish_id] = (state, words)
    return out


def _dishes_made(crosses: pd.DataFrame, day: dt.date) -> dict[str, int]:
    season = crosses[(crosses["season"] == day.year) & (crosses["made_on"] <= pd.Timestamp(day))]
    counts = pd.concat([season["dam"], season["sire"]]).value_counts()
    return {str(k): int(v) for k, v in counts.items()}


def _why_not(
    programme: Programme,
    row: Any,
    day: dt.date,
    held: dict[tuple[str, str], str],
    by_dna: dict[str, str],
    state: tuple[str, str],
    dishes_left: int,
) -> str:
    """Return the first rule that stands against a fish, in the order a careful manager asks."""
    sex, fish, unit = row.sex, row.fish_id, row.unit
    if sex not in ("female", "male"):
        return "sex unknown"
    species = row.species
    if species and species != programme.settings["species"]:
        return f"species recorded as {species}"
    for key in (("fish", fish), ("unit", unit), ("family", row.family)):
        if key[1] and key in held:
            return held[key] + ("" if key[0] == "fish" else f" on {key[0]} {key[1]}")
    if fish in by_dna:
        return by_dna[fish]
    year = row.year_class
    minimum = programme.settings[f"min_age_{sex}"]
    if pd.notna(year) and day.year - int(year) < minimum:
        return f"age {day.year - int(year)}, youngest {sex} allowed is {minimum}"
    if state[0] not in ("ripe", "likely"):
        return f"not ripe: {state[1]}"
    if dishes_left <= 0:
        return "already used as often as the season allows"
    return ""


def _frozen(
    programme: Programme,
    held: dict[tuple[str, str], str],
    by_dna: dict[str, str],
    made: dict[str, int],
    ripe_now: set[str],
) -> list[Candidate]:
    out = []
    table = programme.tables["frozen_milt"]
    straws = table.groupby("fish_id", sort=False)["straws"].sum()
    per_dish = table.groupby("fish_id", sort=False)["straws_per_dish"].max()
    for fish in straws.index:
        if fish in ripe_now:
            continue  # fresh milt of a living, ripe male comes first
        need = int(per_dish[fish]) if pd.notna(per_dish[fish]) else 1
        dishes = min(int(straws[fish]) // need, programme.settings["male_uses_max"] - made.get(fish, 0))
        why = held.get(("fish", fish), "") or by_dna.get(fish, "")
        if not why and dishes <= 0:
            why = f"{int(straws[fish])} straws left, one dish takes {need}"
        words = f"frozen, {int(straws[fish])} straws, {need} a dish"
        out.append(Candidate(fish, "male", not why, why, max(dishes, 0), made.get(fish, 0), True, words))
    return out
