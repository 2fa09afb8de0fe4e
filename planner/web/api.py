"""The JSON interface: the use cases of the pages for other programs; described at ``/api/openapi.json``."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Path, Query, Request
from fastapi.routing import APIRoute
from pydantic import BaseModel, Field

from planner.tasks.card import card_of
from planner.tasks.founders import founder_board
from planner.tasks.jobs import JOBS
from planner.tasks.kinship_page import kinship_page, pedigree_page
from planner.tasks.permits import tallies
from planner.tasks.plan_pages import plan_shown, settings_shown, versions_of
from planner.tasks.record_pages import add_record, change_record, record_page, table_list, table_page
from planner.tasks.settings import SETTINGS
from planner.tasks.water_pages import water_cards
from planner.web.api_examples import EXAMPLES
from planner.web.desk import needs, session_of, state_of

MOST = 2**31 - 1


class Fault(BaseModel):
    """What went wrong, in words."""

    code: str
    message: str
    findings: list[dict[str, Any]]


class FaultBody(BaseModel):
    """The one body of every error."""

    error: Fault


REFUSED: dict[int | str, dict[str, Any]] = {
    status: {"model": FaultBody, "description": words}
    for status, words in (
        (400, "Wrongly asked."),
        (401, "Not signed in."),
        (403, "Not allowed, or no x-csrf-token."),
        (404, "No such thing."),
        (409, "Not possible as the records stand."),
        (422, "Wrong input."),
        (429, "Too many requests."),
    )
}
router = APIRouter(prefix="/api", responses=REFUSED)

Number = Annotated[int, Path(ge=1, le=MOST, examples=[1])]
Table = Annotated[str, Path(examples=["fish"])]
Fish = Annotated[str, Path(examples=["F-06"])]
Kind = Annotated[Literal["spawning", "release"], Path(examples=["spawning"])]


class Session(BaseModel):
    """Who is asking, and the secret that writes carry in the header ``x-csrf-token``."""

    name: str
    role: str
    token: str


class Status(BaseModel):
    """The records and whether they are read."""

    place: str
    version: str
    warm: bool


class TableEntry(BaseModel):
    """A table."""

    table: str
    sentence: str
    records: int


class TableRows(BaseModel):
    """One page of a table; ``number`` names the record, cells are text."""

    table: str
    total: int
    page: int
    pages: int
    rows: list[dict[str, str | int]]


class Record(BaseModel):
    """One record and its history, newest change first."""

    table: str
    number: int
    name: str
    values: dict[str, str]
    history: list[dict[str, Any]]


class Entry(BaseModel):
    """Cells to enter, and why."""

    model_config = {"json_schema_extra": {"examples": [{"values": {"note": "seen"}, "reason": "checked"}]}}
    values: dict[str, str]
    reason: str = ""


class Said(BaseModel):
    """What was done."""

    words: str


class JobAsked(BaseModel):
    """Long work to start."""

    model_config = {"json_schema_extra": {"examples": [{"name": "read", "options": {}}]}}
    name: str
    options: dict[str, Any] = Field(default_factory=dict)


class JobShown(BaseModel):
    """Long work as it stands."""

    job: int
    name: str
    state: str
    progress: list[str]
    seconds: float
    result: dict[str, Any]


def plain(value: Any) -> Any:
    """Return a value as JSON has it: dates as ISO text, numbers that are none as null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, dt.date):
        return None if str(value) == "NaT" else value.isoformat()
    return str(value)


def _register(request: Request) -> None:
    if not state_of(request).workplace.is_register:
        raise HTTPException(409, "These records are a folder and can only be read. Make a register first.")


@router.get("/session")
def session(request: Request) -> Session:
    """Return who is asking and the secret for writes."""
    s = session_of(request)
    return Session(name=s.name, role=s.role, token=s.token)


@router.get("/status")
def status(request: Request) -> Status:
    """Return the place and version of the records."""
    w = state_of(request).workplace
    return Status(place=str(w.place), version=str(w.version()), warm=w.is_warm())


@router.get("/tables")
def tables(request: Request) -> list[TableEntry]:
    """List the tables."""
    return [TableEntry(table=t, sentence=s, records=n) for t, s, n in table_list(state_of(request).workplace)]


