"""Sheets: print one, open it, and key in the paper when it comes back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from broodstock.errors import KinshoalError
from planner.tasks.plan_pages import versions_of
from planner.tasks.sheets.entry_page import PaperPage, paper_page, typed_of_fields
from planner.tasks.sheets.kinds import kind_of
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.plan_forms import SPAWNING, find_sheet
from planner.tasks.sheets.shelf import SHEETS, all_kept, keyed_in, plans_of, shelves
from planner.web.desk import fields_given, needs, safe_file, state_of
from planner.web.render import page

router = APIRouter(include_in_schema=False)

SHOWN_HERE = (".pdf", ".svg")
"""Files that the browser shows itself."""


@router.get("/sheets", response_class=HTMLResponse)
def sheets(request: Request, job: int | None = None) -> Response:
    """List what can be printed, what was printed, and what was keyed in."""
    return page(request, "sheets.html", title="Sheets", job=job, again=False, **_shown(request))


def _shown(request: Request) -> dict[str, Any]:
    """Return what was printed and what was keyed in."""
    state = state_of(request)
    kept = all_kept(state.workplace)
    keyed: dict[str, str] = {}
    if state.workplace.is_register and any(s.forms for s in kept):
        from planner.tasks.verbs import open_register

        with open_register(state.workplace.place, read_only=True) as register:
            keyed = keyed_in(register, kept)
    folder = state.workplace.plan_folder("release")
    versions = versions_of(folder)
    plans = [
        (v, v == versions[0], sorted(p.name for p in (folder / "versions" / str(v)).glob("*.pdf")))
        for v in versions
    ]
    reports = state.work / "reports"
    below = sorted(p.relative_to(reports).parts for p in reports.glob("**/*.pdf"))
    made = [(parts[0], "/".join(parts[1:]), parts[-1]) for parts in below if len(parts) > 1]
    return {"kept": kept, "keyed": keyed, "plans": plans, "made": made}


@router.get("/sheets/kinds", response_class=HTMLResponse)
def kinds(request: Request) -> Response:
    """Offer every kind of sheet with a small form."""
    workplace = state_of(request).workplace
    return page(request, "sheets_kinds.html", shelves=shelves(workplace.programme(), plans_of(workplace)))


@router.post("/sheets/print/{name}")
async def print_one(request: Request, name: str) -> Response:
    """Start to print a sheet."""
    session = needs(request, "enter")
    kind = kind_of(name)
    given = dict(await fields_given(request))
    values = {a.name: given.get(a.name, "") for a in kind.asks}
    job = state_of(request).workers.submit("sheet", {"sheet": name, "values": values}, session.name)
    return RedirectResponse(f"/sheets?job={job.number}", 303)


@router.get("/sheets/printed/{number}", response_class=HTMLResponse)
def printed(request: Request, number: int) -> Response:
    """Show the sheet that a job printed."""
    job = state_of(request).workers.get(number)
    if job is None or job.name != "sheet" or job.state != "done":
        raise HTTPException(404, "There is no such sheet any more.")
    sheet = _sheet(request, **_named(job.result))
    return page(request, "sheets_printed.html", sheet=sheet, again=True, **_shown(request))


def _named(result: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": str(result["sheet"]),
        "subject": str(result["subject"]),
        "version": int(result["version"]),
    }


@router.get("/sheets/open/{name}/{subject}/{version}", response_class=HTMLResponse)
def open_one(request: Request, name: str, subject: str, version: int) -> Response:
    """Open the PDF of a sheet; of a void one say first that it is void."""
    sheet = _sheet(request, name, subject, version)
    pdf = next((p for p in sheet.files if p.suffix == ".pdf"), None)
    if pdf is None:
        raise HTTPException(404, "There is no PDF of this sheet.")
    address = f"/sheets/file/{name}/{subject}/{version}/{pdf.name}"
    if not sheet.is_void:
        return RedirectResponse(address, 303)
    newest = f"/sheets/open/{name}/{subject}/{sheet.newest}"
    title = f"{sheet.title}, version {version}"
    return page(request, "sheet_void.html", title=title, now=sheet.newest, address=address, newest=newest)


@router.get("/sheets/plan/release/{version}/{name}", response_class=HTMLResponse)
def open_plan(request: Request, version: int, name: str) -> Response:
    """Open the PDF of a release plan; of a void version say first that it is void."""
    versions = versions_of(state_of(request).workplace.plan_folder("release"))
    if version not in versions:
        raise HTTPException(404, "There is no such version.")
    address = f"/plans/release/{version}/{name}"
    if version == versions[0]:
        return RedirectResponse(address, 303)
    newest = f"/plans/release/{versions[0]}/{name}"
    title = f"Release manifest, version {version}"
    return page(request, "sheet_void.html", title=title, now=versions[0], address=address, newest=newest)


@router.get("/sheets/file/{name}/{subject}/{version}/{file}")
def file(request: Request, name: str, subject: str, version: int, file: str) -> Response:
    """Send one file of a sheet; PDFs are shown by the browser."""
    sheet = _sheet(request, name, subject, version)
    if not sheet.files or file not in {p.name for p in sheet.files}:
        raise HTTPException(404, "There is no such file.")
    path = safe_file(sheet.files[0].parent, file)
    shown = "inline" if path.suffix in SHOWN_HERE else "attachment"
    return FileResponse(path, filename=f"{subject}-v{version}-{path.name}", content_disposition_type=shown)


@router.get("/sheets/enter/{name}/{subject}/{version}", response_class=HTMLResponse)
def enter_form(request: Request, name: str, subject: str, version: int) -> Response:
    """Show the form of a filled paper."""
    workplace = _register(request)
    needs(request, "enter")
    sheet = _sheet(request, name, subject, version)
    _needs_blanks(sheet)
    return _form(request, paper_page(workplace, sheet))


@router.post("/sheets/enter/{name}/{subject}/{version}", response_class=HTMLResponse)
async def enter_typed(request: Request, name: str, subject: str, version: int) -> Response:
    """Check what was typed, or enter it; whatever is refused stays on the page."""
    session = needs(request, "enter")
    fields = await fields_given(request)
    return await run_in_threadpool(_entered, request, session.name, name, subject, version, fields)


def _entered(
    request: Request, who: str, name: str, subject: str, version: int, fields: Iterable[tuple[str, str]]
) -> Response:
    from planner.tasks.sheets.entry import enter, plan_entry
    from planner.tasks.sheets.entry_report import EntryRefusedError, EntryReport
    from planner.tasks.verbs import open_register

    workplace = _register(request)
    sheet = _sheet(request, name, subject, version)
    _needs_blanks(sheet)
    given = dict(fields)
    do = given.get("do", "check")
    typed, more = typed_of_fields(sheet, given)
    if do.startswith("more."):
        block = do.removeprefix("more.")
        if block.isdigit():
            more = {**more, int(block): more.get(int(block), 0) + 1}
        return _form(request, paper_page(workplace, sheet, typed, more, given=given))
    try:
        with open_register(workplace.place, read_only=do != "enter") as register:
            if do == "enter":
                report = enter(register, sheet, typed, who)
            else:
                report = EntryReport(plan_entry(register, sheet, typed))
    except EntryRefusedError as refused:
        shown = paper_page(workplace, sheet, typed, more, given=given, faults=refused.faults)
        return _form(request, shown, 422)
    except KinshoalError as error:
        return _form(request, paper_page(workplace, sheet, typed, more, given=given, wrong=str(error)), 422)
    if do == "enter" and not report.plan.of("differs"):
        return page(request, "sheet_entered.html", title="Keyed in", s=sheet, r=report)
    shown = paper_page(workplace, sheet, typed, more, given=given, report=report, faults=report.plan.faults)
    return _form(request, shown, 422 if report.plan.faults else 200)


def _form(request: Request, shown: PaperPage, status: int = 200) -> Response:
    return page(
        request, "sheet_enter.html", status, title=f"Key in: {shown.sheet.title}", s=shown.sheet, f=shown
    )


def _register(request: Request) -> Any:
    workplace = state_of(request).workplace
    if not workplace.is_register:
        raise HTTPException(
            409,
            "These records are a folder and can only be read here; nothing can be keyed in. Make a register with 'kinshoal "
            "register new FILE' and 'kinshoal register import FILE FOLDER --write --as NAME', then open that.",
        )
    return workplace


def _needs_blanks(sheet: KeptSheet) -> None:
    if not sheet.forms:
        raise HTTPException(404, "This sheet is only read; it has no blanks to key in.")


def _sheet(request: Request, name: str, subject: str, version: int) -> KeptSheet:
    if not all(re.fullmatch(r"[a-z0-9][a-z0-9_-]*", part) for part in (name, subject)):
        raise HTTPException(404, "There is no such sheet.")
    workplace = state_of(request).workplace
    cells: dict[str, str] = {}
    if name == SPAWNING and workplace.is_register:
        from planner.tasks.sheets.entry_page import cells_of

        cells = cells_of(workplace.place)
    try:
        return find_sheet(
            workplace.work / SHEETS, workplace.plan_folder("spawning"), name, subject, version, cells
        )
    except KinshoalError as error:
        raise HTTPException(404, str(error)) from None
