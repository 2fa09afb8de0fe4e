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


def test_fuzz__no_answer_is_a_fault(tmp_path: Path, serve: Callable[[Any], Any]) -> None:
    app = create_app(practice_place(tmp_path / "demo", tiny=True), tmp_path / "work", workers=0)
    app.state.desk.write_rate = Rate(1e6, 1e6)
    with serve(app) as address, httpx.Client(base_url=address, timeout=60) as client:
        client.headers["x-csrf-token"] = client.get("/api/session").json()["token"]
        paths = client.get("/api/openapi.json").json()["paths"]
        for path, operations in paths.items():
            for method, operation in operations.items():
                _try(client, path, method, operation)


def _try(client: httpx.Client, path: str, method: str, operation: dict[str, Any]) -> None:
    parameters = operation.get("parameters", [])

    @seed(20250501)
    @settings(
        max_examples=12 if parameters or "requestBody" in operation else 1,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        values=st.fixed_dictionaries({p["name"]: TEXT for p in parameters}),
        body=BODY if "requestBody" in operation else st.none(),
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