@router.get("/tables/{table}")
def table(
    request: Request,
    table: Table,
    q: str = "",
    sort: str = "",
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> TableRows:
    """Return a page of a table; ``is.COLUMN=VALUE`` filters, ``sort=-COLUMN`` sorts downwards."""
    where = {k.removeprefix("is."): v for k, v in request.query_params.items() if k.startswith("is.")}
    found = table_page(state_of(request).workplace, table, q, where, sort, page)
    names = [c.name for c in found.columns]
    rows: list[dict[str, str | int]] = []
    for n, cells in found.rows:
        rows.append({"number": n} | dict(zip(names, cells, strict=True)))
    return TableRows(table=found.table, total=found.total, page=found.page, pages=found.pages, rows=rows)


@router.get("/records/{table}/{number}")
def record(request: Request, table: Table, number: Number) -> Record:
    """Return one record with its history."""
    _register(request)
    r = record_page(state_of(request).workplace, table, number)
    values = {f.column.name: f.value for f in r.fields}
    return Record(table=r.table, number=r.number, name=r.name, values=values, history=plain(r.history))


@router.post("/records/{table}")
def add(request: Request, table: Table, entry: Entry) -> Said:
    """Add a record."""
    _register(request)
    who = needs(request, "enter").name
    return Said(words=add_record(state_of(request).workplace, table, entry.values, who, entry.reason))


@router.post("/records/{table}/{number}")
def change(request: Request, table: Table, number: Number, entry: Entry) -> Said:
    """Change the cells given of a record."""
    _register(request)
    who = needs(request, "enter").name
    place = state_of(request).workplace
    return Said(words=change_record(place, table, number, entry.values, who, entry.reason))


@router.get("/fish/{fish}")
def card(request: Request, fish: Fish) -> dict[str, Any]:
    """Return all that is known of a fish."""
    return dict(plain(card_of(state_of(request).workplace.place, fish).data))


@router.get("/kinship")
def kinship(request: Request) -> dict[str, Any]:
    """Return mean kinship of the living fish and the closest pairs."""
    return dict(plain(kinship_page(state_of(request).workplace.programme())))


@router.get("/pedigree/{fish}")
def pedigree(request: Request, fish: Fish) -> dict[str, Any]:
    """Return ancestors, offspring and sibs of a fish."""
    return dict(plain(pedigree_page(state_of(request).workplace.programme(), fish)))


@router.get("/founders")
def founders(request: Request) -> dict[str, Any]:
    """Return the founders and what is left of each."""
    board = founder_board(state_of(request).workplace.programme())
    return {"founders": plain(board.table.to_dict("records")), "numbers": plain(board.numbers)}


@router.get("/waters")
def waters(request: Request, day: dt.date | None = None) -> list[dict[str, Any]]:
    """Return every water with its lights for a release on a day."""
    return [plain(c) for c in water_cards(state_of(request).workplace.programme(), day)]


@router.get("/permits")
def permits(request: Request, day: dt.date | None = None) -> list[dict[str, Any]]:
    """Return what each permit allows and what is used."""
    return [plain(t) for t in tallies(state_of(request).workplace.programme(), day)]


@router.get("/plans/{kind}")
def versions(request: Request, kind: Kind) -> list[int]:
    """List the versions of a plan, newest first."""
    return versions_of(state_of(request).workplace.plan_folder(kind))


@router.get("/plans/{kind}/{version}")
def plan(request: Request, kind: Kind, version: Number) -> dict[str, Any]:
    """Return a version of a plan."""
    found = plan_shown(state_of(request).workplace.plan_folder(kind), kind, version)
    if found is None:
        raise HTTPException(404, f"version: found {version}. There is no such {kind} plan.")
    return dict(plain(found))


@router.post("/jobs", status_code=202)
def start(request: Request, asked: JobAsked) -> JobShown:
    """Start long work. Files are imported on the page 'Import', which shows what they would do first."""
    who = needs(request, "enter").name
    names = [n for n in JOBS if n != "import"]
    if asked.name not in names:
        raise HTTPException(422, f"name: found {asked.name!r}. Expected one of {', '.join(names)}.")
    job = state_of(request).workers.submit(asked.name, asked.options | {"who": who}, who)
    return JobShown(**plain(job.as_dict()))


@router.get("/jobs/{number}")
def job(request: Request, number: Number) -> JobShown:
    """Return long work as it stands."""
    found = state_of(request).workers.get(number)
    if found is None:
        raise HTTPException(404, f"job: found {number}. There is no such job.")
    shown = {k: v for k, v in found.as_dict().items() if k != "result"}
    return JobShown(**plain(shown), result=plain({k: v for k, v in found.result.items() if k != "trace"}))


@router.post("/jobs/{number}/stop")
def stop(request: Request, number: Number) -> Said:
    """Stop long work."""
    needs(request, "enter")
    if state_of(request).workers.stop(number) is None:
        raise HTTPException(404, f"job: found {number}. There is no such job.")
    return Said(words=f"Job {number} was asked to stop.")


@router.get("/settings")
def settings(request: Request) -> list[dict[str, Any]]:
    """Return every setting with its meaning and source."""
    return [plain(s) for s in settings_shown(state_of(request).workplace.programme(), list(SETTINGS))]


for _route in router.routes:
    if isinstance(_route, APIRoute):
        _content = {"application/json": {"example": EXAMPLES[_route.name]}}
        _route.openapi_extra = {"responses": {str(_route.status_code or 200): {"content": _content}}}
