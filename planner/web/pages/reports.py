"""Reports that take a while: lots, season, permits, monitoring, audit, projection, trends; the fish card; the sheets."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from planner.tasks.card import card_of
from planner.tasks.plan_pages import versions_of
from planner.web.desk import fields_given, safe_file, state_of
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
        (("where", "Water", ""), ("by", "Groups of released fish", "event, site, length, season, year")),
        at_once=False,
    ),
    ReportPage(
        "/audit",
        "audit",
        "Audit",
        "Is diversity being kept in a year class, with what uncertainty, and where was it lost?",
        (("year_class", "Year class", "2024"),),
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
            ("strategies", "Strategies", "random, least-kinship"),
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


def _add(r: ReportPage) -> None:
    def show(request: Request, job: int | None = None) -> Response:
        state = state_of(request)
        if job is None:
            last = next(
                (
                    j
                    for j in state.workers.all_jobs()
                    if j.name == "report" and j.options.get("report") == r.name
                ),
                None,
            )
            if last is not None and not last.is_over:
                job = last.number
            elif r.at_once:
                job = state.workers.submit("report", {"report": r.name}).number
            elif last is not None and last.state == "done":
                job = last.number
        return page(request, "report.html", title=r.title, r=r, job=job)

    async def make(request: Request) -> Response:
        given = dict(await fields_given(request))
        options = {name: given.get(name, "") for name, _, _ in r.fields} | {"report": r.name}
        job = state_of(request).workers.submit("report", options)
        return RedirectResponse(f"{r.path}?job={job.number}", 303)

    router.add_api_route(r.path, show, response_class=HTMLResponse, name=f"report-{r.name}")
    router.add_api_route(r.path, make, methods=["POST"], name=f"make-{r.name}")


for _page in PAGES:
    _add(_page)


@router.get("/reports/done/{number}", response_class=HTMLResponse)
def done(request: Request, number: int) -> Response:
    """Show a report that is ready."""
    job = state_of(request).workers.get(number)
    if job is None or job.name != "report" or job.state != "done":
        raise HTTPException(404, "There is no such report any more.")
    return page(request, "report_done.html", d=job.result)


@router.get("/reports/file/{report}/{name}")
def file(request: Request, report: str, name: str) -> Response:
    """Send one file of a report."""
    if report not in {p.name for p in PAGES}:
        raise HTTPException(404, "There is no such report.")
    path = safe_file(state_of(request).work / "reports" / report, name)
    inline = path.suffix in (".svg", ".pdf")
    return FileResponse(
        path, filename=path.name, content_disposition_type="inline" if inline else "attachment"
    )


@router.get("/fish/{fish}", response_class=HTMLResponse)
def card(request: Request, fish: str) -> Response:
    """Show the card of a fish, by name or tag."""
    found = card_of(state_of(request).workplace.place, fish)
    return page(request, "card.html", title=found.fish, c=found)


@router.get("/sheets", response_class=HTMLResponse)
def sheets(request: Request) -> Response:
    """List the sheets that can be printed now."""
    state = state_of(request)
    plans = []
    for kind, words in (("spawning", "Spawning sheet"), ("release", "Release manifest")):
        folder = state.workplace.plan_folder(kind)
        for version in versions_of(folder):
            found = sorted(p.name for p in (folder / "versions" / str(version)).glob("*.pdf"))
            plans.append((words, kind, version, version == versions_of(folder)[0], found))
    made = sorted(p.relative_to(state.work / "reports") for p in (state.work / "reports").glob("*/*.pdf"))
    return page(
        request, "sheets.html", title="Sheets", plans=plans, made=[(p.parts[0], p.name) for p in made]
    )
