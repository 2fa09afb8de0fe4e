"""Choices: fish to keep, a founder group, an exchange, grow on, a loss tonight, culls, mornings, designs, production."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.web.desk import fields_given, needs, safe_file, state_of
from planner.web.downloads import download
from planner.web.render import page

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Ask:
    """One thing a form asks.

    Parameters
    ----------
    name, label : str
        Name of the option; what people read.
    value : str
        What stands in the field at first.
    kind : {'text', 'number', 'date', 'yes', 'choice'}
        Kind of field; ``yes`` is a box to tick.
    example : str
        Shown in an empty field.
    needed : bool
        Whether it must be filled in.
    choices : tuple of (str, str)
        Values and words of ``choice``.
    """

    name: str
    label: str
    value: str = ""
    kind: str = "text"
    example: str = ""
    needed: bool = False
    choices: tuple[tuple[str, str], ...] = ()


def _number(name: str, label: str, value: str = "", *, needed: bool = False, example: str = "") -> Ask:
    return Ask(name, label, value, "number", example, needed)


@dataclass(frozen=True)
class Choice:
    """One page: what it answers and what it asks.

    Parameters
    ----------
    name, title, lead : str
        Name of the use case; heading; the question it answers.
    asks : tuple of Ask
        Fields.
    """

    name: str
    title: str
    lead: str
    asks: tuple[Ask, ...]


_PLAN = Ask("from_plan", "Take the last spawning plan instead of planning anew", "", "yes")

CHOICES: tuple[Choice, ...] = (
    Choice(
        "keep",
        "Fish to keep",
        "Which young fish or broodfish to keep as future parents: least mean kinship, every founder line, a proven gap.",
        (
            _number("number", "Fish to keep", needed=True, example="640"),
            Ask(
                "among", "Among", "stock", "choice", choices=(("stock", "young fish"), ("brood", "broodfish"))
            ),
            _number("per_family", "Most fish of a family"),
            _number("least_females", "Fewest known females", "0"),
            _number("least_males", "Fewest known males", "0"),
            _number("line_copies", "Copies to keep of every founder line's genome", "1"),
            Ask("must", "Fish, or FAMILY=NUMBER, to keep in any case", example="F-07, K4=12"),
            Ask("must_not", "Fish, families or units to keep none of"),
        ),
    ),
    Choice(
        "found",
        "Founder group of a water",
        "Which fish found the group of a new or renovated water, and what the group is worth.",
        (
            Ask("site", "Water", needed=True, example="NP"),
            _number("number", "Fish of the group", needed=True, example="60"),
            Ask("day", "Day", "", "date"),
            _number("families", "Fewest families", "10"),
            _number("least", "Fewest fish of a family", "2"),
            _number("most", "Most fish of a family", "4"),
            _number("class_share", "Largest share of one year class, %", "75"),
            _number("min_length", "Shortest fish, mm", "0"),
            Ask("known_sex", "Fish of known sex only, at least 40 % of each", "", "yes"),
            Ask("sexes_mixed", "Both sexes of a family may go", "", "yes"),
            Ask("stock_only", "Move no residents of refuges", "", "yes"),
        ),
    ),
    Choice(
        "loss",
        "Loss tonight",
        "What would be gone if a tank, pond, building or water were lost tonight, and where copies remain. "
        "Empty fields: every place ranked by what it alone holds.",
        (
            Ask("units", "Tanks or ponds", example="P-03, P-04"),
            Ask("sites", "Waters"),
            Ask("buildings", "Buildings"),
        ),
    ),
    Choice(
        "exchange",
        "Exchange between waters",
        "Moves between waters so that each gets enough migrants a generation. Fish go only to water of equal or "
        "higher risk; fewest journeys first, then least kinship.",
        (
            _number("years", "Years of the plan", "6"),
            _number("generation", "Mean age of parents at birth, years", "6"),
            _number("breed_share", "Share of moved fish that breed, %", "30"),
            _number("least", "Fewest effective migrants a generation", "1"),
            _number("most", "Most effective migrants a generation", "10"),
            _number("journey_least", "Fewest fish of a journey", "4"),
            _number("journey_most", "Most fish of a journey", "20"),
            _number("stay_share", "Share of its fish a water keeps, %", "80"),
            Ask("with_station", "The station's stock sends fish too", "", "yes"),
        ),
    ),
    Choice(
        "grow",
        "Release now or grow on",
        "Survivors per fish and per money for each size class, now and later. The values filled in are invented: "
        "give your own.",
        (
            Ask("day", "Day of release now", "", "date"),
            Ask("site", "One water", example="one of each kind"),
            _number("months", "Months until the later release", "12"),
            _number("growth", "Growth, mm a month", "8"),
            _number("growth_error", "Its standard error", "1.5"),
            _number("survival", "Survival of a month in the pond, %", "97.5"),
            _number("survival_error", "Its standard error, %", "0.5"),
            _number("accident", "Lost on top, such as a die-off, %", "0"),
            _number("cost_month", "Money per fish and month", "0.35"),
            _number("cost_release", "Money per fish released", "1"),
        ),
    ),
    Choice(
        "equalise",
        "Equal families at the culls",
        "Fish of each family to keep at each cull, as equal as the counts allow. A cull is confirmed by two people; "
        "follow your permit and veterinarian.",
        (
            _number("season", "Spawning season", needed=True, example="2024"),
            Ask("keeps", "Fish to keep after each cull", needed=True, example="63000, 20000"),
            Ask(
                "stage",
                "Count the first cull starts from",
                "swim_up",
                "choice",
                choices=(
                    ("swim_up", "swim-up"),
                    ("eggs", "eggs"),
                    ("fertilised", "fertilised"),
                    ("hatched", "hatched"),
                    ("kept", "kept"),
                ),
            ),
            Ask("survival", "Survival between two culls, %, in order", example="90"),
        ),
    ),
    Choice(
        "rehearse",
        "Rehearse the spawning day",
        "The morning played many times: who fails, who stands in, what comes out, what to have ready.",
        (
            Ask("day", "Day", "", "date"),
            _number("times", "Mornings to play", example="as in the settings"),
            _PLAN,
        ),
    ),
    Choice(
        "designs",
        "Mating designs",
        "Single pairs, factorials and blocks side by side for the same fish: cells, families, kinship, and what one "
        "sterile male costs.",
        (Ask("day", "Day", "", "date"), _PLAN),
    ),
    Choice(
        "production",
        "Production",
        "Back from fish wanted at release to eggs, families, cells, tanks, ponds and tags: low, middle, high.",
        (
            _number("fish", "Fish to release", needed=True, example="4000"),
            _number("length", "Least total length at release, mm", needed=True, example="300"),
            Ask("date", "Day of release", "", "date", needed=True),
            Ask("spawned", "Day of spawning, if not that of the settings", "", "date"),
            _number("families", "Families behind the fish"),
        ),
    ),
)
BY_NAME = {c.name: c for c in CHOICES}


def _choice(name: str) -> Choice:
    if name not in BY_NAME:
        raise HTTPException(404, "There is no such choice.")
    return BY_NAME[name]


@router.get("/choices", response_class=HTMLResponse)
def choices(request: Request) -> Response:
    """List the choices."""
    return page(request, "choices.html", title="Choices", choices=CHOICES)


@router.get("/choices/{name}", response_class=HTMLResponse)
def show(request: Request, name: str, job: int | None = None) -> Response:
    """Show the form of a choice and the last answer."""
    chosen = _choice(name)
    jobs = state_of(request).workers.all_jobs()
    mine = [j for j in jobs if j.name == "choice" and j.options.get("choice") == name]
    shown = next((j for j in mine if j.number == job), None)
    if job is None:
        shown = next((j for j in mine if not j.is_over or j.state == "done"), None)
    given = shown.options if shown else None
    return page(request, "choice.html", title=chosen.title, c=chosen, job=shown, given=given)


@router.post("/choices/{name}")
async def work_out(request: Request, name: str) -> Response:
    """Start the work."""
    chosen = _choice(name)
    given = dict(await fields_given(request))
    options = {a.name: given.get(a.name, "") for a in chosen.asks} | {"choice": name}
    job = state_of(request).workers.submit("choice", options, needs(request, "view").name)
    return RedirectResponse(f"/choices/{name}?job={job.number}", 303)


@router.get("/choices/done/{number}", response_class=HTMLResponse)
def done(request: Request, number: int) -> Response:
    """Show an answer that is ready."""
    job = state_of(request).workers.get(number)
    if job is None or job.name != "choice" or job.state != "done":
        raise HTTPException(404, "There is no such answer any more. Work it out again.")
    return page(request, "choice_done.html", d=job.result)


@router.get("/choices/file/{name}/{file}")
def file(request: Request, name: str, file: str) -> Response:
    """Send one file of an answer."""
    return download(
        safe_file(state_of(request).work / "choices" / _choice(name).name, file), f"{name}-{file}"
    )
