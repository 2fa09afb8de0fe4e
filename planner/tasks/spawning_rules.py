"""The rules of a spawning plan that settings and records ask for, as arrays: one function per group of rules."""

from __future__ import annotations

import datetime as dt
import difflib
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.optimise.spawning.data import MANY
from planner.tasks.candidates import Candidate
from planner.tasks.programme import Programme
from planner.tasks.settings import SETTINGS
from planner.tasks.spawning_refusals import refuse_unusable
from planner.tasks.spawning_settings import RULE_SETTINGS


def changed_rules(programme: Programme) -> dict[str, Any]:
    """Return the settings of rules that are not at their default, for provenance."""
    settings = programme.settings
    return settings.used([n for n in RULE_SETTINGS if settings[n] != SETTINGS[n].default])


def rules_set(
    programme: Programme,
    day: dt.date,
    females: Sequence[Candidate],
    males: Sequence[Candidate],
    judged: Sequence[Candidate],
) -> tuple[dict[str, Any], list[str]]:
    """Return the rules as fields of `planner.optimise.spawning.data.spawning_data`.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date
        Spawning day.
    females, males : sequence of Candidate
        Candidates of the plan, in its order.
    judged : sequence of Candidate
        Every fish considered, with the reason when it may not be crossed.

    Returns
    -------
    dict of str to object
        Fields by name.
    list of str
        Rules in force, in words.

    Raises
    ------
    UsageError
        If a setting names a fish that is not in the records, or no number.
    NoPlanError
        If a fish that must be used may not be crossed (exit code 4).
    """
    notes: list[str] = []
    fields = (
        _mates(programme)
        | _uses(programme, females, males, judged)
        | _past(programme, day, females, males)
        | _pairs(programme, females, males)
        | _places(programme, females, males)
        | _unknown(programme, females, males, notes)
        | _eggs(programme, females)
        | _founders(programme)
    )
    return fields, notes


def named_numbers(programme: Programme, setting: str, low: float, whole: bool) -> dict[str, float]:
    """Return the ``FISH=NUMBER`` parts of a setting.

    Raises
    ------
    UsageError
        If a part has no equals sign, the fish is not in the records, or the number is none or too low.
    """
    out: dict[str, float] = {}
    for fish, text in _parts(programme, setting):
        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if not low <= number < float("inf") or (whole and number != int(number)):
            kind = "a whole number" if whole else "a number"
            raise UsageError(f"setting {setting}, {fish}: found {text!r}. Expected {kind} from {low:g} on.")
        out[fish] = number
    return out


def _parts(programme: Programme, setting: str) -> list[tuple[str, str]]:
    known = set(programme.tables["fish"]["fish_id"])
    out = []
    for part in str(programme.settings[setting]).split(","):
        if not part.strip():
            continue
        fish, sign, value = (x.strip() for x in part.partition("="))
        if not sign or not value:
            wanted = SETTINGS[setting].sentence
            raise UsageError(
                f"setting {setting}: found {part.strip()!r}. Expected {wanted[0].lower()}{wanted[1:]}"
            )
        names = [fish, value] if setting == "never_pairs" else [fish]
        for name in names:
            if name not in known:
                near = difflib.get_close_matches(name, known, 1)
                hint = f" Did you mean {near[0]!r}?" if near else ""
                raise UsageError(f"setting {setting}: found {name!r}. Expected a fish_id in fish.csv.{hint}")
        out.append((fish, value))
    return out


def _mates(programme: Programme) -> dict[str, Any]:
    """Mates per fish, dishes per pair, and the mating design."""
    s = programme.settings
    fields: dict[str, Any] = {
        "males_per_female": (s["males_per_female_min"], s["males_per_female_max"]),
        "females_per_male": (s["females_per_male_min"], s["females_per_male_max"]),
        "pair_repeats": s["pair_dishes_max"],
    }
    if s["mating_design"] == "single-pairs":
        fields |= {"males_per_female": (1, 1), "females_per_male": (1, 1)}
    elif s["mating_design"] in ("full-factorial", "blocks"):
        females, males = s["block_females"], s["block_males"]
        fields |= {
            "males_per_female": (1, MANY),
            "females_per_male": (1, MANY),
            "factorial": (females, males),
            "blocks": 1
            if s["mating_design"] == "full-factorial"
            else s["crosses_wanted"] // (females * males),
        }
    return fields


def _uses(
    programme: Programme,
    females: Sequence[Candidate],
    males: Sequence[Candidate],
    judged: Sequence[Candidate],
) -> dict[str, Any]:
    """Most and fewest dishes of each fish this season."""
    s = programme.settings
    ordered = [*females, *males]
    least = named_numbers(programme, "uses_min", 0, whole=True)
    most = named_numbers(programme, "uses_max", 0, whole=True)
    here = {c.fish_id for c in ordered}
    refuse_unusable({f: int(n) for f, n in least.items() if n > 0 and f not in here}, judged)
    return {
        "most_uses": np.array(
            [min(s[f"{c.sex}_uses_max"], int(most.get(c.fish_id, MANY))) for c in ordered], dtype=np.int32
        ),
        "least_uses": np.array([int(least.get(c.fish_id, 0)) for c in ordered], dtype=np.int32),
    }


