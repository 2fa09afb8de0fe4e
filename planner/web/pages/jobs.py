"""Long work: progress, stop, list."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, Response

from planner.tasks.jobs import JOBS
from planner.web.desk import needs, own_address, state_of
from planner.web.render import page

router = APIRouter(include_in_schema=False)


@router.get("/jobs", response_class=HTMLResponse)
def jobs(request: Request) -> Response:
    """List the jobs of this server."""
    sentences = {name: j.sentence for name, j in JOBS.items()}
    return page(
        request, "jobs.html", title="Jobs", jobs=state_of(request).workers.all_jobs(), sentences=sentences
    )


@router.get("/jobs/{number}/progress", response_class=HTMLResponse)
def progress(request: Request, number: int, then: str = "/jobs") -> Response:
    """Show a job until it is over; then its result is fetched from an address of ours."""
    job = state_of(request).workers.get(number)
    if job is None:
        raise HTTPException(404, "There is no such job; the server may have been started again.")
    address = own_address(then, "/jobs")
    return page(request, "job_progress.html", job=job, then=address, sentence=JOBS[job.name].sentence)


@router.post("/jobs/{number}/stop")
def stop(request: Request, number: int) -> Response:
    """Stop a job."""
    needs(request, "view")
    if state_of(request).workers.stop(number) is None:
        raise HTTPException(404, "There is no such job.")
    return Response(status_code=204)
