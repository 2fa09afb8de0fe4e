"""Operations on records: look up, enter, correct, withdraw, decide; a folder of plain tables can only be read."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query, Request

from broodstock.fields import TABLES
from planner.tasks import verbs
from planner.tasks.merge_fish import propose_merge
from planner.tasks.plan_file import plain_value
from planner.tasks.proposals import confirm
from planner.tasks.record_pages import (
    add_record,
    change_record,
    decide_on,
    found_records,
    record_page,
    table_list,
    table_page,
)
from planner.tasks.register_state import log_of, queue_of, take_from_queue, undo_change
from planner.tasks.settings import SETTINGS
from planner.web.api.shapes import MOST, ChangeShown, Number, Said, Table
from planner.web.api.shapes_records import (
    ChangeEntry,
    ColumnShown,
    Decided,
    DecisionEntry,
    Entered,
    Entry,
    Hit,
    MergeAsked,
    ProposalShown,
    QueueShown,
    Reason,
    Record,
    RecordList,
    SettingEntry,
    TableColumns,
    TableEntry,
    TableRows,
    Taken,
)
from planner.web.desk import needs, state_of

router = APIRouter()

Key = Annotated[
    str, Path(description="Key of the record, parts with / between, or #NUMBER.", examples=["F-06"])
]
Name = Annotated[str, Path(description="Name of it.", examples=["1"])]


def needs_register(request: Request) -> str:
    """Return the place of the register.

    Raises
    ------
    HTTPException
        409 when the records are a folder.
    """
    workplace = state_of(request).workplace
    if not workplace.is_register:
        raise HTTPException(409, "These records are a folder and can only be read. Make a register first.")
    return str(workplace.place)


def writer_name(request: Request, role: str = "enter") -> tuple[str, str]:
    """Return the place of the register and the name that signs, when the person has the role."""
    place = needs_register(request)
    return place, needs(request, role).name


def _entered(done: verbs.Entered) -> Entered:
    return Entered(
        words=done.words,
        change=done.change_id or None,
        record=done.record_id or None,
        proposal=done.proposal or None,
    )


def _filters(request: Request) -> dict[str, str]:
    return {k.removeprefix("is."): v for k, v in request.query_params.items() if k.startswith("is.")}


@router.get("/tables")
def tables(request: Request) -> list[TableEntry]:
    """List the tables."""
    return [TableEntry(table=t, sentence=s, records=n) for t, s, n in table_list(state_of(request).workplace)]


@router.get("/tables/{table}")
def table(
    request: Request,
    table: Table,
    q: Annotated[str, Query(description="Text to find in any cell.")] = "",
    sort: Annotated[
        str, Query(description="Column; with - before it downwards.", examples=["-fish_id"])
    ] = "",
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> TableRows:
    """Return a page of a table as text; ``is.COLUMN=VALUE`` filters."""
    found = table_page(state_of(request).workplace, table, q, _filters(request), sort, page)
    names = [c.name for c in found.columns]
    rows: list[dict[str, str | int]] = []
    for n, cells in found.rows:
        rows.append({"number": n} | dict(zip(names, cells, strict=True)))
    return TableRows(table=found.table, total=found.total, page=found.page, pages=found.pages, rows=rows)


@router.get("/tables/{table}/columns", response_model=TableColumns)
def columns(request: Request, table: Table) -> Any:
    """Explain the columns of a table: kind, unit, range, words, meaning."""
    if table not in TABLES:
        raise HTTPException(404, f"table: found {table!r}. Expected one of {', '.join(TABLES)}.")
    spec = TABLES[table]
    shown = [ColumnShown.model_validate(plain_value(c)) for c in spec.columns]
    return TableColumns(table=spec.name, sentence=spec.sentence, key=list(spec.key), columns=shown)


@router.get("/find", response_model=list[Hit])
def find(request: Request, q: Annotated[str, Query(min_length=1, examples=["fungus"])]) -> Any:
    """Find a text in the names, tags and notes of every table."""
    head, rows = found_records(state_of(request).workplace, q)
    return [dict(zip(head, r, strict=True)) for r in rows]


@router.get("/records/{table}")
def records(
    request: Request,
    table: Table,
    sort: Annotated[str, Query(description="Columns with commas; - before one for falling order.")] = "",
    columns: Annotated[str, Query(description="Columns with commas; default all.")] = "",
    limit: Annotated[int, Query(ge=1, le=100_000)] = 50,
    known_on: Annotated[str, Query(description="As known on a day, at a time (UTC), after a change.")] = "",
) -> RecordList:
    """List records of a register with their values, now or as known then; ``is.COLUMN=VALUE`` filters."""
    place = needs_register(request)
    with verbs.open_register(place, read_only=True) as register:
        found, total = verbs.list_records(
            register,
            table,
            _filters(request),
            columns=[c.strip() for c in columns.split(",") if c.strip()],
            sort=[s.strip() for s in sort.split(",") if s.strip()],
            limit=limit,
            known_on=known_on,
        )
    return RecordList(table=table, total=total, records=plain_value(found))


def _record(request: Request, table: str, number: int) -> Record:
    r = record_page(state_of(request).workplace, table, number)
    values = {f.column.name: f.value for f in r.fields}
    return Record.model_validate(
        {
            "table": r.table,
            "number": r.number,
            "name": r.name,
            "entry": r.entry,
            "values": values,
            "history": plain_value(r.history),
        }
    )


@router.get("/records/{table}/{number}")
def record(request: Request, table: Table, number: Number) -> Record:
    """Return one record with its history."""
    needs_register(request)
    return _record(request, table, number)


@router.get("/records/{table}/named/{key:path}")
def record_named(request: Request, table: Table, key: Key) -> Record:
    """Return one record by its key, with its history."""
    with verbs.open_register(needs_register(request), read_only=True) as register:
        number = int(verbs.record_of(register, table, key)["record_id"])
    return _record(request, table, number)


@router.post("/records/{table}")
def add(request: Request, table: Table, entry: Entry) -> Entered:
    """Add a record; a release or a cull becomes a proposal, a permit without room is a hard stop."""
    _, who = writer_name(request)
    return _entered(
        add_record(
            state_of(request).workplace,
            table,
            entry.values,
            who,
            entry.reason,
            entry.true_on,
            beyond_permit=entry.beyond_permit,
        )
    )


@router.post("/records/{table}/{number}")
def change(request: Request, table: Table, number: Number, entry: ChangeEntry) -> Entered:
    """Change the cells given of a record; the old version stays in the history."""
    _, who = writer_name(request)
    return _entered(
        change_record(
            state_of(request).workplace,
            table,
            number,
            entry.values,
            who,
            entry.reason,
            entry.true_on,
            entry=entry.entry,
            euthanasia=entry.euthanasia,
            beyond_permit=entry.beyond_permit,
        )
    )


@router.post("/records/{table}/{number}/withdraw")
def withdraw(request: Request, table: Table, number: Number, why: Reason) -> Entered:
    """Withdraw a record: it no longer counts, and its history stays."""
    place, who = writer_name(request)
    with verbs.open_register(place) as register:
        return _entered(verbs.withdraw(register, table, f"#{number}", who, why.reason))


@router.get("/changes", response_model=list[ChangeShown])
def changes(request: Request, last: Annotated[int, Query(ge=1, le=10_000)] = 20) -> Any:
    """List the last changes of the register, newest first."""
    return plain_value(log_of(needs_register(request), last)[1]["changes"])


@router.post("/changes/{number}/undo")
def undo(request: Request, number: Number, why: Reason) -> Said:
    """Undo a change by a counter-entry; needs the role approve."""
    place, who = writer_name(request, "approve")
    return Said(words=undo_change(place, number, who, why.reason)[0])


@router.get("/proposals", response_model=list[ProposalShown])
def proposals(request: Request, state: str = "open") -> Any:
    """List what waits for a second person; an empty state lists all."""
    with verbs.open_register(needs_register(request), read_only=True) as register:
        found = register.rows("proposals", {"state": state} if state else {}, limit=MOST)
        names = register.schema.spec("proposals").names
    return plain_value([{n: r[n] for n in names if n != "content"} for r in found])


@router.post("/proposals/{proposal}")
def decide(request: Request, proposal: Name, decided: Decided) -> Entered:
    """Confirm a proposal as the second person, refuse it, or take back one's own."""
    place, who = writer_name(request, "enter" if decided.take_back else "approve")
    with verbs.open_register(place) as register:
        return _entered(
            confirm(
                register,
                proposal,
                who,
                refuse=decided.refuse,
                take_back=decided.take_back,
                answer=decided.answer,
            )
        )


