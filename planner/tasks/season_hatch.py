"""When eggs hatch and fry swim up, from the temperature of the water: a model, said to be one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from planner.optimise.season.degree_days import (
    DevelopmentModel,
    chub_models,
    days_for_degree_days,
    days_until,
    degree_days,
    fit_base_temperature,
    fit_rate,
)
from planner.tasks.programme import Programme
from planner.tasks.season_answer import AnswerTable, SeasonAnswer, provenance_of, seed_of, version_in

NAME = "hatch"
DAYS = 200
NORMAL_90 = 1.6448536269514722
SETTINGS = (
    "incubation_temperature",
    "swim_up_degree_days_low",
    "swim_up_degree_days_middle",
    "swim_up_degree_days_high",
)
Point = tuple[str, float | None, float | None, float | None]


def hatch_dates(
    programme: Programme,
    day: dt.date | None = None,
    temperature: float | None = None,
    later: Mapping[dt.date, float] | None = None,
    seen: Sequence[tuple[float, float]] = (),
    *,
    out: Path | None = None,
) -> SeasonAnswer:
    """Forecast hatch and swim-up of eggs fertilised on a day.

    Parameters
    ----------
    programme : Programme
    day : date, optional
        Day of fertilisation; default the setting ``spawning_day``.
    temperature : float, optional
        Water temperature from that day on, C; default the setting ``incubation_temperature``.
    later : mapping of date to float, optional
        Temperatures from later days on.
    seen : sequence of (float, float)
        Own observations: temperature in C and hours to hatch. With two or more temperatures both models are
        fitted to them instead of the published table.
    out : Path, optional
        Folder that may hold an earlier version.

    Returns
    -------
    SeasonAnswer

    Raises
    ------
    UsageError
        If a later temperature stands before the day, or the observations have fewer than two temperatures.
    ValueRangeError
        If a temperature or time is impossible.
    """
    settings = programme.settings
    start = day or settings.day("spawning_day")
    warm = float(settings["incubation_temperature"]) if temperature is None else temperature
    course = _course(start, warm, later or {})
    models = _models(seen)
    base = models["base temperature"][1].b
    swim = tuple(float(settings[f"swim_up_degree_days_{end}"]) for end in ("low", "middle", "high"))
    points = [p for name, three in models.items() for p in _points(name, three, course, base, swim)]
    provenance = provenance_of(
        programme,
        "hatch forecast",
        seed_of(programme),
        SETTINGS,
        {
            "fertilised": start.isoformat(),
            "temperature": f"{warm:g}",
            "later": ", ".join(f"{d.isoformat()} {t:g}" for d, t in sorted((later or {}).items())) or "none",
            "own observations": ", ".join(f"{t:g} C {h:g} h" for t, h in seen) or "none",
        },
        version_in(out, NAME),
    )
    lines = tuple((name, *(_date_words(start, x) for x in days)) for name, *days in points)
    middle = models["base temperature"][1]
    return SeasonAnswer(
        NAME,
        "Hatch and swim-up forecast",
        f"{settings['programme_name']}: eggs fertilised on {start:%d %b %Y}",
        (
            ("Water", f"{warm:g} C" + (f", {len(later)} changes" if later else "")),
            ("Base temperature", f"{base:.1f} C"),
            (
                "Degree-days a day",
                f"{degree_days([warm], base):.1f} above the base, {degree_days([warm]):.1f} above 0 C",
            ),
        ),
        (
            AnswerTable(
                "Dates",
                ("event and model", "first", "middle", "last"),
                lines,
                (1, 2, 3),
                (2.2, 1.3, 1.3, 1.3),
                "Days and hours count from fertilisation.",
                ("seen",),
            ),
        ),
        _warnings(course, middle, points),
        (
            "A model, not a promise: look at the eggs.",
            f"Base temperature: {middle.sentence()}.",
            f"Fitted rate: {models['fitted rate'][1].sentence()}.",
            _range_words(seen),
            "Plain degree-days from 0 C are not the same at all temperatures; they are shown only for comparison.",
            f"Swim-up: {swim[0]:g}, {swim[1]:g}, {swim[2]:g} degree-days above the base after hatch "
            f"({settings.sources.get('swim_up_degree_days_middle', 'setting')}).",
        ),
        {
            "fertilised": start.isoformat(),
            "temperature": warm,
            "base_temperature": base,
            "models": {
                k: {"a": m[1].a, "b": m[1].b, "error": m[1].error, "words": m[1].sentence()}
                for k, m in models.items()
            },
            "events": [
                {"event": name, "days": list(days), "dates": [_date(start, x) for x in days]}
                for name, *days in points
            ],
        },
        provenance,
        start,
    )


def _course(start: dt.date, warm: float, later: Mapping[dt.date, float]) -> FloatArray:
    """Return the temperature of each day from fertilisation on."""
    out = np.full(DAYS, warm)
    for day, t in sorted(later.items()):
        k = (day - start).days
        if not 0 <= k < DAYS:
            raise UsageError(
                f"--then: found {day}. Expected a day within {DAYS} days after fertilisation on {start}."
            )
        out[k:] = t
    return out


def _models(
    seen: Sequence[tuple[float, float]],
) -> dict[str, tuple[DevelopmentModel | None, DevelopmentModel, DevelopmentModel | None]]:
    """Return first, middle and last hatch by model; own observations have a middle and its error only."""
    if not seen:
        return {three[1].kind: three for three in chub_models()}
    t, hours = [x for x, _ in seen], [h for _, h in seen]
    return {m.kind: (None, m, None) for m in (fit_base_temperature(t, hours), fit_rate(t, hours))}


def _points(
    name: str,
    three: tuple[DevelopmentModel | None, DevelopmentModel, DevelopmentModel | None],
    course: FloatArray,
    base: float,
    swim: tuple[float, ...],
) -> list[Point]:
    """Return first, middle and last day of hatch and swim-up."""
    first, middle, last = three
    days = days_until(middle, course)
    if first is not None and last is not None:
        hatch = (days_until(first, course), days, days_until(last, course))
    elif middle.error is not None and days is not None:
        factor = float(np.exp(NORMAL_90 * middle.error))
        hatch = (days / factor, days, days * factor)
    else:
        hatch = (None, days, None)
    swim_up = tuple(
        None if h is None else days_for_degree_days(w, base, course, h)
        for h, w in zip(hatch, swim, strict=True)
    )
    return [(f"hatch, {name}", *hatch), (f"swim-up, {name}", *swim_up)]  # type: ignore[list-item]


def _range_words(seen: Sequence[tuple[float, float]]) -> str:
    if not seen:
        return (
            "First and last: first and last hatch of the published table of a chub (Hamman 1982, Progressive "
            "Fish-Culturist 44:201, from memory), each fitted on its own. Give your own hatch times instead."
        )
    return (
        "First and last: 90 % by the scatter of your own hatch times around the model; not estimable with fewer than "
        "three temperatures."
    )


def _warnings(course: FloatArray, model: DevelopmentModel, points: list[Point]) -> tuple[str, ...]:
    out = []
    reached = [x for _, *days in points for x in days if x is not None]
    until = course[: int(np.ceil(max(reached))) if reached else DAYS]
    outside = until[(until < model.low) | (until > model.high)]
    if outside.size:
        out.append(
            f"Water of {outside.min():g} to {outside.max():g} C lies outside the {model.low:g} to {model.high:g} C the "
            "models were fitted to."
        )
    hatch = [p[2] for p in points if p[0].startswith("hatch")]
    known = [h for h in hatch if h is not None]
    if len(known) < len(hatch):
        out.append(
            f"Not all eggs would hatch within {DAYS} days: the water is at or below the base temperature."
        )
    elif max(known) - min(known) > 1:
        out.append(f"The two models differ by {max(known) - min(known):.1f} days.")
    return tuple(out)


def _date(start: dt.date, days: float | None) -> str | None:
    return None if days is None else (start + dt.timedelta(days=int(days))).isoformat()


def _date_words(start: dt.date, days: float | None) -> str:
    if days is None:
        return "not estimable"
    when: Any = start + dt.timedelta(days=int(days))
    return f"{when:%d %b %Y} ({days:.1f} d, {days * 24:.0f} h)"
