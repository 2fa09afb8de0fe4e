"""Records: tables, one record with its history, entry, find, changes, findings, import, decisions, settings."""

from __future__ import annotations

import secrets
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Query, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from broodstock.errors import KinshoalError
from planner.tasks.error_words import error_body
from planner.tasks.jobs_records import findings_page, last_findings
from planner.tasks.own_pages import check_own_page
from planner.tasks.record_pages import (
    Field,
    Meanwhile,
    add_record,
    change_record,
    changes_page,
    columns_of,
    decide_on,
    fields_of,
    found_records,
    meanwhile,
    record_page,
    table_list,
    table_page,
)
from planner.tasks.verbs import Entered
from planner.web.desk import fields_given, needs, needs_register, state_of
from planner.web.render import page
from planner.web.second import NotSecondError, second_person

router = APIRouter(include_in_schema=False)

UPLOADS = (".csv", ".gz", ".xlsx")


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
    needs_register(request)
    needs(request, "enter")
    fields = fields_of(columns_of(state_of(request).workplace, table))
    check_own_page(table)
    return _new_page(request, table, fields)


def _new_page(
    request: Request,
    table: str,
    fields: list[Field],
    status: int = 200,
    reason: str = "",
    wrong: dict[str, Any] | None = None,
) -> Response:
    return page(
        request,
        "record_form.html",
        status,
        title=f"New: {table}",
        table=table,
        fields=fields,
        number=None,
        entry=0,
        reason=reason,
        wrong=wrong,
        meanwhile=None,
    )


def _entered(request: Request, table: str, done: Entered) -> Response:
    """Show what was entered, or the proposal that waits for a second person."""
    title = "Waits for a second person" if done.proposal else "Entered"
    words = done.words.split(" A second person with role approve")[0] if done.proposal else done.words
    return page(request, "entered.html", title=title, said=words, table=table, proposal=done.proposal)


@router.post("/records/table/{table}/new", response_class=HTMLResponse)
async def add(request: Request, table: str) -> Response:
    """Add a record."""
    needs_register(request)
    session = needs(request, "enter")
    given, values, reason, _ = await _given(request)
    workplace = state_of(request).workplace
    try:
        beyond = "beyond" in given
        done = add_record(workplace, table, values, session.name, reason, beyond_permit=beyond)
    except KinshoalError as error:
        fields = fields_of(columns_of(workplace, table), values)
        return _new_page(request, table, fields, 422, reason, error_body(error))
    return _entered(request, table, done)


@router.get("/records/table/{table}/{number}", response_class=HTMLResponse)
def record(request: Request, table: str, number: int) -> Response:
    """Show one record and its history."""
    needs_register(request)
    return page(
        request,
        "record.html",
        title=f"{table} #{number}",
        r=record_page(state_of(request).workplace, table, number),
    )


@router.get("/records/table/{table}/{number}/history", response_class=HTMLResponse)
def history(request: Request, table: str, number: int) -> Response:
    """Show the history of a record in its row."""
    needs_register(request)
    return page(request, "record_history.html", r=record_page(state_of(request).workplace, table, number))


@router.get("/records/table/{table}/{number}/change", response_class=HTMLResponse)
def change_form(request: Request, table: str, number: int) -> Response:
    """Show the form of a record."""
    needs_register(request)
    needs(request, "enter")
    r = record_page(state_of(request).workplace, table, number)
    check_own_page(table)
    return _change_page(request, table, number, r.fields, r.entry)


def _change_page(
    request: Request,
    table: str,
    number: int,
    fields: list[Field],
    entry: int,
    status: int = 200,
    reason: str = "",
    wrong: dict[str, Any] | None = None,
    meanwhile: Meanwhile | None = None,
) -> Response:
    return page(
        request,
        "record_form.html",
        status,
        title=f"Change {table} #{number}",
        table=table,
        fields=fields,
        number=number,
        entry=entry,
        reason=reason,
        wrong=wrong,
        meanwhile=meanwhile,
    )


@router.post("/records/table/{table}/{number}/change", response_class=HTMLResponse)
async def change(request: Request, table: str, number: int) -> Response:
    """Change a record; what someone else changed meanwhile is shown beside what was typed, and nothing is lost."""
    needs_register(request)
    session = needs(request, "enter")
    given, values, reason, entry = await _given(request)
    workplace = state_of(request).workplace
    fields = fields_of(columns_of(workplace, table), values)
    try:
        found = meanwhile(workplace, table, number, entry, values) if entry else None
        if found is not None:
            return _change_page(
                request, table, number, found.fields, found.entry, 409, reason, meanwhile=found
            )
        done = change_record(
            workplace,
            table,
            number,
            values,
            session.name,
            reason,
            entry=entry,
            euthanasia="euthanasia" in given,
            beyond_permit="beyond" in given,
        )
    except KinshoalError as error:
        return _change_page(request, table, number, fields, entry, 422, reason, error_body(error))
    return _entered(request, table, done)


async def _given(request: Request) -> tuple[dict[str, str], dict[str, str], str, int]:
    """Return the fields of a form, the values of the record among them, the reason, and the version looked at."""
    fields = dict(await fields_given(request))
    values = {k.removeprefix("v."): v for k, v in fields.items() if k.startswith("v.")}
    entry = fields.get("entry", "")
    return (
        fields,
        values,
        fields.get("reason", ""),
        int(entry) if entry.isdecimal() and len(entry) < 16 else 0,
    )


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
    needs_register(request)
    return page(request, "changes.html", title="Changes", rows=changes_page(state_of(request).workplace))


