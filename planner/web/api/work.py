"""Operations that take longer: plans, questions, reports, checks, imports. Each starts a job, which is then polled."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Form, HTTPException, Path, Request, Response, UploadFile
from pydantic import BaseModel

from planner.tasks.jobs_reports import REPORTS
from planner.tasks.plan_file import plain_value
from planner.tasks.sheets.kinds import KINDS
from planner.web.api.questions import QUESTIONS, Question
from planner.web.api.records import needs_register, writer_name
from planner.web.api.shapes import JobShown, Number, Said
from planner.web.api.shapes_asked import (
    AcceptAsked,
    LoadsAsked,
    Nothing,
    ReleaseAsked,
    ReplanAsked,
    ReportAsked,
    SheetAsked,
    SpawningAsked,
)
from planner.web.api.shapes_records import Judged, WriteAsked
from planner.web.desk import needs, state_of
from planner.web.worker import RunningJob

router = APIRouter()
UPLOADS = (".csv", ".gz", ".xlsx")
Report = Annotated[str, Path(description=f"One of {', '.join(REPORTS)}.", examples=["trends"])]

Sheet = Annotated[str, Path(description="Name of a kind of sheet.", examples=["ripeness"])]


def shown(job: RunningJob) -> JobShown:
    """Return a job as the interface shows it."""
    values = plain_value({k: v for k, v in job.as_dict().items() if k != "result"})
    result = {k: v for k, v in job.result.items() if k not in ("trace", "exit_code")}
    question = str(job.options.get("question", "")) if job.name == "question" else ""
    return JobShown(**values, question=question, result=plain_value(result))


def started(request: Request, response: Response, name: str, options: dict[str, Any], who: str) -> JobShown:
    """Start a job and say where it is polled."""
    job = state_of(request).workers.submit(name, options | {"who": who}, who)
    response.headers["Location"] = f"/api/jobs/{job.number}"
    return shown(job)


def found_job(request: Request, number: int) -> RunningJob:
    """Return a job.

    Raises
    ------
    HTTPException
        404 when there is none.
    """
    job = state_of(request).workers.get(number)
    if job is None:
        raise HTTPException(404, f"job: found {number}. There is no such job.")
    return job


@router.get("/jobs")
def jobs(request: Request) -> list[JobShown]:
    """List the jobs of this server, newest first, without their results."""
    return [shown(j).model_copy(update={"result": {}}) for j in state_of(request).workers.all_jobs()]


@router.get("/jobs/{number}")
def job(request: Request, number: Number) -> JobShown:
    """Return a job as it stands."""
    return shown(found_job(request, number))


@router.post("/jobs/{number}/stop")
def stop(request: Request, number: Number) -> Said:
    """Ask a job to stop."""
    needs(request, "view")
    found_job(request, number)
    state_of(request).workers.stop(number)
    return Said(words=f"Job {number} was asked to stop.")


@router.post("/plans/spawning", status_code=202)
def plan_spawning(request: Request, response: Response, asked: SpawningAsked) -> JobShown:
    """Plan the crosses of a day; the plan becomes the newest version."""
    who = needs(request, "enter").name
    return started(request, response, "spawn", asked.model_dump(mode="json"), who)


@router.post("/plans/spawning/again", status_code=202)
def plan_spawning_again(request: Request, response: Response, asked: ReplanAsked) -> JobShown:
    """Plan the rest of the day again after something went wrong; the new version voids the older one."""
    who = needs(request, "enter").name
    options = asked.model_dump(mode="json") | {"laid": [[d.female, d.male] for d in asked.laid]}
    return started(request, response, "replan", options, who)


@router.post("/plans/release", status_code=202)
def plan_release(request: Request, response: Response, asked: ReleaseAsked) -> JobShown:
    """Plan which fish go where; with closed waters only their fish get a new place."""
    who = needs(request, "enter").name
    return started(request, response, "release", asked.model_dump(mode="json"), who)


@router.post("/plans/loads", status_code=202)
def plan_loads(request: Request, response: Response, asked: LoadsAsked) -> JobShown:
    """Load the trucks for the last release plan, with the loading sheet."""
    who = needs(request, "enter").name
    return started(request, response, "loads", asked.model_dump(mode="json"), who)


@router.post("/sheets/{sheet}", status_code=202)
def print_sheet(request: Request, response: Response, sheet: Sheet, asked: SheetAsked) -> JobShown:
    """Print a sheet and keep it; the pages hand out its files."""
    who = needs(request, "enter").name
    if sheet not in KINDS:
        raise HTTPException(404, f"sheet: found {sheet!r}. Expected one of {', '.join(KINDS)}.")
    return started(request, response, "sheet", {"sheet": sheet, "values": asked.values}, who)


@router.post("/read", status_code=202)
def read(request: Request, response: Response, asked: Nothing) -> JobShown:
    """Read the records so that later work starts at once."""
    return started(request, response, "read", {}, needs(request, "view").name)


@router.post("/verify", status_code=202)
def verify(request: Request, response: Response, asked: Nothing) -> JobShown:
    """Check the whole chain of changes."""
    needs_register(request)
    return started(request, response, "verify", {}, needs(request, "view").name)


@router.post("/reports/{report}", status_code=202)
def report(request: Request, response: Response, report: Report, asked: ReportAsked) -> JobShown:
    """Make a report with its files, which the pages then hand out."""
    who = needs(request, "view").name
    if report not in REPORTS:
        raise HTTPException(404, f"report: found {report!r}. Expected one of {', '.join(REPORTS)}.")
    return started(request, response, "report", {"report": report} | asked.model_dump(), who)


@router.post("/findings", status_code=202)
def findings(request: Request, response: Response, asked: Nothing) -> JobShown:
    """Run every check; the result lists the findings with their marks and states."""
    return started(request, response, "findings", {}, needs(request, "view").name)


@router.post("/findings/judge", status_code=202)
def judge(request: Request, response: Response, judged: Judged) -> JobShown:
    """Accept findings, or open them again, by their marks; then run every check."""
    _, who = writer_name(request)
    return started(request, response, "findings", judged.model_dump(), who)


@router.post("/feedback", status_code=202)
def accept_feedback(request: Request, response: Response, asked: AcceptAsked) -> JobShown:
    """Accept new values from monitoring; what they replace stays on record. Needs the role approve."""
    _, who = writer_name(request, "approve")
    options = {"question": "feedback", "asked": asked.model_dump(mode="json") | {"who": who}}
    return started(request, response, "question", options, who)


@router.post("/imports", status_code=202)
def import_file(
    request: Request,
    response: Response,
    file: UploadFile,
    table: Annotated[str, Form(description="Table of a file that is not named like one.")] = "",
    maps: Annotated[list[str] | None, Form(description="HEADER=COLUMN.")] = None,
    units: Annotated[list[str] | None, Form(description="COLUMN=UNIT.")] = None,
    words: Annotated[list[str] | None, Form(description="COLUMN:THEIRS=OURS.")] = None,
    fill: Annotated[list[str] | None, Form(description="COLUMN=VALUE of empty cells.")] = None,
    dates: Annotated[Literal["", "day-first", "month-first"], Form()] = "",
    length_type: Annotated[Literal["", "TL", "FL", "SL"], Form()] = "",
    mapping: Annotated[str, Form(description="Saved mapping to use.")] = "",
    save_mapping: Annotated[
        str, Form(description="Name to save this mapping under when it is written.")
    ] = "",
    newer: Annotated[
        bool, Form(description="Records from a file of this name take its newer values.")
    ] = False,
) -> JobShown:
    """Send a CSV file or workbook: a dry run says what it would do. Nothing is written yet."""
    _, who = writer_name(request)
    name = (file.filename or "").replace("\\", "/").rsplit("/", 1)[-1]
    if not name.lower().endswith(UPLOADS) or name.startswith("."):
        raise HTTPException(
            422, f"file: found {name or 'no name'!r}. Expected a file that ends with {', '.join(UPLOADS)}."
        )
    folder = state_of(request).work / "uploads" / secrets.token_hex(8)
    folder.mkdir(parents=True)
    with (folder / name).open("wb") as out:
        while block := file.file.read(1 << 20):
            out.write(block)
    options = {
        "upload": folder.name,
        "file": name,
        "table": table,
        "maps": maps or [],
        "units": units or [],
        "words": words or [],
        "fill": fill or [],
        "dates": dates,
        "length_type": length_type,
        "mapping": mapping,
        "save_as": save_mapping,
        "newer": newer,
    }
    return started(request, response, "import", options, who)


@router.post("/imports/{number}/write", status_code=202)
def import_write(request: Request, response: Response, number: Number, asked: WriteAsked) -> JobShown:
    """Write what the dry run of a job showed."""
    _, who = writer_name(request)
    dry = found_job(request, number)
    if dry.name != "import" or dry.state != "done" or dry.options.get("write"):
        raise HTTPException(409, f"job: found {dry.name}, {dry.state}. Expected a dry run that is done.")
    return started(request, response, "import", dry.options | {"write": True} | asked.model_dump(), who)


def _add(name: str, question: Question) -> None:
    """Add the two operations of a question: ask it, and fetch its typed answer."""

    def ask(request: Request, response: Response, asked: BaseModel) -> JobShown:
        options = {"question": name, "asked": asked.model_dump(mode="json")}
        return started(request, response, "question", options, needs(request, "view").name)

    def answer(request: Request, number: Annotated[int, Number]) -> Any:
        found = found_job(request, number)
        if found.options.get("question") != name:
            raise HTTPException(404, f"job: found {number}, which does not answer {name!r}.")
        if found.state != "done":
            raise HTTPException(409, f"job {number} is {found.state}. Expected one that is done; look at it.")
        return plain_value(found.result)

    def described(function: Callable[..., Any], what: str, words: str) -> Callable[..., Any]:
        function.__name__ = f"{what}_{name.replace('-', '_')}"
        function.__doc__ = words
        return function

    ask.__annotations__["asked"] = question.asked
    answer.__annotations__["number"] = Number
    first = question.sentence
    router.add_api_route(
        f"/questions/{name}",
        described(ask, "ask", f"Ask: {first}"),
        methods=["POST"],
        status_code=202,
        response_model=JobShown,
    )
    router.add_api_route(
        f"/questions/{name}/{{number}}",
        described(answer, "answer", f"Fetch the answer of a job: {first[0].lower()}{first[1:]}"),
        methods=["GET"],
        response_model=question.answer,
    )


for _name, _question in QUESTIONS.items():
    _add(_name, _question)
