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
            assert operation["responses"]["422"]["content"]["application/json"]["schema"]["$ref"].endswith(
                "FaultBody"
            )
