"""What waits for a person: proposals that a second one confirms, and differences of imports."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from broodstock.errors import KinshoalError
from planner.tasks.error_words import error_body
from planner.tasks.waiting_pages import (
    decide_proposal,
    decide_queue,
    proposal_shown,
    proposals_shown,
    propose_one_fish,
    queue_shown,
    waiting_counts,
)
from planner.web.desk import needs, needs_register, session_of, state_of
from planner.web.render import page
from planner.web.second import NotSecondError, second_person

router = APIRouter(include_in_schema=False)


@router.get("/records/waiting", response_class=HTMLResponse)
def waiting(request: Request) -> Response:
    """Show how much waits, as part of the records desk."""
    return page(request, "waiting.html", w=waiting_counts(state_of(request).workplace))


@router.get("/proposals", response_class=HTMLResponse)
def proposals(request: Request) -> Response:
    """List the proposals."""
    needs_register(request)
    return _proposals_page(request)


def _proposals_page(request: Request, status: int = 200, wrong: str = "", **given: str) -> Response:
    waits, closed = proposals_shown(state_of(request).workplace)
    typed = {"keep": "", "gone": "", "reason": ""} | given
    return page(
        request,
        "proposals.html",
        status,
        title="Two people",
        waits=waits,
        closed=closed,
        wrong=wrong,
        given=typed,
    )


@router.post("/proposals", response_class=HTMLResponse)
def one_fish(
    request: Request,
    keep: Annotated[str, Form()] = "",
    gone: Annotated[str, Form()] = "",
    reason: Annotated[str, Form()] = "",
) -> Response:
    """Propose that two names are one fish."""
    needs_register(request)
    session = needs(request, "enter")
    try:
        number = propose_one_fish(state_of(request).workplace, keep, gone, session.name, reason)
    except KinshoalError as error:
        wrong = str(error_body(error)["message"]).removeprefix("--")
        return _proposals_page(request, 422, wrong, keep=keep, gone=gone, reason=reason)
    return RedirectResponse(f"/proposals/{number}", 303)


@router.get("/proposals/{number}", response_class=HTMLResponse)
def proposal(request: Request, number: str) -> Response:
    """Show one proposal with both values of every cell."""
    needs_register(request)
    return _proposal_page(request, number)


def _proposal_page(
    request: Request, number: str, status: int = 200, wrong: str = "", answer: str = "", name: str = ""
) -> Response:
    shown, steps = proposal_shown(state_of(request).workplace, number)
    session = session_of(request)
    mine = session.name.casefold() == shown.proposed_by.casefold()
    here_only = not state_of(request).open_to_network
    return page(
        request,
        "proposal.html",
        status,
        title=f"Proposal {number}",
        x=shown,
        steps=steps,
        mine=mine,
        here_only=here_only,
        as_self=not here_only and session.may("approve") and not mine,
        wrong=wrong,
        answer=answer,
        name=name,
    )


@router.post("/proposals/{number}", response_class=HTMLResponse)
def decide(
    request: Request,
    number: str,
    decision: Annotated[str, Form()],
    answer: Annotated[str, Form()] = "",
    name: Annotated[str, Form()] = "",
    password: Annotated[str, Form()] = "",
) -> Response:
    """Confirm, refuse or take back a proposal."""
    needs_register(request)
    workplace = state_of(request).workplace
    session = needs(request, "enter")
    try:
        if decision == "take-back" or (state_of(request).open_to_network and not name.strip()):
            who = session.name if decision == "take-back" else needs(request, "approve").name
        else:
            who = second_person(request, name, password)
        said = decide_proposal(workplace, number, who, decision, answer)
    except NotSecondError as error:
        return _proposal_page(request, number, 422, str(error), answer, name)
    except KinshoalError as error:
        return _proposal_page(request, number, 422, str(error_body(error)["message"]), answer, name)
    return page(request, "proposal_done.html", title=f"Proposal {number}", said=said.split("\n"))


@router.get("/records/queue", response_class=HTMLResponse)
def queue(request: Request, number: int = 1) -> Response:
    """List what waits: both versions side by side."""
    needs_register(request)
    return _queue_page(request, number)


def _queue_page(
    request: Request,
    number: int,
    status: int = 200,
    said: str = "",
    wrong: str = "",
    item: str = "",
    reason: str = "",
) -> Response:
    if number < 1:
        raise HTTPException(404, "There is no such page.")
    shown, total, pages = queue_shown(state_of(request).workplace, number)
    return page(
        request,
        "queue.html",
        status,
        title="Queue",
        items=shown,
        total=total,
        pages=pages,
        number=number,
        said=said,
        wrong=wrong,
        item=item,
        reason=reason,
    )


@router.post("/records/queue", response_class=HTMLResponse)
def take(
    request: Request,
    item: Annotated[str, Form()],
    keep: Annotated[str, Form()],
    reason: Annotated[str, Form()] = "",
    number: Annotated[int, Form()] = 1,
) -> Response:
    """Decide one difference."""
    needs_register(request)
    session = needs(request, "enter")
    try:
        said = decide_queue(state_of(request).workplace, item, keep, session.name, reason)
    except KinshoalError as error:
        wrong = str(error_body(error)["message"]).removeprefix("--")
        return _queue_page(request, number, 422, wrong=wrong, item=item, reason=reason)
    return _queue_page(request, 1, said=said)
