"""Reports that take a while: lots, season, permits, monitoring, audit, projection, trends; the fish card."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from planner.tasks.card import HOW, card_of
from planner.tasks.jobs_reports import kept, key_of, newest
from planner.tasks.report_choices import CHOICES
from planner.web.desk import State, fields_given, safe_file, state_of
from planner.web.downloads import download
from planner.web.render import page

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class ReportPage:
    """A page that asks a few things and shows a report.

    Parameters
    ----------
    path, name : str
        Address; name of the report.
    title, lead : str
        Heading and what it answers.
    fields : tuple of (str, str, str)
        Name, label and example of each thing asked.
    at_once : bool
        Make the report when the page opens, without being asked.
    """

    path: str
    name: str
    title: str
    lead: str
    fields: tuple[tuple[str, str, str], ...] = ()
    at_once: bool = True


PAGES = (
    ReportPage(
        "/lots",
        "lots",
        "Lots and tanks",
        "Which families are in a lot, tank, pond or water, with intervals, and whether the fish add up.",
        (
            ("lot", "Lot", ""),
            ("unit", "Tank or pond", ""),
            ("site", "Water", ""),
            ("day", "On", "2024-10-20"),
        ),
    ),
    ReportPage(
        "/season",
        "season",
        "Season ahead",
        "Which fish are ripe when, which pairs to hold for which day, and what to prepare.",
        (("days", "Spawning days", "2025-02-07, 2025-02-14"),),
    ),
    ReportPage(
        "/permits",
        "permits",
        "Permits",
        "What each permit allows, what is used, what the plans would add, and when to stop and phone.",
        (("day", "On", "2024-11-12"),),
    ),
    ReportPage(
        "/monitoring",
        "monitoring",
        "Captures and scans",
        "How many fish there are and how many survive, with intervals, models compared and goodness of fit.",
        (("where", "Water", "where most is netted"), ("by", "Groups of released fish", "by event")),
        at_once=False,
    ),
    ReportPage(
        "/audit",
        "audit",
        "Audit",
        "Is diversity being kept in a year class, with what uncertainty, and where was it lost?",
        (("year_class", "Year class", "the latest"),),
        at_once=False,
    ),
    ReportPage(
        "/projection",
        "projection",
        "Projection",
        "Strategies compared over the years: gene diversity, inbreeding, adults and cost, with quantiles. None is recommended.",
        (
            ("years", "Years, 5 to 25", "20"),
            ("replicates", "Replicates of each strategy", "20"),
            ("strategies", "Strategies", ""),
        ),
        at_once=False,
    ),
    ReportPage(
        "/diversity/trends",
        "trends",
        "Trends",
        "Heterozygosity and allelic richness by year class and line, with intervals and sample sizes.",
        at_once=False,
    ),
)


BY_NAME = {p.name: p for p in PAGES}
READ_HERE = ("audit.html", "projection.html")
"""Reports that open in the browser: one file without scripts; all other HTML is saved."""
REPORT_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; font-src data:; img-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-downloads",
}
LARGEST_INLINE = 400_000
"""Bytes of figures drawn into the page itself, with its own type; larger ones are shown as pictures."""


def _running(state: State, name: str, key: str) -> int | None:
    """Return a job that is making a report just now."""
    for job in state.workers.all_jobs():
        if job.name == "report" and job.options.get("report") == name and not job.is_over:
            return job.number if key_of(state.workplace, name, job.options) == key else None
    return None


def _add(r: ReportPage) -> None:
    def show(request: Request, job: int | None = None) -> Response:
        state = state_of(request)
        made: dict[str, Any] | None = None
        if job is None:
            key = key_of(state.workplace, r.name, {})
            made = kept(state.workplace, r.name, key)
            if made is None:
                job = _running(state, r.name, key)
            if made is None and job is None:
                made = None if r.at_once else newest(state.workplace, r.name)
                if r.at_once:
                    job = state.workers.submit("report", {"report": r.name}).number
        asked = (made or {}).get("asked", {})
        if job is not None:
            running = state.workers.get(job)
            asked = running.options if running is not None else {}
        return page(request, "report.html", title=r.title, r=r, job=job, made=made, asked=asked)

    def form(request: Request) -> Response:
        choices = state_of(request).workplace.kept(f"choices of {r.name}", CHOICES[r.name])
        return page(request, "report_form.html", r=r, choices=choices, asked=dict(request.query_params))

    async def make(request: Request) -> Response:
        state = state_of(request)
        given: dict[str, str] = {}
        for field, value in await fields_given(request):
            given[field] = f"{given[field]}, {value}" if field in given and value else value
        options = {name: given.get(name, "").strip() for name, _, _ in r.fields} | {"report": r.name}
        job = _running(state, r.name, key_of(state.workplace, r.name, options))
        if job is None:
            job = state.workers.submit("report", options).number
        return RedirectResponse(f"{r.path}?job={job}", 303)

    router.add_api_route(r.path, show, response_class=HTMLResponse, name=f"report-{r.name}")
    router.add_api_route(r.path, make, methods=["POST"], name=f"make-{r.name}")
    if r.name in CHOICES:
        router.add_api_route(
            f"/reports/form/{r.name}", form, response_class=HTMLResponse, name=f"form-{r.name}"
        )


for _page in PAGES:
    _add(_page)


def _shown(request: Request, made: dict[str, Any]) -> Response:
    """Draw a report with its figures; small ones go into the page, with its own type."""
    state = state_of(request)
    folder = state.work / "reports" / made["report"] / made["key"]
    figures = []
    for d in made["drawn"]:
        path = folder / d["file"]
        svg = ""
        if path.is_file() and path.stat().st_size <= LARGEST_INLINE:
            words = escape(d["words"], quote=True)
            svg = path.read_text(encoding="utf-8").replace(
                "<svg ", f'<svg role="img" aria-label="{words}" ', 1
            )
        figures.append(d | {"svg": svg, "there": path.is_file()})
    late = made["key"] != key_of(state.workplace, made["report"], made["asked"])
    papers = [f for f in made["files"] if f in READ_HERE] + [f for f in made["files"] if f.endswith(".pdf")]
    return page(request, "report_done.html", d=made, figures=figures, late=late, papers=papers)


@router.get("/reports/done/{number}", response_class=HTMLResponse)
def done(request: Request, number: int) -> Response:
    """Show a report that is ready."""
    job = state_of(request).workers.get(number)
    if job is None or job.name != "report" or job.state != "done":
        raise HTTPException(404, "There is no such report any more.")
    return _shown(request, job.result)


@router.get("/reports/shown/{report}/{key}", response_class=HTMLResponse)
def shown(request: Request, report: str, key: str) -> Response:
    """Show a report that was made before."""
    made = kept(state_of(request).workplace, report, key)
    if made is None:
        raise HTTPException(404, "There is no such report any more.")
    return _shown(request, made)


@router.get("/reports/file/{report}/{name:path}")
def file(request: Request, report: str, name: str) -> Response:
    """Send one file of a report."""
    if report not in BY_NAME:
        raise HTTPException(404, "There is no such report.")
    path = safe_file(state_of(request).work / "reports" / report, name)
    if path.name in READ_HERE:
        return FileResponse(
            path, filename=path.name, content_disposition_type="inline", headers=REPORT_HEADERS
        )
    return download(path, path.name)


@router.get("/fish/{fish}", response_class=HTMLResponse)
def card(request: Request, fish: str) -> Response:
    """Show the card of a fish, by name or tag."""
    found = card_of(state_of(request).workplace.place, fish)
    return page(request, "card.html", title=found.fish, c=found, how=HOW)
