"""Operations that answer at once: who asks, fish, kinship, founders, waters, permits, settings, plans."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Path, Request

from planner.tasks.card import card_of
from planner.tasks.founders import founder_board
from planner.tasks.kinship_page import kinship_page, pedigree_page
from planner.tasks.permits import tallies
from planner.tasks.plan_file import plain_value
from planner.tasks.plan_pages import plan_shown, settings_shown, versions_of
from planner.tasks.settings import SETTINGS
from planner.tasks.sheets.kinds import KINDS
from planner.tasks.tags import explain_tag
from planner.tasks.water_pages import water_cards
from planner.web.api.shapes import Fish, Number
from planner.web.api.shapes_answers import CardAnswer, FoundersAnswer, PermitTally
from planner.web.api.shapes_known import (
    KinshipPage,
    LoadsShown,
    PedigreePage,
    ReleasePlanShown,
    SheetKindShown,
    SpawningPlanShown,
    TagShown,
    WaterShown,
)
from planner.web.api.shapes_records import Session, SettingShown, Status
from planner.web.desk import session_of, state_of

router = APIRouter()

Kind = Annotated[
    Literal["spawning", "release", "loads"], Path(description="Kind of plan.", examples=["spawning"])
]


@router.get("/session")
def session(request: Request) -> Session:
    """Return who is asking and the secret for writes.

    Where people sign in, a program asks this first, then posts name and password as a form to ``/sign-in`` with the token in
    the header ``x-csrf-token``, and asks this again.
    """
    s = session_of(request)
    return Session(name=s.name, role=s.role, token=s.token)


@router.get("/status")
def status(request: Request) -> Status:
    """Return the place and version of the records."""
    w = state_of(request).workplace
    return Status(place=str(w.place), is_register=w.is_register, version=str(w.version()), warm=w.is_warm())


@router.get("/fish/{fish}", response_model=CardAnswer)
def card(request: Request, fish: Fish) -> Any:
    """Return all that is known of a fish; the question 'card' looks at its genotype too."""
    return plain_value(card_of(state_of(request).workplace.place, fish).data)


@router.get("/kinship", response_model=KinshipPage)
def kinship(request: Request) -> Any:
    """Return mean kinship of the living fish and the closest pairs."""
    return plain_value(kinship_page(state_of(request).workplace.programme()))


@router.get("/pedigree/{fish}", response_model=PedigreePage)
def pedigree(request: Request, fish: Fish) -> Any:
    """Return ancestors, offspring and sibs of a fish."""
    return plain_value(pedigree_page(state_of(request).workplace.programme(), fish))


@router.get("/founders", response_model=FoundersAnswer)
def founders(request: Request) -> Any:
    """Return the founders, what is left of each, and what a lost place would cost."""
    return plain_value(founder_board(state_of(request).workplace.programme()))


@router.get("/waters", response_model=list[WaterShown])
def waters(request: Request, day: dt.date | None = None) -> Any:
    """Return every water with its lights for a release on a day."""
    return plain_value(water_cards(state_of(request).workplace.programme(), day))


@router.get("/permits", response_model=list[PermitTally])
def permits(request: Request, day: dt.date | None = None) -> Any:
    """Return what each permit allows and what is used."""
    return plain_value(tallies(state_of(request).workplace.programme(), day))


@router.get("/settings", response_model=list[SettingShown])
def settings(request: Request) -> Any:
    """Return every setting with its meaning and source."""
    return plain_value(settings_shown(state_of(request).workplace.programme(), list(SETTINGS)))


@router.get("/tags/{code}")
def tag(code: Annotated[str, Path(description="A PIT code.", examples=["999009000012345"])]) -> TagShown:
    """Explain one PIT code in all its forms."""
    lines, data, readable = explain_tag(code)
    return TagShown(readable=readable, words=lines, forms=plain_value(data))


@router.get("/plans/{kind}")
def versions(request: Request, kind: Kind) -> list[int]:
    """List the versions of a plan, newest first."""
    return versions_of(state_of(request).workplace.plan_folder(kind))


def _plan(request: Request, kind: str, version: int) -> Any:
    found = plan_shown(state_of(request).workplace.plan_folder(kind), kind, version)
    if found is None:
        raise HTTPException(404, f"version: found {version}. There is no such {kind} plan.")
    return plain_value(found)


@router.get("/plans/spawning/{number}", response_model=SpawningPlanShown)
def spawning_plan(request: Request, number: Number) -> Any:
    """Return a version of the spawning plan."""
    return _plan(request, "spawning", number)


@router.get("/plans/release/{number}", response_model=ReleasePlanShown)
def release_plan(request: Request, number: Number) -> Any:
    """Return a version of the release plan."""
    return _plan(request, "release", number)


@router.get("/plans/loads/{number}", response_model=LoadsShown)
def loads_plan(request: Request, number: Number) -> Any:
    """Return a version of the truck loads."""
    return _plan(request, "loads", number)


@router.get("/sheets", response_model=list[SheetKindShown])
def sheets() -> Any:
    """List the kinds of sheet that can be printed, and what each may be asked for."""
    return [
        {k: plain_value(getattr(kind, k)) for k in ("name", "title", "lead", "plan", "asks")}
        for kind in KINDS.values()
    ]
