"""Records: tables, one record with its history, entry, find, changes, findings, import, decisions, settings."""

from __future__ import annotations

import secrets
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from broodstock.errors import KinshoalError
from planner.tasks.error_words import error_body
from planner.tasks.record_pages import (
    add_record,
    change_record,
    changes_page,
    columns_of,
    decide_on,
    fields_of,
    found_records,
    record_page,
    table_list,
    table_page,
)
from planner.web.desk import fields_given, needs, state_of
from planner.web.render import page

router = APIRouter(include_in_schema=False)

UPLOADS = (".csv", ".gz", ".xlsx")


def _needs_register(request: Request) -> None:
    if not state_of(request).workplace.is_register:
        raise HTTPException(
            409,
            "These records are a folder and can only be read here. Make a register with 'kinshoal register new FILE' and "
            "'kinshoal register import FILE FOLDER --write --as NAME', then open that.",
        )


@router.get("/records/tables", response_class=HTMLResponse)
def tables(request: Request) -> Response:
    """List the tables."""
    return page(request, "tables.html", tables=table_list(state_of(request).workplace))


@router.get("/records/table/{table}", response_class=HTMLResponse)
def table(request: Request, table: str, q: str = "", sort: str = "", number: int = 1) -> Response:
    """Show a page of a table."""
    where = {k.removeprefix("is."): v for k, v in request.query_params.items() if k.startswith("is.")}
    found = table_page(state_of(request).workplace, table, q, where, sort, number)
    name = "table_rows.html" if request.headers.get("hx-target") == "rows" else "table.html"
    title = table.replace("_", " ").capitalize()
    return page(request, name, title=title, t=found, q=q, where=where, sort=sort)


@router.get("/records/table/{table}/new", response_class=HTMLResponse)
def new(request: Request, table: str) -> Response:
    """Show an empty form."""
    _needs_register(request)
    needs(request, "enter")
    fields = fields_of(columns_of(state_of(request).workplace, table))
    return page(
        request,
        "record_form.html",
        title=f"New: {table}",
        table=table,
        fields=fields,
        number=None,
        wrong=None,
    )


@router.post("/records/table/{table}/new", response_class=HTMLResponse)
async def add(request: Request, table: str) -> Response:
    """Add a record."""
    _needs_register(request)
    session = needs(request, "enter")
    values, reason = await _given(request)
    workplace = state_of(request).workplace
    try:
        said = add_record(workplace, table, values, session.name, reason)
    except KinshoalError as error:
        fields = fields_of(columns_of(workplace, table), values)
        return page(
            request,
            "record_form.html",
            422,
            title=f"New: {table}",
            table=table,
            fields=fields,
            number=None,
            wrong=error_body(error),
        )
    return page(request, "entered.html", title="Entered", said=said, table=table)


@router.get("/records/table/{table}/{number}", response_class=HTMLResponse)
def record(request: Request, table: str, number: int) -> Response:
    """Show one record and its history."""
    _needs_register(request)
    return page(
        request,
        "record.html",
        title=f"{table} #{number}",
        r=record_page(state_of(request).workplace, table, number),
    )


@router.get("/records/table/{table}/{number}/history", response_class=HTMLResponse)
def history(request: Request, table: str, number: int) -> Response:
    """Show the history of a record in its row."""
    _needs_register(request)
    return page(request, "record_history.html", r=record_page(state_of(request).workplace, table, number))


@router.get("/records/table/{table}/{number}/change", response_class=HTMLResponse)
def change_form(request: Request, table: str, number: int) -> Response:
    """Show the form of a record."""
    _needs_register(request)
    needs(request, "enter")
    r = record_page(state_of(request).workplace, table, number)
    return page(
        request,
        "record_form.html",
        title=f"Change {r.name}",
        table=table,
        fields=r.fields,
        number=number,
        wrong=None,
    )


@router.post("/records/table/{table}/{number}/change", response_class=HTMLResponse)
async def change(request: Request, table: str, number: int) -> Response:
    """Change a record."""
    _needs_register(request)
    session = needs(request, "enter")
    values, reason = await _given(request)
    workplace = state_of(request).workplace
    try:
        said = change_record(workplace, table, number, values, session.name, reason)
    except KinshoalError as error:
        fields = fields_of(columns_of(workplace, table), values)
        title = f"Change {table} #{number}"
        return page(
            request,
            "record_form.html",
            422,
            title=title,
            table=table,
            fields=fields,
            number=number,
            wrong=error_body(error),
        )
    return page(request, "entered.html", title="Entered", said=said, table=table)


async def _given(request: Request) -> tuple[dict[str, str], str]:
    fields = dict(await fields_given(request))
    values = {k.removeprefix("v."): v for k, v in fields.items() if k.startswith("v.")}
    return values, fields.get("reason", "")


@router.get("/find", response_class=HTMLResponse)
def find(request: Request, q: str = "") -> Response:
    """Find a text anywhere."""
    rows = found_records(state_of(request).workplace, q)[1] if q.strip() else []
    return page(
        request, "find.html", title="Find", q=q, rows=rows, linked=state_of(request).workplace.is_register
    )


