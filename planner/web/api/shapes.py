"""Shapes that many operations of the JSON interface share: errors, estimates, provenance, jobs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import Path
from pydantic import BaseModel, ConfigDict, Field

MOST = 2**31 - 1

Number = Annotated[int, Path(ge=1, le=MOST, description="Number of the record.", examples=[1])]
Table = Annotated[str, Path(description="Name of a table.", examples=["fish"])]
Fish = Annotated[str, Path(description="Name of a fish.", examples=["F-06"])]

Cell = str | int | float | bool | None
"""One value of a record."""

Row = dict[str, Any]
"""One line of a table: by column a `Cell`, an `EstimateShown` or a list of them."""


class Shape(BaseModel):
    """What every answer is made of: fields that are not named here are handed on too."""

    model_config = ConfigDict(extra="allow")


class Place(Shape):
    """Where something was found."""

    file: str
    row: int | None = None
    column: str | None = None


class FindingShown(Shape):
    """One fault or doubt: where, what was found, what was expected, what to do."""

    code: str
    level: Literal["error", "warning", "note"]
    where: Place
    found: str
    expected: str
    remedy: str
    others: list[Place] = Field(default_factory=list)


class Fault(BaseModel):
    """What went wrong, in words."""

    code: str
    message: str
    findings: list[FindingShown]


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
"""Answers that every operation may give instead of its own."""


Amount = float | Literal["infinite"] | None


class EstimateShown(Shape):
    """A number with its uncertainty and method, or the reason why there is none."""

    value: Amount
    low: Amount
    high: Amount
    level: float = Field(description="Level of the interval, such as 0.95.")
    method: str
    n_used: int | None
    unit_used: str
    note: str
    reason: str = Field(description="Why it is not estimable; empty when it is.")


class Solved(Shape):
    """What the solver proved."""

    status: str
    has_solution: bool
    objective: float | None
    bound: float | None
    gap: float | None
    nodes: int
    seconds: float
    solver_versions: dict[str, str]


class Provenance(Shape):
    """What an answer was made from: records, settings, seed, versions of libraries, proof."""

    kind: str
    inputs: str
    made_on: str
    seed: int
    version: int
    mark: str
    settings: dict[str, Any]
    libraries: dict[str, str]
    proof: dict[str, Any]


class ChangeShown(Shape):
    """One change of a register: number, when, who, why, and its seals."""

    change_id: int
    entered_at: str
    entered_by: str
    reason: str
    source: str
    true_on: str | None
    kind: str
    previous_hash: str
    content_hash: str
    hash: str


class Said(BaseModel):
    """What was done."""

    words: str


class JobShown(BaseModel):
    """Long work as it stands: poll ``/api/jobs/{job}`` until `state` is done, failed or stopped."""

    job: int
    name: str
    question: str = Field("", description="The question, when it is one; its answer has a typed address too.")
    state: Literal["waiting", "running", "done", "failed", "stopped"]
    progress: list[str]
    seconds: float
    result: dict[str, Any] = Field(
        description="Empty until it is over; what it made when done, code, message and findings when failed."
    )
