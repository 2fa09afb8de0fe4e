"""The JSON interface: the use cases of the command line for other programs; described at ``/api/openapi.json``.

What can be answered at once is a GET. Everything longer is a job: a POST starts it and answers 202 with its address in
``Location``; ``/api/jobs/NUMBER`` is polled until it is over, and ``/api/questions/NAME/NUMBER`` hands out a typed answer.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.routing import APIRoute

from planner.web.api import known, records, work
from planner.web.api.examples import example_of
from planner.web.api.shapes import REFUSED
from planner.web.desk import COOKIE

router = APIRouter(prefix="/api", responses=REFUSED)
for _part in (known.router, records.router, work.router):
    for _route in _part.routes:
        if isinstance(_route, APIRoute):
            _content = {"application/json": {"example": example_of(_route.name)}}
            _route.openapi_extra = {"responses": {str(_route.status_code or 200): {"content": _content}}}
    router.include_router(_part)

SCHEMES = {
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "Set by the sign-in page, or by the first request when the server serves this machine alone.",
    },
    "write": {
        "type": "apiKey",
        "in": "header",
        "name": "x-csrf-token",
        "description": "The token that /api/session answers for this cookie; every write carries it.",
    },
}
READS = ("get", "head")


def describe(app: FastAPI) -> None:
    """Give an app the description of this interface: an example for every operation, and what a caller must carry.

    Parameters
    ----------
    app : FastAPI
        App that has the router.
    """
    plain = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = plain()
            schema.setdefault("components", {})["securitySchemes"] = SCHEMES
            for operations in schema["paths"].values():
                for method, operation in operations.items():
                    needed = ("session",) if method in READS else ("session", "write")
                    operation["security"] = [{name: [] for name in needed}]
            app.openapi_schema = schema
        return app.openapi_schema

    app.openapi = described  # type: ignore[method-assign]