@router.post("/merge-fish")
def merge(request: Request, asked: MergeAsked) -> Entered:
    """Propose that two names are one fish; a second person confirms."""
    place, who = writer_name(request)
    with verbs.open_register(place) as register:
        return _entered(propose_merge(register, asked.keep, asked.gone, who, asked.reason))


@router.get("/queue", response_model=list[QueueShown])
def queue(request: Request) -> Any:
    """List the differences between two sources that a person decides."""
    return plain_value(queue_of(needs_register(request)))


@router.post("/queue/{item}")
def take(request: Request, item: Name, taken: Taken) -> Said:
    """Decide one difference."""
    place, who = writer_name(request)
    fields = [f"{k}={v}" for k, v in taken.values.items()]
    return Said(words=take_from_queue(place, item, taken.keep, fields, who, taken.reason))


@router.post("/decisions")
def decision(request: Request, entry: DecisionEntry) -> Said:
    """Enter a decision in the log; the table decisions lists them."""
    _, who = writer_name(request)
    return Said(words=decide_on(state_of(request).workplace, entry.model_dump(), who))


@router.post("/settings/{name}")
def set_setting(
    request: Request,
    name: Annotated[str, Path(description="Name of a setting.", examples=["pair_kinship_limit"])],
    entry: SettingEntry,
) -> Entered:
    """Put a setting into the records; plans made from now on use it."""
    place, who = writer_name(request)
    if name not in SETTINGS:
        raise HTTPException(404, f"setting: found {name!r}. See /api/settings for the names.")
    state_of(request).workplace.programme({name: entry.value})  # says what is wrong with the value
    values = {"value": entry.value} | ({"source": entry.source} if entry.source else {})
    with verbs.open_register(place) as register:
        if register.get("settings", name) is None:
            done = verbs.add(register, "settings", {"name": name} | values, who, entry.reason)
        else:
            done = verbs.change(register, "settings", name, values, who, entry.reason)
    return _entered(done)