@router.get("/records/changes", response_class=HTMLResponse)
def changes(request: Request) -> Response:
    """List the last changes."""
    _needs_register(request)
    return page(request, "changes.html", title="Changes", rows=changes_page(state_of(request).workplace))


@router.post("/records/changes/verify")
def verify(request: Request) -> Response:
    """Start the check of the whole chain."""
    _needs_register(request)
    job = state_of(request).workers.submit("verify", {}, needs(request, "view").name)
    return RedirectResponse(f"/records/job/{job.number}?what=verify", 303)


@router.get("/records/import", response_class=HTMLResponse)
def import_form(request: Request) -> Response:
    """Ask for a file."""
    _needs_register(request)
    return page(request, "import.html", title="Import")


@router.post("/records/import")
def upload(
    request: Request,
    file: UploadFile,
    table: Annotated[str, Form()] = "",
    units: Annotated[str, Form()] = "",
    length_type: Annotated[str, Form()] = "",
) -> Response:
    """Keep the file and start a dry run."""
    _needs_register(request)
    session = needs(request, "enter")
    name = (file.filename or "").replace("\\", "/").rsplit("/", 1)[-1]
    if not name.lower().endswith(UPLOADS) or name.startswith("."):
        raise HTTPException(
            422, f"file: found {name or 'no name'!r}. Expected a file that ends with {', '.join(UPLOADS)}."
        )
    state = state_of(request)
    folder = state.work / "uploads" / secrets.token_hex(8)
    folder.mkdir(parents=True)
    with (folder / name).open("wb") as out:
        while block := file.file.read(1 << 20):
            out.write(block)
    options = {
        "upload": folder.name,
        "file": name,
        "table": table,
        "units": units,
        "length_type": length_type,
    }
    job = state.workers.submit("import", options, session.name)
    return RedirectResponse(f"/records/job/{job.number}?what=import", 303)


@router.post("/records/import/write")
def write(request: Request, job: Annotated[int, Form()], reason: Annotated[str, Form()] = "") -> Response:
    """Write what a dry run showed."""
    _needs_register(request)
    session = needs(request, "enter")
    dry = state_of(request).workers.get(job)
    if dry is None or dry.name != "import" or dry.state != "done":
        raise HTTPException(404, "There is no such dry run any more. Choose the file again.")
    options = dry.options | {"write": True, "who": session.name, "reason": reason}
    started = state_of(request).workers.submit("import", options, session.name)
    return RedirectResponse(f"/records/job/{started.number}?what=import", 303)


@router.get("/records/findings", response_class=HTMLResponse)
def findings(request: Request) -> Response:
    """Start the checks; they are shown when they are done."""
    job = state_of(request).workers.submit("findings", {}, needs(request, "view").name)
    return page(request, "records_job.html", title="Findings", number=job.number, what="findings")


@router.post("/records/findings/accept")
def accept(request: Request, mark: Annotated[str, Form()], reason: Annotated[str, Form()]) -> Response:
    """Accept a finding: it stays accepted."""
    _needs_register(request)
    session = needs(request, "enter")
    options = {"accept": [mark], "who": session.name, "reason": reason}
    job = state_of(request).workers.submit("findings", options, session.name)
    return RedirectResponse(f"/records/job/{job.number}?what=findings", 303)


TITLES = {"import": "Import", "findings": "Findings", "verify": "Check of the chain"}


@router.get("/records/job/{number}", response_class=HTMLResponse)
def job_page(request: Request, number: int, what: str) -> Response:
    """Show a job of the records."""
    if what not in TITLES:
        raise HTTPException(404, "There is no such work.")
    return page(request, "records_job.html", title=TITLES[what], number=number, what=what)


@router.get("/records/done/{number}", response_class=HTMLResponse)
def job_done(request: Request, number: int, what: str) -> Response:
    """Show the result of a job of the records."""
    job = state_of(request).workers.get(number)
    if job is None or what not in TITLES or job.state != "done":
        raise HTTPException(404, "There is no such work any more.")
    return page(request, f"{what}_done.html", j=job, d=job.result)


@router.get("/decisions", response_class=HTMLResponse)
def decisions(request: Request) -> Response:
    """List the decisions, and offer a form."""
    _needs_register(request)
    found = table_page(state_of(request).workplace, "decisions", sort="-decided_on")
    return page(request, "decisions.html", title="Decisions", t=found)


@router.post("/decisions")
async def decide(request: Request) -> Response:
    """Enter a decision."""
    _needs_register(request)
    session = needs(request, "enter")
    values, _ = await _given(request)
    decide_on(state_of(request).workplace, values, session.name)
    return RedirectResponse("/decisions", 303)


@router.get("/settings", response_class=HTMLResponse)
def settings(request: Request) -> Response:
    """Show every setting with its meaning and source."""
    from planner.tasks.plan_pages import settings_shown
    from planner.tasks.settings import SETTINGS

    shown: list[Any] = settings_shown(state_of(request).workplace.programme(), list(SETTINGS))
    return page(request, "settings.html", title="Settings", settings=shown)
