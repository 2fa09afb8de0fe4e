"""The JSON interface answers on the tiny register, is described whole, and refuses with the one error body."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from pydantic import TypeAdapter

from planner.web.api import READS, known, records, work
from planner.web.api.examples import example_of
from planner.web.app import create_app

GETS = (
    "session",
    "status",
    "tables",
    "tables/fish?q=F-0&sort=-fish_id&is.sex=female",
    "tables/fish/columns",
    "records/fish/1",
    "records/fish/named/F-06",
    "records/fish?is.sex=female&sort=-weight_g&columns=fish_id,weight_g&limit=3&known_on=1",
    "find?q=fungus",
    "changes?last=2",
    "proposals",
    "queue",
    "fish/F-06",
    "kinship",
    "pedigree/F-06",
    "founders",
    "waters",
    "permits",
    "tags/999009000012345",
    "plans/spawning",
    "sheets",
    "jobs",
    "jobs/1",
    "settings",
)
WRONG = (
    "tables/nothing",
    "tables/nothing/columns",
    "tables/fish?sort=nothing",
    "tables/fish?page=0",
    "records/nothing",
    "records/fish?columns=nothing",
    "records/fish?known_on=soon",
    "records/fish/2147483647",
    "records/fish/99999999999999999999",
    "records/fish/named/nobody",
    "find",
    "fish/nobody",
    "pedigree/nobody",
    "waters?day=soon",
    "plans/other",
    "plans/spawning/99",
    "plans/release/99",
    "jobs/999",
    "questions/kinship/999",
    "questions/nothing/1",
)
ROUTES = [r for part in (known, records, work) for r in part.router.routes]
KEPT_FREE = {"jobs", "job"}
"""Operations whose result depends on the kind of job, and is typed at another address."""


@pytest.fixture(scope="module")
def schema(practice: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    app: FastAPI = create_app(practice, tmp_path_factory.mktemp("schema"), workers=0)
    return app.openapi()


@pytest.mark.parametrize("path", GETS)
def test_get__answers(server: str, path: str) -> None:
    answer = httpx.get(f"{server}/api/{path}", timeout=60)
    assert answer.status_code == 200, answer.text
    assert "NaN" not in answer.text


@pytest.mark.parametrize("path", WRONG)
def test_wrong__has_the_one_body(server: str, path: str) -> None:
    answer = httpx.get(f"{server}/api/{path}", timeout=60)
    assert 400 <= answer.status_code < 500, answer.text
    assert set(answer.json()["error"]) == {"code", "message", "findings"}
    assert "Traceback" not in answer.text


def test_get__values_are_those_of_the_records(server: str) -> None:
    with httpx.Client(base_url=server, timeout=60) as client:
        named = client.get("/api/records/fish/named/F-06").json()
        assert named["values"]["fish_id"] == "F-06"
        assert client.get(f"/api/records/fish/{named['number']}").json() == named
        females = client.get("/api/records/fish?is.sex=female&limit=1000").json()
        assert females["total"] == len(females["records"]) > 3
        assert {r["sex"] for r in females["records"]} == {"female"}
        before = client.get("/api/records/fish?known_on=2000-01-01").json()
        assert before["total"] == 0
        # Mean kinship of the page is that of the question, to the digits shown.
        page = client.get("/api/kinship").json()
        assert len(page["fish"]) > 5
        weight = client.get("/api/tables/fish/columns").json()["columns"]
        assert next(c for c in weight if c["name"] == "weight_g")["unit"] == "g"


def test_openapi__describes_every_operation(schema: dict[str, Any]) -> None:
    operations = [(p, m, o) for p, ms in schema["paths"].items() for m, o in ms.items()]
    assert len(operations) >= 120
    for path, method, operation in operations:
        assert operation["description"], path
        assert path.startswith("/api/")
        good = next(v for k, v in operation["responses"].items() if k.startswith("2"))
        content = good["content"]["application/json"]
        assert content["example"] is not None, path
        # Typed: a named shape, or a list of one; never a free object.
        assert "$ref" in str(content["schema"]) or content["schema"].get("items") == {"type": "integer"}, path
        wrong = operation["responses"]["422"]["content"]["application/json"]["schema"]
        assert wrong["$ref"].endswith("FaultBody"), path
        needed = [set(s) for s in operation["security"]]
        assert needed == [{"session"} if method in READS else {"session", "write"}], path
        if "requestBody" in operation:
            (body,) = operation["requestBody"]["content"].values()
            assert "$ref" in body["schema"], path
    schemes = schema["components"]["securitySchemes"]
    assert (schemes["session"]["in"], schemes["session"]["name"]) == ("cookie", "kinshoal")
    assert (schemes["write"]["in"], schemes["write"]["name"]) == ("header", "x-csrf-token")


def test_openapi__bodies_have_examples_that_fit(schema: dict[str, Any]) -> None:
    from planner.web.api.questions import QUESTIONS

    for name, question in QUESTIONS.items():
        (example,) = question.asked.model_json_schema()["examples"]
        question.asked.model_validate(example), name
        described = schema["paths"][f"/api/questions/{name}"]["post"]["requestBody"]["content"]
        assert described["application/json"]["schema"]["$ref"].endswith(question.asked.__name__)


@pytest.mark.parametrize("route", ROUTES, ids=lambda r: r.name)
def test_examples__fit_the_shape_of_their_operation(route: Any) -> None:
    TypeAdapter(route.response_model).validate_python(example_of(route.name))


def test_questions__are_those_of_the_command_line() -> None:
    from planner.cli.main import COMMANDS
    from planner.tasks.jobs_questions import QUESTIONS as HERE
    from planner.tasks.jobs_questions_field import FIELD_QUESTIONS
    from planner.web.api.questions import QUESTIONS

    assert set(HERE | FIELD_QUESTIONS) == set(QUESTIONS)
    elsewhere = {
        "demo": "a command that makes files",
        "serve": "this server",
        "register": "imports, queue, findings, changes, verify",
        "columns": "tables/{table}/columns",
        "settings": "settings",
        "tag": "tags/{code}",
        "add": "records/{table}",
        "change": "records/{table}/{number}",
        "withdraw": "records/{table}/{number}/withdraw",
        "list": "records/{table}",
        "show": "records/{table}/{number}",
        "find": "find",
        "history": "records/{table}/{number}",
        "confirm": "proposals/{proposal}",
        "merge-fish": "merge-fish",
        "spawn": "plans/spawning",
        "replan": "plans/spawning/again",
        "release": "plans/release",
        "sheet": "sheets/{sheet}",
        "key-in": "keyed in from paper on its page, line by line",
    }
    without = set(COMMANDS) - set(QUESTIONS) - set(elsewhere)
    assert not without, f"commands without an operation: {without}"


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("table", "tables/fish"),
        ("card", "fish/F-06"),
        *((n, n) for n in ("status", "tables", "kinship", "founders", "waters", "permits", "settings")),
        ("pedigree", "pedigree/F-06"),
        ("record", "records/fish/6"),
        ("records", "records/fish"),
        ("find", "find?q=fungus"),
        ("changes", "changes"),
        ("columns", "tables/fish/columns"),
        ("tag", "tags/999009000012345"),
    ],
)
def test_examples__name_only_what_answers_hold(server: str, name: str, path: str) -> None:
    answer = httpx.get(f"{server}/api/{path}", timeout=60).json()
    assert held(example_of(name), answer), str(answer)[:500]


def held(example: Any, answer: Any) -> bool:
    """Whether everything an example names is in an answer."""
    if isinstance(example, dict):
        return isinstance(answer, dict) and all(
            k in answer and held(v, answer[k]) for k, v in example.items() if k != "values"
        )
    if isinstance(example, list):
        return isinstance(answer, list) and (not answer or all(held(e, answer[0]) for e in example[:1]))
    return True


def test_plain_value__is_json_through_and_through(tmp_path: Path) -> None:
    import datetime as dt
    import json

    import numpy as np
    import pandas as pd

    from broodstock.estimates import Estimate
    from planner.tasks.plan_file import plain_value

    value = {
        1: np.float64("nan"),
        "array": np.array([[1, 2]], dtype=np.int16),
        "day": dt.date(2025, 1, 2),
        "none": pd.NaT,
        "path": tmp_path,
        "estimate": Estimate(0.5, 0.4, 0.6, "worked by hand", 10, "fish"),
        "set": {3},
        "flag": np.bool_(True),
    }
    plain = json.loads(json.dumps(plain_value(value), allow_nan=False))
    assert plain["1"] is None
    assert plain["array"] == [[1, 2]]
    assert (plain["day"], plain["none"], plain["path"]) == ("2025-01-02", None, str(tmp_path))
    assert plain["estimate"]["value"] == 0.5
    assert (plain["set"], plain["flag"]) == ([3], True)
    with pytest.raises(TypeError, match="cannot write object as JSON"):
        plain_value(object())
