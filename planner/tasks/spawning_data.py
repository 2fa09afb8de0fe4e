"""Turn a programme's records into the arrays of a spawning plan."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray, IntArray
from broodstock.errors import UsageError
from planner.optimise.spawning.data import MANY, SpawningData, spawning_data
from planner.optimise.spawning.scenarios import Scenario, semidefinite
from planner.tasks.candidates import EVERY_FISH, Candidate, candidates_on
from planner.tasks.marker_kinship import sampled_kinship
from planner.tasks.programme import FAR_DAY, Programme
from planner.tasks.settings import UNSET_DAY
from planner.tasks.spawning_refusals import refuse_contradictory_settings
from planner.tasks.spawning_rules import rules_set

SETTINGS_USED = (
    "pair_kinship_limit",
    "kinship_source",
    "pair_limit_on",
    "kinship_caution",
    "caution_weight",
    "kinship_draws",
    "crosses_wanted",
    "cells",
    "males_per_female_min",
    "males_per_female_max",
    "female_uses_max",
    "male_uses_max",
    "living_weight",
    "fry_kept_per_dish",
    "fry_to_adult",
    "min_age_female",
    "min_age_male",
    "frozen_sires_max",
    "gap",
    "time_limit",
)


@dataclass(frozen=True)
class SpawningInputs:
    """What a spawning plan is made from.

    Parameters
    ----------
    data : SpawningData
        Arrays for the optimiser; candidates are the fish that may be crossed, and those with dishes made.
    candidates : tuple of Candidate
        Every fish considered, with the reason when it may not be crossed.
    notes : tuple of str
        What was left out of account, in words.
    """

    data: SpawningData
    candidates: tuple[Candidate, ...]
    notes: tuple[str, ...]


def living_group(programme: Programme) -> tuple[FloatArray, list[str]]:
    """Weigh the living group over the pedigree: fish in care, and the families living at the sites.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        1 for each living fish in care; each resident of a known cross adds one half to each parent (the
        gene pool of a family is that of its parents).
    list of str
        Residents that could not be placed.
    """
    weights = programme.living_weights()
    index = programme.pedigree.index
    families = programme.tables["families"]
    parents = {
        f: (d, s)
        for f, k, d, s in zip(
            families["family_id"], families["kind"], families["dam"], families["sire"], strict=True
        )
        if k == "cross"
    }
    residents = programme.residents_now
    placed = unplaced = 0
    for family, number in zip(residents["family"], residents["number"], strict=True):
        known = [p for p in parents.get(family, ()) if p in index]
        if len(known) == 2:
            placed += int(number)
            for parent in known:
                weights[index[parent]] += 0.5 * int(number)
        else:
            unplaced += int(number)
    notes = []
    if placed:
        notes.append(f"{placed} residents of known crosses count in the living group.")
    if unplaced:
        notes.append(
            f"{unplaced} residents of unknown parents are left out of the living group: their kinship is unknown."
        )
    return weights, notes


def day_of_plan(programme: Programme, day: dt.date | None) -> tuple[dt.date, list[str]]:
    """Return the day to plan for, and a note when neither the user nor the settings say it.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date, optional
        As asked for; default the setting ``spawning_day``.

    Raises
    ------
    UsageError
        If the records hold no day at all.
    """
    if day is not None:
        return day, []
    found = programme.settings.day("spawning_day")
    if found.isoformat() == FAR_DAY:
        raise UsageError(
            "spawning day: found no day, neither given nor in the records. Expected --day YYYY-MM-DD, or the setting "
            "spawning_day. Plans never use the machine's clock."
        )
    if programme.settings["spawning_day"] == UNSET_DAY and any(
        f.code == "day-assumed" for f in programme.findings
    ):
        return found, [
            f"Planned for {found}, the last day in the records. Give --day YYYY-MM-DD for another."
        ]
    return found, []


def spawning_inputs(
    programme: Programme, day: dt.date, not_ripe: Sequence[str] = (), also_ripe: Sequence[str] = ()
) -> SpawningInputs:
    """Judge the candidates of a day and build the arrays of the plan.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date
        Spawning day.
    not_ripe, also_ripe : sequence of str
        Fish found otherwise this morning.

    Returns
    -------
    SpawningInputs
        Ready for `planner.optimise.spawning`.

    Raises
    ------
    NoPlanError
        If the settings contradict each other: more crosses wanted than cells, or fewest mates above most.
    UsageError
        If a fish named is no broodfish, or a setting needs kinship from markers that is not used.
    PedigreeError
        If the pedigree is impossible.
    """
    settings = programme.settings
    refuse_contradictory_settings(programme)
    judged = candidates_on(programme, day, not_ripe, also_ripe)
    made = _made_today_or_before(programme, day)
    dishes = int(settings["crosses_wanted"])
    usable = [c for c in judged if c.may_cross]
    in_made = {fish for pair in made for fish in pair}
    chosen = usable + [c for c in judged if not c.may_cross and c.fish_id in in_made]
    females = [c for c in chosen if c.sex == "female"]
    males = [c for c in chosen if c.sex == "male"]
    ordered = females + males
    pedigree = programme.pedigree
    living, notes = living_group(programme)
    if EVERY_FISH in also_ripe:
        notes.append("Fish that nobody has looked at this season are taken as ripe: look before you cross.")
    place_f = {c.fish_id: k for k, c in enumerate(females)}
    place_m = {c.fish_id: k for k, c in enumerate(males)}
    made_rows = [(place_f[d], place_m[s], n) for (d, s), n in made.items() if d in place_f and s in place_m]
    straws, per_dish = _straws(programme, ordered)
    rows_f, rows_m = (pedigree.rows([c.fish_id for c in sex]) for sex in (females, males))
    markers = programme.by_markers
    upper = None if markers is None else markers.upper[np.ix_(rows_f, rows_m)]
    if markers is not None:
        notes.append(f"Kinship: {markers.words}.")
    elif settings["pair_limit_on"] == "upper":
        raise UsageError(
            "setting pair_limit_on: found 'upper' with kinship from the pedigree alone, which has no interval. "
            "Expected 'point', or kinship_source 'pedigree-and-markers'. Change one of them."
        )
    rules, said = rules_set(programme, day, females, males, judged)
    notes += said
    scenarios = kinship_scenarios(programme, np.concatenate([rows_f, rows_m]), living)
    if scenarios:
        notes.append(_caution_words(programme))
    data = spawning_data(
        rows_f,
        rows_m,
        dishes,
        parents=pedigree.parents,
        ids=pedigree.ids,
        ripe=np.array([c.may_cross for c in ordered], dtype=bool),
        made=np.array(made_rows, dtype=np.int32).reshape(-1, 3),
        kinship=None if markers is None else markers.kinship,
        pair_limit=settings["pair_kinship_limit"],
        limit_on=settings["pair_limit_on"],
        pair_upper=upper,
        straws=straws,
        straws_per_dish=per_dish,
        permit=np.array([0 if c.frozen else 1 if c.sex == "female" else -1 for c in ordered], dtype=np.int32),
        permit_limit=np.array(
            [settings["frozen_sires_max"], females_allowed(programme, day)], dtype=np.int32
        ),
        living=living,
        living_share=settings["living_weight"],
        young=dishes * settings["fry_kept_per_dish"] * settings["fry_to_adult"],
        scenarios=scenarios,
        caution=settings["caution_weight"] if settings["kinship_caution"] == "sampled" else 1.0,
        **rules,
    )
    return SpawningInputs(data, tuple(judged), tuple(notes))


def kinship_scenarios(programme: Programme, rows: IntArray, living: FloatArray) -> tuple[Scenario, ...]:
    """Return the kinship tables a cautious plan is judged by, over the candidates.

    Parameters
    ----------
    programme : Programme
        Open records; the setting ``kinship_caution`` says which tables.
    rows : ndarray, int32, shape (n_candidates,)
        Rows of the candidates in the pedigree, females first.
    living : ndarray, float64, shape (n_fish,)
        Weight of each fish in the living group.

    Returns
    -------
    tuple of Scenario
        Empty for a plan by the estimates; one table of upper limits; or one table a draw.

    Raises
    ------
    UsageError
        If kinship comes from the pedigree alone, which has no uncertainty to mind.
    """
    caution = programme.settings["kinship_caution"]
    if caution == "nominal":
        return ()
    markers = programme.by_markers
    if markers is None:
        raise UsageError(
            f"setting kinship_caution: found {caution!r} with kinship from the pedigree alone, which has no interval. "
            "Expected 'nominal', or kinship_source 'pedigree-and-markers'. Change one of them."
        )
    tables: Iterable[FloatArray] = [markers.upper]
    if caution == "sampled":
        tables = sampled_kinship(programme, markers.related, int(programme.settings["kinship_draws"]))
    share = living / max(living.sum(), 1.0)
    scenarios = []
    for table in tables:
        with_living = table @ share
        K = semidefinite(table[np.ix_(rows, rows)])
        scenarios.append(Scenario(K, with_living[rows], float(share @ with_living)))
    return tuple(scenarios)


def _caution_words(programme: Programme) -> str:
    settings = programme.settings
    if settings["kinship_caution"] == "interval":
        return (
            "Kinship is taken at the upper limits of its intervals: the value is the worst case within them, all "
            "limits reached at once."
        )
    w = settings["caution_weight"]
    return (
        f"Kinship is taken over {settings['kinship_draws']} draws (loci weighted at random, founder pairs found to be "
        f"kin): {1 - w:.0%} of the weight is on their mean, {w:.0%} on the worst of them."
    )


def females_allowed(programme: Programme, day: dt.date) -> int:
    """Return how many different females the spawning permits of a day allow this season, those used counting.

    Without a permit for spawning in the records there is no limit. Females crossed by the records count once,
    even where the permit's own tally is behind.
    """
    import pandas as pd

    permits = programme.tables["permits"]
    when = pd.Timestamp(day)
    valid = permits[
        (permits["activity"] == "spawn")
        & (permits["valid_from"] <= when)
        & (permits["valid_until"] >= when)
        & permits["limit_number"].notna()
    ]
    if valid.empty:
        return MANY
    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == day.year) & (crosses["made_on"] <= when)]
    made = season["dam"].nunique()
    elsewhere = max(0, int(valid["used"].fillna(0).sum()) - made)
    return max(0, int(valid["limit_number"].sum()) - elsewhere)


def _made_today_or_before(programme: Programme, day: dt.date) -> dict[tuple[str, str], int]:
    """Count the dishes already made this season by pair."""
    import pandas as pd

    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == day.year) & (crosses["made_on"] <= pd.Timestamp(day))]
    return dict(Counter(zip(season["dam"], season["sire"], strict=True)))


def _straws(programme: Programme, ordered: Sequence[Candidate]) -> tuple[np.ndarray, np.ndarray]:
    table = programme.tables["frozen_milt"]
    store = table.groupby("fish_id")["straws"].sum()
    per_dish = table.groupby("fish_id")["straws_per_dish"].max().fillna(1)
    straws = np.array([int(store[c.fish_id]) if c.frozen else -1 for c in ordered], dtype=np.int32)
    need = np.array([int(per_dish[c.fish_id]) if c.frozen else 1 for c in ordered], dtype=np.int32)
    return straws, need
