"""Random values for every parameter and body of every operation the interface describes: never a fault of ours."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from planner.tasks.demo_records import practice_place
from planner.web.app import create_app
from planner.web.security import Rate

KNOWN = ("fish", "F-06", "1", "spawning", "sites", "-fish_id", "2025-05-01", "read", "note")
TEXT = st.one_of(st.sampled_from(KNOWN), st.integers().map(str), st.text(max_size=12))
ANYTHING = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False, allow_infinity=False), TEXT
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=5,
)
BODY = st.one_of(
    ANYTHING,
    st.fixed_dictionaries({"values": st.dictionaries(TEXT, TEXT, max_size=3), "reason": TEXT}),
    st.fixed_dictionaries({"name": TEXT, "options": st.dictionaries(TEXT, ANYTHING, max_size=3)}),
)


def bodies(operation: dict[str, Any], shapes: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Anything, or the example of the operation's body with some of its values and of the other fields replaced."""
    if "requestBody" not in operation:
        return st.none()
    (content,) = operation["requestBody"]["content"].values()
    shape = shapes[content["schema"]["$ref"].rsplit("/", 1)[-1]]
    example = (shape.get("examples") or [{}])[0]
    near = st.fixed_dictionaries(
        {k: st.one_of(st.just(v), ANYTHING) for k, v in example.items()},
        optional={k: ANYTHING for k in shape.get("properties", {}) if k not in example},
    )
    return st.one_of(BODY, near)


def test_fuzz__no_answer_is_a_fault(tmp_path: Path, serve: Callable[[Any], Any]) -> None:
    app = create_app(practice_place(tmp_path / "demo", tiny=True), tmp_path / "work", workers=0)
    app.state.desk.write_rate = Rate(1e6, 1e6)
    with serve(app) as address, httpx.Client(base_url=address, timeout=60) as client:
        client.headers["x-csrf-token"] = client.get("/api/session").json()["token"]
        described = client.get("/api/openapi.json").json()
        for path, operations in described["paths"].items():
            for method, operation in operations.items():
                _try(client, path, method, operation, bodies(operation, described["components"]["schemas"]))


def _try(
    client: httpx.Client, path: str, method: str, operation: dict[str, Any], body: st.SearchStrategy[Any]
) -> None:
    parameters = operation.get("parameters", [])

    @seed(20250501)
    @settings(
        max_examples=(5 if "/questions/" in path else 10) if parameters or "requestBody" in operation else 1,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        values=st.fixed_dictionaries({p["name"]: TEXT for p in parameters}),
        body=body,
    )
    def tried(values: dict[str, str], body: Any) -> None:
        address = path
        for p in parameters:
            if p["in"] == "path":
                address = address.replace("{" + p["name"] + "}", quote(values[p["name"]] or "-", safe=""))
        query = {p["name"]: values[p["name"]] for p in parameters if p["in"] == "query"}
        answer = client.request(
            method, address, params=query, json=body if "requestBody" in operation else None
        )
        assert answer.status_code < 500, (method, address, query, body, answer.text)
        assert "Traceback" not in answer.text
        if answer.status_code >= 400:
            assert set(answer.json()["error"]) >= {"code", "message", "findings"}

    tried()
