"""From fish wanted at release back to eggs, families, cells, tanks, ponds and tags."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.optimise.season.production import (
    Growth,
    Span,
    Stage,
    StageNeed,
    divided,
    families_needed,
    length_at,
    long_enough,
    needed_numbers,
)
from planner.tasks.programme import Programme
from planner.tasks.season_answer import (
    AnswerTable,
    SeasonAnswer,
    provenance_of,
    range_words,
    seed_of,
    version_in,
)

NAME = "production"
DAYS_PER_MONTH = 30.4375
LEAST_DAYS = 100
SUMMER = (6, 7, 8)
SPANS = (
    "egg_to_swim_up",
    "swim_up_to_3_months",
    "pond_month",
    "tag_to_release",
    "growth_rate",
    "eggs_per_female",
)
SETTINGS = (
    *(f"{name}_{end}" for name in SPANS for end in ("low", "middle", "high")),
    "growth_limit_mm",
    "length_cv",
    "families_least",
    "fish_per_family_max",
    "fry_kept_per_dish",
    "fry_per_tank",
    "pond_fish_per_ha_low",
    "pond_fish_per_ha_high",
    "spare_tags",
)


def production(
    programme: Programme,
    fish: int,
    length_mm: float,
    date: dt.date,
    *,
    spawned: dt.date | None = None,
    families: int | None = None,
    out: Path | None = None,
) -> SeasonAnswer:
    """Work back from fish wanted at release to what must be spawned and kept ready.

    Parameters
    ----------
    programme : Programme
    fish : int
        Fish wanted.
    length_mm : float
        Least total length at release.
    date : date
        Day of release.
    spawned : date, optional
        Day of spawning; default the setting ``spawning_day``.
    families : int, optional
        Families planned behind the fish, to be judged.
    out : Path, optional
        Folder that may hold an earlier version.

    Returns
    -------
    SeasonAnswer

    Raises
    ------
    UsageError
        If the release is less than 100 days after spawning, or a number is below 1.
    ValueRangeError
        If settings contradict each other.
    """
    settings = programme.settings
    start = spawned or settings.day("spawning_day")
    days = (date - start).days
    if days < LEAST_DAYS:
        raise UsageError(
            f"--date: found {date}, {days} days after spawning on {start}. Expected {LEAST_DAYS} days or more. "
            "Give a later date, or the day of spawning with --spawned."
        )
    if fish < 1 or not length_mm > 0 or (families is not None and families < 1):
        raise UsageError(
            f"production: found {fish} fish, {length_mm:g} mm, {families} families. Expected numbers of 1 or more."
        )
    months = max(0.0, days / DAYS_PER_MONTH - 3)
    age = days / 365.25
    growth = Growth(
        float(settings["growth_limit_mm"]), _span(programme, "growth_rate"), float(settings["length_cv"])
    )
    stages = [
        Stage("eggs", _span(programme, "egg_to_swim_up")),
        Stage("fry at swim-up", _span(programme, "swim_up_to_3_months")),
        Stage("fish at 3 months", _span(programme, "pond_month"), months),
        Stage("fish tagged", _span(programme, "tag_to_release")),
    ]
    seed = seed_of(programme)
    needs = needed_numbers(fish, stages, growth, age_years=age, length_mm=length_mm, seed=seed)
    wanted = families_needed(fish, int(settings["fish_per_family_max"]), int(settings["families_least"]))
    ready = long_enough(growth, age, length_mm)
    units = _units(programme, needs, wanted)
    provenance = provenance_of(
        programme,
        "production plan",
        seed,
        SETTINGS,
        {
            "fish": str(fish),
            "length": f"{length_mm:g} mm",
            "date": date.isoformat(),
            "spawned": start.isoformat(),
            "families": "not given" if families is None else str(families),
        },
        version_in(out, NAME),
    )
    lengths = tuple(
        length_at(age, growth.limit_mm, r) for r in (growth.rate.low, growth.rate.middle, growth.rate.high)
    )
    return SeasonAnswer(
        NAME,
        "From release back to eggs",
        f"{settings['programme_name']}: {fish} fish of {length_mm:g} mm or more on {date:%d %b %Y}",
        (
            ("Spawned", f"{start:%d %b %Y}"),
            ("Age at release", f"{days} days ({age:.2f} years)"),
            ("Mean length then, low, middle, high", ", ".join(f"{x:.0f}" for x in lengths) + " mm"),
            ("Share long enough", f"{ready.middle:.0%} ({ready.low:.0%} to {ready.high:.0%})"),
            ("Eggs needed", range_words(needs[0].needed)),
            ("Families wanted", str(wanted)),
        ),
        (_stage_table(needs, stages), _unit_table(units)),
        _warnings(programme, fish, date, families, wanted, needs, ready, units),
        (
            "Middle: every stage at its middle. Low and high: 90 % of 10 000 draws, each stage from the triangle over "
            "its low, middle and high. The best and the worst column take every stage at its end at once.",
            "Length: limit x (1 - exp(-rate x age)), lengths normal; age counts from the day of spawning.",
            "Fish are tagged shortly before release; months in ponds count from the age of 3 months.",
            f"Families wanted: at most {settings['fish_per_family_max']} fish of one family, at least "
            f"{settings['families_least']} families. Source: {settings.sources.get('fish_per_family_max', '')}.",
            "All survivals are settings with their source ('kinshoal settings'); replace them by your own records.",
        ),
        _values(needs, units, wanted, ready, lengths, families),
        provenance,
        programme.today,
    )


def _span(programme: Programme, name: str) -> Span:
    return Span(*(float(programme.settings[f"{name}_{end}"]) for end in ("low", "middle", "high")))


def _units(programme: Programme, needs: list[StageNeed], families: int) -> list[tuple[str, Estimate, str]]:
    """Return what is needed besides fish: word, number, and how it was counted."""
    settings = programme.settings
    eggs, fry, small, tagged = (n.needed for n in needs)
    kept = float(settings["fry_kept_per_dish"])
    per_tank = float(settings["fry_per_tank"])
    low, high = float(settings["pond_fish_per_ha_low"]), float(settings["pond_fish_per_ha_high"])
    density = Span(low, math.sqrt(low * high), high)
    tags = 1 / (1 + float(settings["spare_tags"]))
    dishes = divided(fry, Span(kept, kept, kept), "a dish")
    return [
        (
            "females, by eggs alone",
            _up(divided(eggs, _span(programme, "eggs_per_female"), "a female")),
            "by eggs per female",
        ),
        (
            "dishes and cells",
            _up(_at_least(dishes, families)),
            f"{kept:.0f} fry kept of each, a dish for every family",
        ),
        (
            "rearing tanks",
            _up(divided(fry, Span(per_tank, per_tank, per_tank), "a tank")),
            f"{per_tank:.0f} fry each",
        ),
        ("pond hectares", divided(small, density, "a hectare"), f"{low:.0f} to {high:.0f} fish per hectare"),
        (
            "tags",
            _up(divided(tagged, Span(tags, tags, tags), "a tag")),
            f"{settings['spare_tags']:.0%} spare",
        ),
    ]


def _up(e: Estimate) -> Estimate:
    """Return an estimate in whole units, rounded up."""
    if e.value is None or e.low is None or e.high is None:
        return e
    value, low, high = (float(math.ceil(x - 1e-9)) for x in (e.value, e.low, e.high))
    return Estimate(value, low, high, e.method, e.n_used, e.unit_used, e.level, e.note)


def _at_least(e: Estimate, least: float) -> Estimate:
    if e.value is None or e.low is None or e.high is None:
        return e
    value, low, high = (max(x, least) for x in (e.value, e.low, e.high))
    return Estimate(value, low, high, e.method, e.n_used, e.unit_used, e.level, e.note)


def _stage_table(needs: list[StageNeed], stages: list[Stage]) -> AnswerTable:
    lines: list[tuple[str, ...]] = []
    for need, stage in zip(needs, stages, strict=True):
        e = need.needed
        p = stage.survival
        months = f" a month, {stage.periods:.1f} months" if stage.start == "fish at 3 months" else ""
        rate = f"{p.middle:.1%} ({p.low:.1%} to {p.high:.1%}){months}"
        if e.value is None or e.low is None or e.high is None:
            lines.append((need.what, *("-",) * 5, f"{rate}; not estimable, see the warning"))
            continue
        numbers = (need.best, e.low, e.value, e.high, need.worst)
        lines.append((need.what, *(f"{math.ceil(x - 1e-9)}" for x in numbers), rate))
    return AnswerTable(
        "Numbers needed",
        ("stage", "best", "low", "middle", "high", "worst", "survival from here"),
        tuple(lines),
        (1, 2, 3, 4, 5),
        (1.4, 0.8, 0.8, 0.8, 0.8, 0.8, 2.4),
    )


def _unit_table(units: list[tuple[str, Estimate, str]]) -> AnswerTable:
    lines = tuple((word, range_words(e, 1 if word == "pond hectares" else 0), how) for word, e, how in units)
    return AnswerTable(
        "What to have ready", ("what", "number (low to high)", "counted by"), lines, (1,), (1.2, 1.6, 2.2)
    )


def _warnings(
    programme: Programme,
    fish: int,
    date: dt.date,
    families: int | None,
    wanted: int,
    needs: list[StageNeed],
    ready: Span,
    units: list[tuple[str, Estimate, str]],
) -> tuple[str, ...]:
    out = []
    settings = programme.settings
    if not needs[0].needed.estimable:
        out.append(
            f"The target cannot be met at that length: {needs[0].needed.reason}. Release later or smaller."
        )
    elif ready.low < 0.5:
        out.append(
            f"With slow growth only {ready.low:.0%} of the fish are long enough on that day; the others wait or go "
            "smaller."
        )
    if families is not None and families < wanted:
        each = math.ceil(fish / families)
        out.append(
            f"{fish} fish from {families} families: {each} of each, {wanted} families wanted. {families} families of "
            f"different parents have at most {2 * families} effective parents, an inbreeding rate of "
            f"{1 / (4 * families):.1%} a generation."
        )
    if date.month in SUMMER:
        out.append("Summer: published field reports found the lowest survival for fish released in summer.")
    table = programme.tables["fish"]
    females = int(((table["status"] == "brood") & (table["sex"] == "female")).sum())
    stripped = units[0][1]
    if stripped.value is not None and stripped.value > females:
        out.append(f"{stripped.value:.0f} females are needed by eggs, and {females} broodfish are female.")
    unit = programme.tables["units"]
    for word, kind in (("rearing tanks", "tank"), ("dishes and cells", "cell")):
        have = int((unit["kind"] == kind).sum()) if kind == "tank" else int(settings["cells"])
        need = next(e for w, e, _ in units if w == word)
        if need.value is not None and need.value > have:
            out.append(
                f"{need.value:.0f} {word} are needed, and {have} {kind}s are in the records and settings."
            )
    return tuple(out)


def _values(
    needs: list[StageNeed],
    units: list[tuple[str, Estimate, str]],
    wanted: int,
    ready: Span,
    lengths: tuple[float, ...],
    families: int | None,
) -> dict[str, Any]:
    def plain(x: float) -> float | None:
        return None if math.isinf(x) else x

    return {
        "stages": [
            {"stage": n.what, "needed": n.needed.as_dict(), "best": plain(n.best), "worst": plain(n.worst)}
            for n in needs
        ],
        "ready": [{"what": word, "needed": e.as_dict(), "counted_by": how} for word, e, how in units],
        "families_wanted": wanted,
        "families_planned": families,
        "share_long_enough": {"low": ready.low, "middle": ready.middle, "high": ready.high},
        "mean_length_mm": list(lengths),
    }
