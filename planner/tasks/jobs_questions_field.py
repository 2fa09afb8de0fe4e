"""Questions of the season and of monitoring as long work; see `planner.tasks.jobs_questions`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs_questions import Ask


def _plan_of(ask: Ask) -> Path | None:
    """Return the newest spawning plan when asked for it, None to plan anew."""
    if not ask.get("newest_plan"):
        return None
    path = ask.workplace.plan_folder("spawning") / "spawning_plan.json"
    if not path.exists():
        raise UsageError(
            "newest_plan: found no spawning plan. Expected one; make it first, or leave this out."
        )
    return path


def season(ask: Ask) -> dict[str, Any]:
    """Look ahead: ripe fish by day, pairs to hold, what to prepare."""
    import datetime as dt

    from planner.tasks.season import season_view

    try:
        days = [dt.date.fromisoformat(str(d)) for d in ask.get("days", ())]
    except ValueError as error:
        raise UsageError(f"days: {error}. Expected ISO dates, as 2025-02-14.") from None
    return season_view(ask.programme, days, _plan_of(ask), progress=ask.say).as_dict()


def rehearse(ask: Ask) -> dict[str, Any]:
    """Play the spawning day many times."""
    from planner.tasks.season_rehearsal import rehearsal

    return rehearsal(
        ask.programme, ask.day("day"), ask.get("times"), _plan_of(ask), progress=ask.say
    ).as_dict()


def designs(ask: Ask) -> dict[str, Any]:
    """Set mating designs side by side."""
    from planner.tasks.season_designs import designs as compare

    return compare(ask.programme, ask.day("day"), _plan_of(ask), progress=ask.say).as_dict()


def equalise(ask: Ask) -> dict[str, Any]:
    """Say how many fish of each family to keep at each cull."""
    from planner.tasks.season_equalise import cull_plan

    return cull_plan(
        ask.programme,
        ask.get("season"),
        list(ask.get("keep", ())),
        stage=ask.get("count", "swim_up"),
        survival=list(ask.get("survival", ())),
    ).as_dict()


def production(ask: Ask) -> dict[str, Any]:
    """Work back from fish at release to eggs, families, tanks and tags."""
    from planner.tasks.production import production as work_back

    when = ask.day("date")
    if when is None:
        raise UsageError("date: found nothing. Expected the day of release, as 2026-11-10.")
    return work_back(
        ask.programme,
        ask.get("fish"),
        ask.get("length"),
        when,
        spawned=ask.day("spawned"),
        families=ask.get("families"),
    ).as_dict()


def hatch(ask: Ask) -> dict[str, Any]:
    """Date hatch and swim-up from water temperature."""
    import datetime as dt

    from planner.tasks.season_hatch import hatch_dates

    then = {dt.date.fromisoformat(str(w["day"])): float(w["temperature"]) for w in ask.get("then", ())}
    seen = [(float(s["temperature"]), float(s["hours"])) for s in ask.get("seen", ())]
    return hatch_dates(ask.programme, ask.day("day"), ask.get("temperature"), then, seen).as_dict()


def abundance(ask: Ask) -> dict[str, Any]:
    """Estimate how many fish there are."""
    from planner.tasks.abundance import abundance_report

    return abundance_report(ask.programme, ask.text("where"), ask.get("year")).as_dict()


def survival(ask: Ask) -> dict[str, Any]:
    """Estimate survival after release, and that of fish at the station."""
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.survival_known import joint_survival, station_survival
    from planner.tasks.survival_models import survival_report
    from planner.tasks.survival_models_encounters import encounters_of

    programme = ask.with_scans
    met = encounters_without_ghosts(programme)
    ask.say("Fitting survival and the chance to be met")
    out = survival_report(programme, ask.get("by", "event"), met).as_dict()
    if ask.get("joint"):
        ask.say("Fitting captures and scans together")
        out["joint"] = joint_survival(programme, encounters_of(programme)).as_dict()
    if ask.get("known_fates"):
        out["known_fates"] = station_survival(programme).as_dict()
    return out


def ghosts(ask: Ask) -> dict[str, Any]:
    """List tags that may lie in the water without a living fish."""
    from planner.tasks.ghosts import ghost_report

    return ghost_report(ask.with_scans).as_dict()


def growth(ask: Ask) -> dict[str, Any]:
    """Estimate growth, condition, and weight against length."""
    from planner.tasks.growth import growth_report

    return growth_report(ask.programme).as_dict()


def contribution(ask: Ask) -> dict[str, Any]:
    """Say what released groups contribute to adults and larvae."""
    from planner.tasks.contribution import contribution_reports
    from planner.tasks.ghosts import encounters_without_ghosts

    programme = ask.with_scans
    reports = contribution_reports(programme, ask.get("by", "family"), encounters_without_ghosts(programme))
    return {"reports": [r.as_dict() for r in reports]}


def feedback(ask: Ask) -> dict[str, Any]:
    """Set new values from monitoring beside those in use; accept those named, when a person signs."""
    from planner.tasks.feedback import accept, make_feedback
    from planner.tasks.ghosts import encounters_without_ghosts
    from planner.tasks.growth import growth_report
    from planner.tasks.survival_models_curves import programme_curves

    programme = ask.with_scans
    ask.say("Fitting survival, detection and growth")
    met = encounters_without_ghosts(programme)
    growth_of_all = growth_report(programme).groups[0].growth
    found = make_feedback(programme, programme_curves(programme, met), growth_of_all)
    names = tuple(ask.get("accept", ()))
    said = accept(programme, found, names, ask.text("who")) if names else []
    return found.as_dict() | {"accepted": said}


def quota(ask: Ask) -> dict[str, Any]:
    """Set larvae by zone and week against the quota."""
    from planner.tasks.quota import quota_report

    return quota_report(ask.programme, ask.get("year_class")).as_dict()


def drawdown(ask: Ask) -> dict[str, Any]:
    """List what is expected when a water is drawn down, and every version of the count."""
    from planner.tasks.drawdown import drawdown_report

    return drawdown_report(ask.with_scans, ask.text("site"), ask.get("drawdown")).as_dict()


def renovations(ask: Ask) -> dict[str, Any]:
    """List renovations done, planned and due."""
    from planner.tasks.renovations import renovation_report

    return renovation_report(ask.programme).as_dict()


def trial(ask: Ask) -> dict[str, Any]:
    """Simulate this programme and try the estimators."""
    from planner.tasks.trial import ESTIMATORS, trial_report

    only = tuple(ask.get("only", ())) or ESTIMATORS
    return trial_report(ask.programme, ask.get("times", 50), only, ask.say).as_dict()


def power(ask: Ask) -> dict[str, Any]:
    """Say what it takes to see a change."""
    from planner.tasks.power import PowerWishes, power_report

    wishes = PowerWishes(
        ask.get("change", -0.5),
        ask.get("power", 0.8),
        ask.get("alpha", 0.05),
        ask.get("numbers"),
        ask.get("breeders"),
        ask.get("survival"),
        ask.get("met"),
    )
    return power_report(ask.programme, wishes).as_dict()


FIELD_QUESTIONS: dict[str, Callable[[Ask], dict[str, Any]]] = {
    "season": season,
    "rehearse": rehearse,
    "designs": designs,
    "equalise": equalise,
    "production": production,
    "hatch": hatch,
    "abundance": abundance,
    "survival": survival,
    "ghosts": ghosts,
    "growth": growth,
    "contribution": contribution,
    "feedback": feedback,
    "quota": quota,
    "drawdown": drawdown,
    "renovations": renovations,
    "trial": trial,
    "power": power,
}
"""Questions by the name of their command."""
