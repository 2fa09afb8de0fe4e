"""What the pages show of plans: candidates, settings with their meaning, versions, the state of a spawning day."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.candidates import Candidate, candidates_on
from planner.tasks.jobs_planning import PLAN_FILES
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import read_plan_file
from planner.tasks.programme import Programme
from planner.tasks.settings import SETTINGS

TICKS = "laid_today.json"


@dataclass(frozen=True)
class ShownSetting:
    """One setting on a form: name, value in force, unit, meaning, source, and the words of a choice."""

    name: str
    value: str
    unit: str
    meaning: str
    source: str
    choices: tuple[str, ...]


def settings_shown(programme: Programme, names: Sequence[str]) -> list[ShownSetting]:
    """Return settings in force with their meaning."""
    out = []
    for name in names:
        s = SETTINGS[name]
        source = programme.settings.sources.get(name, "") or s.source
        out.append(ShownSetting(name, str(programme.settings[name]), s.unit, s.sentence, source, s.choices))
    return out


def candidates_shown(programme: Programme, day: dt.date | None) -> tuple[dt.date, list[Candidate]]:
    """Return the day and every fish considered for it: those that may be crossed first."""
    when = day or programme.settings.day("spawning_day")
    judged = candidates_on(programme, when)
    return when, sorted(judged, key=lambda c: (not c.may_cross, c.sex, c.fish_id))


def versions_of(folder: Path) -> list[int]:
    """Return the versions kept of a kind of plan, newest first."""
    keep = folder / "versions"
    if not keep.is_dir():
        return []
    return sorted((int(p.name) for p in keep.iterdir() if p.name.isdigit()), reverse=True)


def plan_shown(folder: Path, kind: str, version: int | None = None) -> dict[str, Any] | None:
    """Return the plain values of a plan, the newest by default; None when there is none.

    Raises
    ------
    UsageError
        If the file is not a plan of ours.
    """
    versions = versions_of(folder)
    if not versions or (version is not None and version not in versions):
        return None
    chosen = version or versions[0]
    values = read_plan_file(folder / "versions" / str(chosen) / PLAN_FILES[kind])
    return values | {"is_newest": chosen == versions[0], "versions": versions}


@dataclass(frozen=True)
class Difference:
    """What two versions of a spawning plan have in common and apart.

    Parameters
    ----------
    figures : list of (str, str, str)
        Figure, older, newer.
    only_older, only_newer : list of str
        Crosses that stand in one of them.
    both : int
        Dishes that stand in both.
    """

    figures: list[tuple[str, str, str]]
    only_older: list[str]
    only_newer: list[str]
    both: int


COMPARED = (
    ("cohort_kinship", "Mean kinship of the cohort", 5),
    ("gene_diversity", "Gene diversity of the cohort", 4),
    ("effective_parents", "Expected Ne of the parents", 1),
    ("mean_inbreeding", "Mean inbreeding", 4),
    ("families", "Families", 0),
)


def difference(older: dict[str, Any], newer: dict[str, Any]) -> Difference:
    """Compare two versions of a spawning plan."""

    def crosses(plan: dict[str, Any]) -> list[tuple[str, str]]:
        return [(c["dam"], c["sire"]) for c in plan["crosses"]]

    left = crosses(older)
    only_newer, both = [], 0
    for pair in crosses(newer):
        if pair in left:
            left.remove(pair)
            both += 1
        else:
            only_newer.append(pair)
    figures = [
        (words, f"{older['measures'][key]:.{digits}f}", f"{newer['measures'][key]:.{digits}f}")
        for key, words, digits in COMPARED
    ]
    return Difference(figures, [f"{d} x {s}" for d, s in left], [f"{d} x {s}" for d, s in only_newer], both)


def voided(what: str, shown: int, now: int) -> str:
    """Return what is said to a page that acts on a version that is no longer in force."""
    return (
        f"{what}: this page shows version {shown}; "
        + (f"version {now} voids it" if now else "there is none any more")
        + ". Nothing was done. Load the page again and look at the newer version first."
    )


@dataclass(frozen=True)
class ReleaseDifference:
    """What two versions of a release plan have in common and apart.

    Parameters
    ----------
    figures : list of (str, str, str)
        Figure, older, newer.
    waters : list of (str, str, str, str)
        Water, fish in each, and the difference; waters with no fish in either are left out.
    lines : list of (str, str, str, str)
        Family and size class, water, fish in each; only where they differ.
    same, moved, only_older, only_newer : int
        Single fish that go to the same water in both, to another one, or in one of them alone.
    """

    figures: list[tuple[str, str, str]]
    waters: list[tuple[str, str, str, str]]
    lines: list[tuple[str, str, str, str]]
    same: int
    moved: int
    only_older: int
    only_newer: int


def release_difference(older: dict[str, Any], newer: dict[str, Any]) -> ReleaseDifference:
    """Compare two versions of a release plan."""
    both = (older, newer)

    def row(words: str, form: Callable[[dict[str, Any]], str]) -> tuple[str, str, str]:
        return (words, form(older), form(newer))

    def survivors(p: dict[str, Any]) -> str:
        s = p["survivors"]
        if not isinstance(s["value"], float):
            return f"not estimable because {s['reason']}"
        inside = "" if s["low"] is None else f" ({s['low']:.0f} to {s['high']:.0f})"
        return f"{s['value']:.0f}{inside}"

    def number(key: str, digits: int) -> Callable[[dict[str, Any]], str]:
        return lambda p: "–" if p[key] is None else f"{p[key]:.{digits}f}"

    figures = [
        row("Fish released", number("released", 0)),
        row("Kept back", number("kept_back", 0)),
        row("Expected survivors, 95 % interval", survivors),
        row("Kinship within waters", number("kinship_within", 5)),
        row("Gene diversity over all waters", number("gene_diversity", 4)),
        row("Effective families", number("effective_families", 1)),
        row("Proven gap", lambda p: "none" if p["gap"] is None else f"{p['gap']:.2%}"),
        row("Waters closed", lambda p: ", ".join(p["closed"]) or "none"),
    ]
    arrivals = [{s["site"]: int(s["arrivals"]) for s in p["sites"]} for p in both]
    waters = [
        (
            site,
            str(a := arrivals[0].get(site, 0)),
            str(b := arrivals[1].get(site, 0)),
            f"{b - a:+d}" if a != b else "",
        )
        for site in dict.fromkeys((*arrivals[0], *arrivals[1]))
        if arrivals[0].get(site) or arrivals[1].get(site)
    ]
    counts: list[dict[tuple[str, str], int]] = [{}, {}]
    for count, plan in zip(counts, both, strict=True):
        for line in plan["lines"]:
            key = (f"{line['family']} {line['size_class']}", str(line["site"]))
            count[key] = count.get(key, 0) + int(line["number"])
    lines = [
        (*key, str(counts[0].get(key, 0)), str(counts[1].get(key, 0)))
        for key in sorted({*counts[0], *counts[1]})
        if counts[0].get(key, 0) != counts[1].get(key, 0)
    ]
    before, after = ({f: site for site, fish in p["fish"].items() for f in fish} for p in both)
    shared = before.keys() & after.keys()
    same = sum(before[f] == after[f] for f in shared)
    return ReleaseDifference(
        figures, waters, lines, same, len(shared) - same, len(before) - len(shared), len(after) - len(shared)
    )


@dataclass(frozen=True)
class DayDish:
    """One dish of the day: label, parents, cell, kinship, whether it is laid and whether the records hold it."""

    dish_id: str
    dam: str
    sire: str
    cell: str
    kinship: float
    laid: bool
    entered: bool = False


@dataclass(frozen=True)
class SpawningDay:
    """The spawning day as it stands.

    Parameters
    ----------
    day : str
        ISO date.
    version : int
        Version of the plan.
    females : list of (str, list of DayDish, tuple of str)
        Female, her dishes, males next in line.
    done : list of (str, str)
        Dishes laid under older versions.
    changes : list of str
        What the newest version changed.
    males : list of str
        Males in the plan.
    left, laid : int
        Dishes still to lay, and laid.
    """

    day: str
    version: int
    females: list[tuple[str, list[DayDish], tuple[str, ...]]]
    done: list[tuple[str, str]]
    changes: list[str]
    males: list[str]
    left: int
    laid: int


def spawning_day(folder: Path) -> SpawningDay | None:
    """Return the state of the day from the newest plan and the ticks since; None when there is no plan."""
    plan = plan_shown(folder, "spawning")
    if plan is None:
        return None
    ticks = ticked(folder, int(plan["provenance"]["version"]))
    females: dict[str, list[DayDish]] = {}
    for c in plan["crosses"]:
        laid = c["dish_id"] in ticks
        females.setdefault(c["dam"], []).append(
            DayDish(c["dish_id"], c["dam"], c["sire"], c["cell"], c["kinship"], laid)
        )
    done = [(str(d), str(s)) for d, s in plan.get("events", {}).get("laid", ())]
    number = sum(len(d) for d in females.values())
    return SpawningDay(
        plan["provenance"]["settings"]["spawning_day"],
        int(plan["provenance"]["version"]),
        [(dam, dishes, tuple(plan["next_in_line"].get(dam, ()))) for dam, dishes in females.items()],
        done,
        list(plan.get("changes", ())),
        sorted({c["sire"] for c in plan["crosses"]}),
        number - len(ticks),
        len(done) + len(ticks),
    )


def ticked(folder: Path, version: int) -> list[str]:
    """Return the dishes ticked as laid since a version was made."""
    path = folder / TICKS
    if not path.exists():
        return []
    values = json.loads(path.read_text(encoding="utf-8"))
    return list(values["dishes"]) if values["version"] == version else []


def tick(folder: Path, dish_id: str, laid: bool, version: int) -> None:
    """Tick a dish as laid, or take the tick back.

    Raises
    ------
    UsageError
        If there is no such dish in the newest plan, or the page shows an older version.
    """
    plan = plan_shown(folder, "spawning")
    now = 0 if plan is None else int(plan["provenance"]["version"])
    if plan is None or now != version:
        raise UsageError(
            f"spawning day: found version {version}. Expected version {now}, which voids it. Load the page again."
        )
    if dish_id not in {c["dish_id"] for c in plan["crosses"]}:
        raise UsageError(f"dish: found {dish_id!r}. Expected a dish of version {version}.")
    dishes = [d for d in ticked(folder, version) if d != dish_id] + ([dish_id] if laid else [])
    write_text(folder / TICKS, json.dumps({"version": version, "dishes": dishes}))


def laid_pairs(folder: Path) -> list[list[str]]:
    """Return female and male of every dish ticked since the newest version, for the next plan."""
    plan = plan_shown(folder, "spawning")
    if plan is None:
        return []
    ticks = set(ticked(folder, int(plan["provenance"]["version"])))
    return [[c["dam"], c["sire"]] for c in plan["crosses"] if c["dish_id"] in ticks]


@dataclass(frozen=True)
class ShownLoads:
    """The loads of the trucks as a page shows them.

    Parameters
    ----------
    version : int
        Version of the loads.
    is_newest : bool
        Whether no newer version voids them.
    day : str
        First day, ISO date.
    release_version : int
        Version of the release plan they were made for.
    facts : list of (str, str, str)
        Label, value, and how it was made.
    trips : list of dict
        Trips in order: day, truck, number, kg, km, fish, stops with lines.
    trucks, failed : list of str
        Trucks that drive, and trucks that do not.
    notes : list of str
        What was assumed.
    provenance : dict
        Inputs, settings, proof.
    """

    version: int
    is_newest: bool
    day: str
    release_version: int
    facts: list[tuple[str, str, str]]
    trips: list[dict[str, Any]]
    trucks: list[str]
    failed: list[str]
    notes: list[str]
    provenance: dict[str, Any]


def loads_shown(folder: Path, version: int | None = None) -> ShownLoads | None:
    """Return a version of the loads, the newest by default; None when there is none.

    Raises
    ------
    UsageError
        If the file is not a plan of ours.
    """
    plan = plan_shown(folder, "loads", version)
    if plan is None:
        return None
    p, trips = plan["provenance"], plan["trips"]
    failed = [t for t in str(p["settings"]["trucks_failed"]).split(", ") if t != "none"]
    shortest = (
        "not proven to be the least"
        if plan["shortest_km"] is None
        else f"proven: no less than {plan['shortest_km']:.0f} km in as few trips"
    )
    facts = [
        ("Fish", str(sum(t["fish"] for t in trips)), "Counted: every fish of the release plan is on one trip."),
        ("Mass", f"{sum(t['kg'] for t in trips):.1f} kg", "Sum over single fish: weighed, or from length by the programme's relation; no interval is made."),
        ("Trips", str(len(trips)), f"Proven: no loads under the same rules need fewer than {plan['fewest_trips']}."),
        ("Distance", f"{plan['km']:.0f} km", f"Sum over trips, there and back; {shortest}."),
        ("Days", str(len({t["day"] for t in trips})), "Days on which a truck drives."),
    ]  # fmt: skip
    return ShownLoads(
        int(p["version"]),
        bool(plan["is_newest"]),
        str(p["settings"]["release_day"]),
        int(plan["release_version"]),
        facts,
        trips,
        sorted({t["truck"] for t in trips}),
        failed,
        list(plan["notes"]),
        p,
    )
