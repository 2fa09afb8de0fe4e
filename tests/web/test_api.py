"""The JSON interface answers on the tiny register, and refuses with the one error body."""

from __future__ import annotations

import httpx
import pytest

GETS = (
    "session",
    "status",
    "tables",
    "tables/fish?q=F-0&sort=-fish_id&is.sex=female",
    "records/fish/1",
    "fish/F-06",
    "kinship",
    "pedigree/F-06",
    "founders",
    "waters",
    "permits",
    "plans/spawning",
    "jobs/1",
    "settings",
)
WRONG = (
    "tables/nothing",
    "tables/fish?sort=nothing",
    "tables/fish?page=0",
    "records/fish/2147483647",
    "records/fish/99999999999999999999",
    "fish/nobody",
    "pedigree/nobody",
    "waters?day=soon",
    "plans/other",
    "plans/spawning/99",
    "jobs/999",
)


@pytest.mark.parametrize("path", GETS)
def test_get__answers(server: str, path: str) -> None:
    answer = httpx.get(f"{server}/api/{path}", timeout=60)
    assert answer.status_code == 200, answer.text
    assert "NaN" not in answer.text


@pytest.mark.parametrize("path", WRONG)
def test_wrong__has_the_one_body(server: str, path: str) -> None:
    answer = httpx.get(f"{server}/api/{path}", timeout=60)
    assert 400 <= answer.status_code < 500, answer.text
    assert set(answer.json()["error"]) >= {"code", "message", "findings"}
    assert "Traceback" not in answer.text


def test_write__needs_the_token_and_names_bad_input(server: str) -> None:
    with httpx.Client(base_url=server, timeout=60) as client:
        token = client.get("/api/session").json()["token"]
        entry = {"values": {"nothing": "1"}, "reason": "test"}
        assert client.post("/api/records/fish", json=entry).status_code == 403
        wrong = client.post("/api/records/fish", json=entry, headers={"x-csrf-token": token})
        assert 400 <= wrong.status_code < 500
        assert "nothing" in wrong.json()["error"]["message"]
        unknown = client.post("/api/jobs", json={"name": "import"}, headers={"x-csrf-token": token})
        assert unknown.status_code == 422


def test_openapi__describes_every_operation(server: str) -> None:
    paths = httpx.get(server + "/api/openapi.json").json()["paths"]
    assert len(paths) >= 18
    for operations in paths.values():
        for operation in operations.values():
            assert operation["description"]
            good = next(v for k, v in operation["responses"].items() if k.startswith("2"))
            assert good["content"]["application/json"]["example"]
            assert operation["responses"]["422"]["content"]["application/json"]["schema"]["$ref"].endswith(
                "FaultBody"
            )


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("table", "tables/fish"),
        ("card", "fish/F-06"),
        *((n, n) for n in ("status", "tables", "kinship", "founders", "waters", "permits", "settings")),
        ("pedigree", "pedigree/F-06"),
    ],
)
def test_examples__name_only_what_answers_hold(server: str, name: str, path: str) -> None:
    from planner.web.api_examples import EXAMPLES

    def held(example: object, answer: object) -> bool:
        if isinstance(example, dict):
            return isinstance(answer, dict) and all(
                k in answer and held(v, answer[k]) for k, v in example.items()
            )
        if isinstance(example, list):
            return isinstance(answer, list) and (not answer or all(held(e, answer[0]) for e in example[:1]))
        return True

    answer = httpx.get(f"{server}/api/{path}", timeout=60).json()
    assert held(EXAMPLES[name], answer), str(answer)[:500]