def _past(
    programme: Programme, day: dt.date, females: Sequence[Candidate], males: Sequence[Candidate]
) -> dict[str, Any]:
    """Use in earlier seasons: dishes of each fish, and pairs that were crossed."""
    s = programme.settings
    crosses = programme.tables["crosses"]
    past = crosses[(crosses["season"] < day.year) & (crosses["made_on"] <= pd.Timestamp(day))]
    uses = Counter(past["dam"]) + Counter(past["sire"])
    limits = {sex: s[f"{sex}_lifetime_uses_max"] or MANY for sex in ("female", "male")}
    ordered = [*females, *males]
    fields: dict[str, Any] = {
        "past_uses": np.array([uses[c.fish_id] for c in ordered], dtype=np.int32),
        "lifetime_uses": np.array([limits[c.sex] for c in ordered], dtype=np.int32),
    }
    if s["repeat_pairs"] == "no":
        crossed = set(zip(past["dam"], past["sire"], strict=True))
        fields["past_pairs"] = np.array(
            [[(f.fish_id, m.fish_id) in crossed for m in males] for f in females], dtype=bool
        ).reshape(len(females), len(males))
    return fields


def _pairs(programme: Programme, females: Sequence[Candidate], males: Sequence[Candidate]) -> dict[str, Any]:
    """Pairs that a person ruled out."""
    never = {frozenset(pair) for pair in _parts(programme, "never_pairs")}
    barred = [[frozenset((f.fish_id, m.fish_id)) in never for m in males] for f in females]
    return {"forbidden": np.array(barred, dtype=bool).reshape(len(females), len(males))}


def _places(programme: Programme, females: Sequence[Candidate], males: Sequence[Candidate]) -> dict[str, Any]:
    """Name the building of each fish; frozen milt is carried anywhere."""
    if programme.settings["mates_from"] == "anywhere":
        return {}
    units, fish = programme.tables["units"], programme.tables["fish"]
    building = dict(zip(units["unit_id"], units["building"], strict=True))
    of_fish = {f: building.get(u, "") or "" for f, u in zip(fish["fish_id"], fish["unit"], strict=True)}
    names = sorted({b for b in of_fish.values() if b})
    number = {b: k for k, b in enumerate(names)}
    place = [-1 if c.frozen else number.get(of_fish[c.fish_id], -1) for c in (*females, *males)]
    return {"place": np.array(place, dtype=np.int32), "same_place": True}


def _unknown(
    programme: Programme, females: Sequence[Candidate], males: Sequence[Candidate], notes: list[str]
) -> dict[str, Any]:
    """Fish that need a safe mate: without genotype, or with neither genotype nor known parents."""
    s = programme.settings
    if s["safe_mates"] == "off":
        return {}
    samples = programme.tables["samples"]
    typed = {name for calls in programme.genotypes.values() for name in calls.samples}
    genotyped = {f for n, f in zip(samples["sample_id"], samples["fish_id"], strict=True) if f and n in typed}
    known = (
        set()
        if s["safe_mates"] == "no-genotype"
        else {f for f, p in programme.parents_used.items() if any(p)}
    )
    ordered = [*females, *males]
    unknown = np.array([c.fish_id not in genotyped | known for c in ordered], dtype=bool)
    named = ", ".join(c.fish_id for c, u in zip(ordered, unknown, strict=True) if u) or "none"
    notes.append(f"Fish that need a safe mate ({s['safe_mates']}): {named}.")
    return {"unknown": unknown, "safe_limit": s["safe_kinship"]}


def _eggs(programme: Programme, females: Sequence[Candidate]) -> dict[str, Any]:
    """Eggs expected of each female, and the full share of a dish."""
    eggs = named_numbers(programme, "eggs_expected", 0, whole=False)
    return {
        "eggs": np.array([eggs.get(c.fish_id, -1.0) for c in females]),
        "least_eggs": float(programme.settings["eggs_per_dish_min"]),
    }


def _founders(programme: Programme) -> dict[str, Any]:
    """Least share of founders in the genes of the season's young."""
    shares = named_numbers(programme, "founder_shares", 0, whole=False)
    for fish, share in shares.items():
        if share > 1:
            raise UsageError(
                f"setting founder_shares, {fish}: found {share:g}. Expected a share from 0 to 1."
            )
    return {
        "founders": np.array(programme.pedigree.rows(list(shares)), dtype=np.int32),
        "founder_share": np.array(list(shares.values()), dtype=np.float64),
    }