@router.post("/records/changes/verify")
def verify(request: Request) -> Response:
    """Start the check of the whole chain."""
    needs_register(request)
    job = state_of(request).workers.submit("verify", {}, needs(request, "view").name)
    return RedirectResponse(f"/records/job/{job.number}?what=verify", 303)


@router.get("/records/import", response_class=HTMLResponse)
def import_form(request: Request) -> Response:
    """Ask for a file."""
    needs_register(request)
    from planner.web.app import MOST_BYTES

    # The form around the file needs a little of what a request may hold.
    return page(request, "import.html", title="Import", most_mb=MOST_BYTES // 2**20 - 1)


@router.post("/records/import")
def upload(
    request: Request,
    file: UploadFile,
    table: Annotated[str, Form()] = "",
    units: Annotated[str, Form()] = "",
    length_type: Annotated[str, Form()] = "",
) -> Response:
    """Keep the file and start a dry run."""
    needs_register(request)
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


def _signing(request: Request) -> dict[str, Any]:
    """Return what the form of a second person needs."""
    return {"here_only": not state_of(request).open_to_network, "wrong": "", "reason": "", "name": ""}


@router.post("/records/import/write", response_class=HTMLResponse)
def write(
    request: Request,
    job: Annotated[int, Form()],
    reason: Annotated[str, Form()] = "",
    name: Annotated[str, Form()] = "",
    password: Annotated[str, Form()] = "",
) -> Response:
    """Write what a dry run showed; releases and culls are signed by a second person too."""
    needs_register(request)
    session = needs(request, "enter")
    dry = state_of(request).workers.get(job)
    if dry is None or dry.name != "import" or dry.state != "done":
        raise HTTPException(404, "There is no such dry run any more. Choose the file again.")
    second = ""
    if dry.result["needs_second"]:
        try:
            second = second_person(request, name, password)
        except NotSecondError as error:
            values = _signing(request) | {"wrong": str(error), "reason": reason, "name": name}
            return page(request, "import_again.html", 422, title="Import", j=dry, d=dry.result, **values)
    options = dry.options | {"write": True, "who": session.name, "reason": reason, "confirmed_by": second}
    started = state_of(request).workers.submit("import", options, session.name)
    return RedirectResponse(f"/records/job/{started.number}?what=import", 303)


@router.get("/records/findings", response_class=HTMLResponse)
def findings(
    request: Request, is_: Annotated[str, Query(alias="is")] = "", code: str = "", number: int = 1
) -> Response:
    """Show what the checks found in the records as they are now; run them only when that is not known yet."""
    state = state_of(request)
    kept = last_findings(state.workplace)
    if kept is not None:
        f = findings_page(kept, is_, code, number)
        return page(request, "findings.html", title="Findings", made_at=kept["made_at"], f=f)
    running = next((j for j in state.workers.all_jobs() if j.name == "findings" and not j.is_over), None)
    job = running or state.workers.submit("findings", {}, needs(request, "view").name)
    return page(request, "records_job.html", title="Findings", number=job.number, what="findings")


@router.post("/records/findings/check")
def check_again(request: Request) -> Response:
    """Run every check again."""
    job = state_of(request).workers.submit("findings", {}, needs(request, "view").name)
    return RedirectResponse(f"/records/job/{job.number}?what=findings", 303)


DECISIONS = {"accept": "accept", "reviewed": "reviewed", "reopen": "reopen"}


@router.post("/records/findings/decide")
def decide_finding(
    request: Request,
    mark: Annotated[str, Form()],
    decision: Annotated[str, Form()],
    reason: Annotated[str, Form()] = "",
) -> Response:
    """Accept a finding, say that someone has looked, or open it again."""
    needs_register(request)
    session = needs(request, "enter")
    if decision not in DECISIONS:
        raise HTTPException(422, f"decision: found {decision!r}. Expected one of {', '.join(DECISIONS)}.")
    options = {DECISIONS[decision]: [mark], "who": session.name, "reason": reason}
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
    if what == "findings":
        return page(request, "findings_done.html", f=findings_page(job.result))
    return page(request, f"{what}_done.html", j=job, d=job.result, **_signing(request))


@router.get("/decisions", response_class=HTMLResponse)
def decisions(request: Request) -> Response:
    """List the decisions, and offer a form."""
    needs_register(request)
    found = table_page(state_of(request).workplace, "decisions", sort="-decided_on")
    return page(request, "decisions.html", title="Decisions", t=found)


@router.post("/decisions")
async def decide(request: Request) -> Response:
    """Enter a decision."""
    needs_register(request)
    session = needs(request, "enter")
    _, values, _, _ = await _given(request)
    decide_on(state_of(request).workplace, values, session.name)
    return RedirectResponse("/decisions", 303)


@router.get("/settings", response_class=HTMLResponse)
def settings(request: Request) -> Response:
    """Show every setting with its meaning and source."""
    from planner.tasks.plan_pages import settings_shown
    from planner.tasks.settings import SETTINGS

    shown: list[Any] = settings_shown(state_of(request).workplace.programme(), list(SETTINGS))
    return page(request, "settings.html", title="Settings", settings=shown)
