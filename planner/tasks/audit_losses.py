"""Where a year class of the hatchery lost effective parents, from the tables of crosses, stock and releases."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from broodstock.effective_size.waterfall import StepShares, Waterfall, diversity_loss_waterfall
from broodstock.estimates import Estimate
from planner.tasks.parents import ParentsReport
from planner.tasks.programme import Programme

SEEN_AFTER_DAYS = 300
"""Days after release from which a fish seen again counts as having survived its first year in the water."""
COUNTS = (
    ("eggs", "eggs laid down", "egg numbers"),
    ("fertilised", "eggs fertilised", "fertilised eggs"),
    ("hatched", "larvae hatched", "hatched larvae"),
    ("swim_up", "fry at swim-up", "fry at swim-up"),
    ("kept", "fry kept, numbers made equal", "fry kept"),
)
LIVING = ("brood", "hold")


@dataclass(frozen=True)
class FamilyParents:
    """Parents of the families of a year class.

    Parameters
    ----------
    pairs : dict of str to (str, str)
        Dam and sire by family.
    corrected : tuple of str
        Families whose parents by DNA stand in for the recorded ones.
    """

    pairs: dict[str, tuple[str, str]]
    corrected: tuple[str, ...]


def family_parents(programme: Programme, year: int, parents: ParentsReport | None) -> FamilyParents:
    """Return the parents of each family; where DNA finds dishes exchanged, those that DNA finds."""
    table = programme.tables["families"]
    here = table[(table["kind"] == "cross") & (table["year_class"] == year).fillna(False)]
    pairs = {
        f: (d, s) for f, d, s in zip(here["family_id"], here["dam"], here["sire"], strict=True) if d and s
    }
    corrected = []
    swapped = {d for s in parents.audit.swaps for d in s.dishes} if parents is not None else set()
    for dish in parents.audit.dishes if parents is not None else ():
        if dish.dish in pairs and dish.dish in swapped and dish.supported not in (None, dish.recorded):
            dam, sire = pairs[dish.dish]
            found = str(dish.supported)
            pairs[dish.dish] = (found, sire) if dish.role == "dam" else (dam, found)
            corrected.append(dish.dish)
    return FamilyParents(pairs, tuple(dict.fromkeys(corrected)))


def loss_waterfall(
    programme: Programme, year: int, parents: ParentsReport | None, realised: Estimate | None
) -> Waterfall:
    """Follow the effective number of parents of one hatchery year class from the fish in care to the water.

    Parameters
    ----------
    programme : Programme
        Open records.
    year : int
        Year class, which is also the season of its crosses.
    parents : ParentsReport, optional
        Parents by DNA, for exchanged dishes.
    realised : Estimate, optional
        Effective number of breeders by DNA.

    Returns
    -------
    Waterfall
        Steps: fish in care, fish used, dishes, eggs, fertilised, hatched, swim-up, kept, tagged, released,
        seen again. A step without data is left out and named.
    """
    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == year) & (crosses["dam"] != "") & (crosses["sire"] != "")]
    families = family_parents(programme, year, parents)
    steps = [_available(programme, year, season), *_dish_steps(season, year)]
    stock = programme.tables["stock"]
    releases = programme.tables["releases"]
    there = stock[(stock["year_class"] == year).fillna(False)]
    gone = releases[(releases["year_class"] == year).fillna(False)]
    tagged = pd.concat([there[["tag", "family"]], gone[["tag", "family"]]]).drop_duplicates("tag")
    steps.append(_family_step("reared and tagged", tagged["family"], families, "tagged young", year))
    steps.append(_family_step("released", gone["family"], families, "young released", year))
    steps.append(_seen_again(programme, gone, families, year))
    return diversity_loss_waterfall(
        steps,
        f"year class {year}, hatchery",
        realised,
        level=programme.settings["confidence"],
        seed=int(programme.settings["seed"]),
    )


def _available(programme: Programme, year: int, season: pd.DataFrame) -> StepShares:
    """Fish of breeding age in care on the first day of the crosses, and males with frozen milt."""
    name = "broodfish available"
    if season.empty:
        return StepShares(name, absent=f"no crosses of season {year} are recorded")
    first = pd.Timestamp(season["made_on"].min())
    fish = programme.tables["fish"]
    entered, status_on = (pd.to_datetime(fish[c], errors="coerce") for c in ("entered_on", "status_on"))
    here = (entered.isna() | (entered <= first)) & (fish["status"].isin(LIVING) | (status_on >= first))
    age = year - fish["year_class"].astype("Float64")
    least = fish["sex"].map(
        {"female": programme.settings["min_age_female"], "male": programme.settings["min_age_male"]}
    )
    old = (age.isna() | (age >= least)).fillna(False)
    milt = programme.tables["frozen_milt"]
    frozen = set(milt.loc[pd.to_datetime(milt["frozen_on"], errors="coerce") <= first, "fish_id"])
    used = set(season["dam"]) | set(season["sire"])
    there = (here & old) | fish["fish_id"].isin(frozen) | fish["fish_id"].isin(used)
    sets = {sex: fish.loc[there & (fish["sex"] == sex), "fish_id"] for sex in ("female", "male")}
    females = {**dict.fromkeys(sets["female"], 1), **dict.fromkeys(season["dam"], 1)}
    males = {**dict.fromkeys(sets["male"], 1), **dict.fromkeys(season["sire"], 1)}
    note = f"Fish of breeding age in care on {first.date().isoformat()}, and males with frozen milt."
    return StepShares(name, females, males, counted="fish", note=note)


def _dish_steps(season: pd.DataFrame, year: int) -> list[StepShares]:
    words = ["broodfish used", "dishes laid", *(title for _, title, _ in COUNTS)]
    if season.empty:
        return [StepShares(w, absent=f"no crosses of season {year} are recorded") for w in words]
    dams, sires = season["dam"].value_counts(), season["sire"].value_counts()
    steps = [
        StepShares(words[0], dict.fromkeys(dams.index, 1), dict.fromkeys(sires.index, 1), counted="fish"),
        StepShares(words[1], _whole(dams), _whole(sires), counted="dishes"),
    ]
    for column, title, counted in COUNTS:
        known = season[season[column].notna()]
        if known.empty or known[column].sum() == 0:
            steps.append(StepShares(title, absent=f"no dish of season {year} has a number of {counted}"))
            continue
        lacking = len(season) - len(known)
        note = f"{lacking} of {len(season)} dishes without a number are not in it." if lacking else ""
        steps.append(
            StepShares(
                title,
                _whole(known.groupby("dam")[column].sum()),
                _whole(known.groupby("sire")[column].sum()),
                counted=counted,
                note=note,
            )
        )
    return steps


def _whole(numbers: pd.Series) -> dict[str, float]:
    return {str(k): int(x) for k, x in numbers.items()}


def _family_step(
    name: str, families: pd.Series, parents: FamilyParents, counted: str, year: int, sampled: bool = False
) -> StepShares:
    counts = families[families.isin(list(parents.pairs))].value_counts()
    if counts.empty:
        return StepShares(name, absent=f"no {counted} of hatchery families of year class {year} on record")
    females: dict[str, float] = {}
    males: dict[str, float] = {}
    for family, n in counts.items():
        for side, parent in zip((females, males), parents.pairs[str(family)], strict=True):
            side[parent] = side.get(parent, 0) + int(n)
    note = ""
    changed = [f for f in parents.corrected if f in counts.index]
    if changed:
        note = f"Parents by DNA stand in for the recorded ones of {', '.join(changed)}."
    return StepShares(name, females, males, sampled, counted, note=note)


def _seen_again(
    programme: Programme, released: pd.DataFrame, parents: FamilyParents, year: int
) -> StepShares:
    name = "seen alive after a year"
    if released.empty:
        return StepShares(name, absent=f"no young of year class {year} have been released yet")
    on = pd.to_datetime(released.drop_duplicates("tag").set_index("tag")["released_on"], errors="coerce")
    family = released.drop_duplicates("tag").set_index("tag")["family"]
    captures = programme.tables["captures"]
    since = pd.to_datetime(captures["captured_on"], errors="coerce") - captures["tag"].map(on)
    seen = captures.loc[since >= pd.Timedelta(days=SEEN_AFTER_DAYS), "tag"].unique()
    step = _family_step(name, pd.Series(family.reindex(seen)), parents, "recaptured fish", year, sampled=True)
    if step.absent:
        why = f"no hatchery fish of year class {year} was caught {SEEN_AFTER_DAYS} days or more after release"
        return StepShares(name, absent=why)
    note = (
        f"Fish netted {SEEN_AFTER_DAYS} days or more after release, each once; remote scans are not in it. "
    )
    return StepShares(name, step.females, step.males, True, step.counted, note=(note + step.note).strip())
