"""What each desk sees first: the figures of its user, what is due, and what needs a person now."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.tasks.candidates import candidates_on
from planner.tasks.fish_state import withdrawals
from planner.tasks.move_subjects import stock_movers
from planner.tasks.name_lists import few
from planner.tasks.permits import tallies
from planner.tasks.plan_pages import loads_shown, plan_shown
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.water_pages import BAD, DOUBT, GOOD, NONE, water_cards
from planner.tasks.workplace import Workplace

SOON_DAYS = 14
"""Days ahead that count as soon for holds and withdrawal times."""
MONTH = 30
"""Days ahead that count as soon for certificates and permits."""
MOST_NAMED = 12
COUNTED = "Counted from the records of this day."


@dataclass(frozen=True)
class Fact:
    """One figure of a desk.

    Parameters
    ----------
    label, words : str
        What it is, and its value in words.
    how : str
        How it was made.
    estimate : dict, optional
        An estimate as plain values, shown instead of `words`.
    """

    label: str
    words: str
    how: str = COUNTED
    estimate: dict[str, Any] | None = None


@dataclass(frozen=True)
class Notice:
    """Something that needs a person, or is well.

    Parameters
    ----------
    state : {'good', 'doubt', 'bad', 'none'}
        How it stands.
    words : str
        In words.
    address : str
        Page that helps; empty if none does.
    """

    state: str
    words: str
    address: str = ""


@dataclass
class DeskNow:
    """What a desk shows first.

    Parameters
    ----------
    facts : list of Fact
        Figures.
    notices : list of Notice
        What needs a person, the worst first.
    lists : list of (str, list of str)
        Longer lists with their titles, opened on demand.
    """

    facts: list[Fact] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    lists: list[tuple[str, list[str]]] = field(default_factory=list)


def facts_of_desk(workplace: Workplace, desk: str) -> DeskNow:
    """Return what a desk shows first.

    Parameters
    ----------
    workplace : Workplace
        Records, plans and reports.
    desk : str
        ``Today``, ``Waters``, ``Diversity`` or ``Records``.

    Raises
    ------
    KeyError
        If there is no such desk.
    """
    now = DESKS[desk](workplace, workplace.programme())
    if desk != "Records":  # there the counts stand in a badge
        now.notices.extend(_waiting(workplace))
    now.notices.append(_doubts(workplace))
    order = {BAD: 0, DOUBT: 1, NONE: 2, GOOD: 3}
    now.notices.sort(key=lambda n: order[n.state])
    return now


def _today(workplace: Workplace, programme: Programme) -> DeskNow:
    day = programme.settings.day("spawning_day")
    judged = candidates_on(programme, day)
    may = [c for c in judged if c.may_cross]
    away = (day - programme.today).days
    when = "today" if away == 0 else f"in {away} days" if away > 0 else f"{-away} days ago"
    ready = [sum(c.sex == s for c in may) for s in ("female", "male")]
    brood = int((programme.tables["fish"]["status"] == "brood").sum())
    facts = [
        Fact("Day of the records", f"{programme.today:%d %b %Y}", "The setting today."),
        Fact("Next spawning day", f"{day:%d %b %Y}, {when}", "The setting spawning_day."),
        Fact(
            "Ripe and free that day",
            f"{ready[0]} females, {ready[1]} males",
            "Broodfish and frozen milt that no rule stands against: ripe by the last look, not on hold, not used up, sex and "
            "species not in doubt. A look is no promise; the season ahead gives chances.",
        ),
        Fact("Living broodfish", str(brood), "Fish with the status brood."),
    ]
    notices = [
        *_plan_notices(workplace, programme, "spawning", "/spawning"),
        *_hold_notices(programme),
        *_due(programme),
        *_permit_notices(
            programme, ("collect-larvae", "collect-adults", "spawn", "tag", "sacrifice", "release")
        ),
    ]
    names = [f"{c.fish_id}, {c.sex}: {c.ripeness or 'not looked at'}" for c in may]
    return DeskNow(facts, notices, [(f"Who is ripe and free on {day:%d %b %Y}", names)] if names else [])


def _waters(workplace: Workplace, programme: Programme) -> DeskNow:
    day = programme.settings.day("release_day")
    stock = programme.stock_here
    cards = water_cards(programme, day)
    here = set(stock["stock_id"])
    waits = withdrawals(programme, [m for m in stock_movers(programme) if m.name in here], day)
    facts = [
        Fact("Release day", f"{day:%d %b %Y}", "The setting release_day."),
        Fact(
            "Fish waiting",
            f"{len(stock)} of {stock['family'].nunique()} families",
            "Tagged fish in the table stock. Which of them may go to which water, the release plan says.",
        ),
        Fact("Counted residents", str(sum(c.residents for c in cards)), "Sum over the last counts and what was released since; no interval was recorded."),
    ]  # fmt: skip
    notices = []
    words = {GOOD: "may receive fish", DOUBT: "a person looks first", BAD: "not on this day"}
    for state, said in words.items():
        names = [c.name for c in cards if c.state == state]
        facts.append(
            Fact(
                f"Waters: {said}",
                str(len(names)),
                "The worst light of each water on the release day; the map says why.",
            )
        )
        if names:
            notices.append(Notice(state, f"{said}: {few(names, MOST_NAMED)}", "/waters/map"))
    if waits:
        notices.append(
            Notice(DOUBT, f"{len(waits)} fish are within a withdrawal time on the release day", "/release")
        )
    notices += _plan_notices(workplace, programme, "release", "/release")
    notices += _load_notices(workplace)
    notices += _permit_notices(programme, ("release", "collect-larvae", "collect-adults"))
    return DeskNow(facts, notices)


def _diversity(workplace: Workplace, programme: Programme) -> DeskNow:
    from planner.tasks.kinship import METHOD, living_kinship

    report = living_kinship(programme)
    typed = {name: g.n_samples for name, g in programme.genotypes.items()}
    facts = [
        Fact("Living fish in care", str(len(report.fish))),
        Fact("Gene diversity, by pedigree", f"{1 - report.group_mean:.4f} of the founders'", f"{METHOD}. No interval is made."),
        Fact("Mean kinship, self pairs in", f"{report.group_mean:.4f}", f"{METHOD}. No interval is made."),
        Fact("Samples typed", ", ".join(f"{n} {name}" for name, n in typed.items()) or "none", "Samples in the call sets."),
    ]  # fmt: skip
    path = workplace.work / "reports" / "audit" / "audit.json"
    if not path.exists():
        return DeskNow(facts, [Notice(DOUBT, "no audit has been made here yet: no diversity with intervals, no trend", "/audit")])  # fmt: skip
    audit = json.loads(path.read_text(encoding="utf-8"))
    facts += _last_diversity(audit)
    year, p = audit["year_class"], audit["provenance"]
    current = p["inputs"] == programme.fingerprint
    to_do = list(audit["to_do"])
    notices = [
        Notice(
            GOOD if current else DOUBT,
            f"audit of year class {year}, for {p['made_on']}: "
            + ("made from the records as they are" if current else "the records have changed since"),
            "/audit",
        ),
        Notice(DOUBT if to_do else GOOD, f"the audit names {len(to_do)} things to do", "/audit"),
        *_trend_notices(audit),
    ]
    lists = [(f"What the audit of year class {year} says to do", to_do)] if to_do else []
    return DeskNow(facts, notices, lists)


def _last_diversity(audit: dict[str, Any]) -> list[Fact]:
    """Return heterozygosity and richness of the youngest year class of each line, with intervals, from an audit."""
    newest: dict[tuple[str, str], dict[str, Any]] = {}
    for name, tables in audit.get("diversity", {}).items():
        for row in tables.get("year class and line", []) if isinstance(tables, dict) else []:
            year, _, line = str(row["group"]).partition(" ")
            if year.isdigit() and year >= newest.get((name, line), {"year": ""})["year"]:
                newest[(name, line)] = row | {"year": year}
    return [
        Fact(f"{words}, {row['group']}, {name}", "", "", row[key])
        for (name, _), row in newest.items()
        for key, words in (("expected_heterozygosity", "He"), ("allelic_richness", "Allelic richness"))
    ]


def _trend_notices(audit: dict[str, Any]) -> list[Notice]:
    """Return the trend of expected heterozygosity of each line, with its interval, from an audit."""
    out = []
    for t in audit.get("trend", {}).get("tests", []):
        if t["statistic"] != "expected_heterozygosity":
            continue
        what = f"{t['line'] or 'all lines'}, {t['call_set']}, {t['years']}"
        if t["not_estimable"]:
            out.append(
                Notice(NONE, f"trend of He, {what}: not estimable because {t['not_estimable']}", "/audit")
            )
            continue
        low, high = t["slope_low"], t["slope_high"]
        state, said = (
            (BAD, "falls") if high < 0 else (GOOD, "rises") if low > 0 else (NONE, "no change shown")
        )
        out.append(Notice(state, f"trend of He, {what}: {said}, {t['slope']:+.5f} a year ({low:+.5f} to {high:+.5f})", "/audit"))  # fmt: skip
    return out


def _records(workplace: Workplace, programme: Programme) -> DeskNow:
    filled = {name: len(table) for name, table in programme.tables.items() if len(table)}
    facts = [
        Fact("Records", f"{sum(filled.values()):,}".replace(",", " "), f"Rows of {len(filled)} tables."),
        Fact("Tables with records", str(len(filled))),
        Fact("Day of the records", f"{programme.today:%d %b %Y}", "The setting today."),
    ]
    if workplace.is_register:
        from planner.tasks.record_pages import changes_page

        last = changes_page(workplace, 1)
        if last:
            facts.append(
                Fact("Last change", f"{last[0][1][:10]}, {last[0][2]}", f"Change {last[0][0]}: {last[0][5]}")
            )
    return DeskNow(facts)


def _plan_notices(workplace: Workplace, programme: Programme, kind: str, address: str) -> list[Notice]:
    plan = plan_shown(workplace.plan_folder(kind), kind)
    if plan is None:
        return [Notice(NONE, f"no {kind} plan has been made here yet", address)]
    p = plan["provenance"]
    setting = f"{kind}_day"
    what = f"{kind} plan version {p['version']}, for {p['settings'][setting]}"
    if p["inputs"] != programme.fingerprint:
        return [Notice(DOUBT, f"{what}: the records have changed since it was made", address)]
    gap = "no proof" if plan["gap"] is None else f"proven gap {plan['gap']:.2%}"
    return [Notice(GOOD, f"{what}: made from the records as they are, {gap}", address)]


def _load_notices(workplace: Workplace) -> list[Notice]:
    release, shown = (
        plan_shown(workplace.plan_folder("release"), "release"),
        loads_shown(workplace.plan_folder("loads")),
    )
    if release is None:
        return []
    now = int(release["provenance"]["version"])
    if shown is None:
        return [Notice(NONE, f"release plan version {now} is not loaded on trucks yet", "/release/loads")]
    if shown.release_version != now:
        return [Notice(BAD, f"the truck loads are for version {shown.release_version} of the release plan, which version {now} voids", "/release/loads")]  # fmt: skip
    return [
        Notice(GOOD, f"truck loads version {shown.version} fit release plan version {now}", "/release/loads")
    ]


def _hold_notices(programme: Programme) -> list[Notice]:
    holds, today = programme.tables["holds"], pd.Timestamp(programme.today)
    live = holds[
        (holds["from_date"] <= today) & (holds["until_date"].isna() | (holds["until_date"] >= today))
    ]
    ends = live[live["until_date"] <= today + pd.Timedelta(days=SOON_DAYS)].sort_values(
        "until_date", kind="stable"
    )
    out = [
        Notice(
            NONE,
            f"{len(live)} holds are open, {int(live['until_date'].isna().sum())} of them without an end",
            "/records/table/holds",
        )
    ]
    if len(ends):
        names = [f"{r.subject} on {r.until_date:%d %b}" for r in rows(ends)]
        out.append(
            Notice(
                DOUBT, f"holds end within {SOON_DAYS} days: {few(names, MOST_NAMED)}", "/records/table/holds"
            )
        )
    return out


def _due(programme: Programme) -> list[Notice]:
    """Return what is due: certificates, withdrawal times, counts of dishes."""
    today = pd.Timestamp(programme.today)
    out = []
    papers = programme.tables["certificates"]
    last = papers.sort_values("valid_until", kind="stable").groupby("unit").tail(1)
    for words, mine in (
        ("are over", last[last["valid_until"] < today]),
        (
            f"end within {MONTH} days",
            last[last["valid_until"].between(today, today + pd.Timedelta(days=MONTH))],
        ),
    ):
        if len(mine):
            names = [f"{r.unit} on {r.valid_until:%d %b}" for r in rows(mine)]
            out.append(
                Notice(
                    DOUBT,
                    f"due: health certificates {words}: {few(names, MOST_NAMED)}",
                    "/records/table/certificates",
                )
            )
    treated = programme.tables["treatments"]
    until = treated[treated["withdrawal_until"].between(today, today + pd.Timedelta(days=SOON_DAYS))]
    if len(until):
        names = [f"{r.subject} on {r.withdrawal_until:%d %b}" for r in rows(until)]
        out.append(
            Notice(
                NONE,
                f"withdrawal times end within {SOON_DAYS} days: {few(names, MOST_NAMED)}",
                "/records/table/treatments",
            )
        )
    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == crosses["season"].max()) & (crosses["made_on"] < today)]
    uncounted = season[season["eggs"].notna() & season["hatched"].isna()]
    if len(uncounted):
        out.append(Notice(DOUBT, f"due: {len(uncounted)} dishes of this season have no count of the hatched: {few(list(uncounted['cross_id']), MOST_NAMED)}", "/records/table/crosses"))  # fmt: skip
    return out


def _permit_notices(programme: Programme, activities: Sequence[str]) -> list[Notice]:
    """Return limits that are nearly used, used up or exceeded, and permits that end soon."""
    out = []
    near = programme.today + dt.timedelta(days=MONTH)
    live = [
        t
        for t in tallies(programme)
        if t.activity in activities and t.valid_from <= programme.today <= t.valid_until
    ]
    for t in live:
        what = f"permit {t.permit}, {t.activity}{' of ' + t.stage if t.stage else ''}"
        if t.state in ("stop", "exceeded"):
            out.append(Notice(BAD, f"{what}: {t.used} of {t.limit} used. Stop and phone: {t.phone or 'the office that issued it'}", "/permits"))  # fmt: skip
        elif t.state == "nearly used":
            out.append(Notice(DOUBT, f"{what}: {t.used} of {t.limit} used, {t.left} left", "/permits"))
        elif t.valid_until <= near:
            out.append(Notice(DOUBT, f"{what}: ends on {t.valid_until:%d %b %Y}", "/permits"))
    if live and not out:
        return [Notice(GOOD, "no permit is near its limit or its end", "/permits")]
    return out


def _waiting(workplace: Workplace) -> list[Notice]:
    from planner.tasks.waiting_pages import waiting_counts

    waits = waiting_counts(workplace)
    out = []
    if waits["proposals"]:
        out.append(Notice(DOUBT, f"{waits['proposals']} proposals wait for a second person", "/proposals"))
    if waits["queue"]:
        out.append(
            Notice(DOUBT, f"{waits['queue']} differences of imports wait for a decision", "/records/queue")
        )
    return out


def _doubts(workplace: Workplace) -> Notice:
    warnings = sum(f.level == "warning" for f in workplace.programme().findings)
    if warnings:
        return Notice(DOUBT, f"{warnings} doubts about the records wait for a person", "/records/findings")
    return Notice(GOOD, "no check has a doubt about the records")


DESKS: dict[str, Callable[[Workplace, Programme], DeskNow]] = {
    "Today": _today,
    "Waters": _waters,
    "Diversity": _diversity,
    "Records": _records,
}
