"""Writes over the JSON interface: done in a register, refused in a folder, by role, and without the token; jobs to their end."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from planner.tasks.demo_records import practice_place
from planner.web.app import create_app

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
WORD = "a long enough word"
WRITES = (
    ("records/fish", {"values": {"note": "x"}}),
    ("records/fish/1", {"values": {"note": "x"}}),
    ("records/fish/1/withdraw", {"reason": "typed twice"}),
    ("changes/1/undo", {"reason": "wrong file"}),
    ("proposals/1", {"answer": "seen"}),
    ("merge-fish", {"keep": "M-01", "gone": "M-02", "reason": "one genotype"}),
    ("queue/abc", {"keep": "old", "reason": "right"}),
    ("decisions", {"what": "x", "reason": "x"}),
    ("settings/cells", {"value": "60", "reason": "new rack"}),
    ("findings/judge", {"accept": ["x"], "reason": "seen"}),
    ("feedback", {"accept": ["x"]}),
    ("imports/1/write", {"reason": "x"}),
    ("verify", {}),
)


class Client:
    """A program that signs in and writes.

    Parameters
    ----------
    address : str
        Server.
    name : str, optional
        Who signs in with `WORD`.
    """

    def __init__(self, address: str, name: str = "") -> None:
        self.http = httpx.Client(base_url=address, timeout=120)
        if name:
            token = self.http.get("/api/session").json()["token"]
            done = self.http.post(
                "/sign-in", data={"name": name, "password": WORD}, headers={"x-csrf-token": token}
            )
            assert done.status_code == 303, done.text
        who = self.http.get("/api/session").json()
        self.role = who["role"]
        self.http.headers["x-csrf-token"] = who["token"]

    def get(self, path: str, status: int = 200) -> Any:
        answer = self.http.get(f"/api/{path}")
        assert answer.status_code == status, answer.text
        return answer.json()

    def post(self, path: str, body: Any = None, status: int = 200, **more: Any) -> Any:
        answer = self.http.post(f"/api/{path}", json=body, **more)
        assert answer.status_code == status, (path, answer.status_code, answer.text)
        if status >= 400:
            assert set(answer.json()["error"]) == {"code", "message", "findings"}
        return answer.json()

    def done(self, started: dict[str, Any], seconds: float = 180) -> dict[str, Any]:
        """Poll a job until it is over."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            job: dict[str, Any] = self.get(f"jobs/{started['job']}")
            if job["state"] in ("done", "failed", "stopped"):
                assert job["state"] == "done", job
                return job
            time.sleep(0.1)
        raise AssertionError(f"not over after {seconds} s: {job}")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register nobody opens; copy it."""
    return Path(practice_place(tmp_path_factory.mktemp("filled") / "demo", tiny=True))


@pytest.fixture(scope="module")
def own(
    filled: Path, tmp_path_factory: pytest.TempPathFactory, serve: Callable[[Any], Any]
) -> Iterator[Client]:
    """A program beside a register of its own, with a worker."""
    folder = tmp_path_factory.mktemp("own")
    app = create_app(str(shutil.copy(filled, folder / "records.kinshoal")), folder / "work", workers=1)
    app.state.desk.write_rate = type(app.state.desk.write_rate)(1e6, 1e6)
    with serve(app) as address:
        client = Client(address)
        yield client
        client.http.close()


@pytest.fixture
def people(filled: Path, tmp_path: Path, serve: Callable[[Any], Any]) -> Iterator[Callable[[str], Client]]:
    """Programs of people with different roles at one server without workers."""
    place = shutil.copy(filled, tmp_path / "records.kinshoal")
    app = create_app(str(place), tmp_path / "work", open_to_network=True, workers=0)
    app.state.desk.write_rate = type(app.state.desk.write_rate)(1e6, 1e6)
    for name, role in (("guest", "view"), ("EN", "enter"), ("TA", "approve"), ("RB", "approve")):
        app.state.desk.keys.set(name, role, WORD)
    made: list[Client] = []

    def signed(address: str, name: str) -> Client:
        made.append(Client(address, name))
        return made[-1]

    with serve(app) as address:
        yield lambda name: signed(address, name)
        for client in made:
            client.http.close()


def test_write__a_record_from_entry_to_withdrawal(own: Client) -> None:
    hold = {"subject": "F-03", "subject_kind": "fish", "reason": "health", "from_date": "2024-10-20"}
    made = own.post("records/holds", {"values": hold, "reason": "fin rot"})
    number = made["record"]
    assert made["change"] > 0
    assert own.get(f"records/holds/{number}")["values"]["subject"] == "F-03"
    seen = own.get(f"records/holds/{number}")["entry"]
    changed = own.post(
        f"records/holds/{number}", {"values": {"note": "left fin"}, "reason": "looked again", "entry": seen}
    )
    late = own.http.post(f"/api/records/holds/{number}", json={"values": {"note": "tail"}, "entry": seen})
    assert 400 <= late.status_code < 500, "made from a version that is no longer there"
    assert "note" in changed["words"]
    same = own.post(f"records/holds/{number}", {"values": {"note": "left fin"}, "reason": "again"})
    assert same == {
        "words": "Nothing differs; nothing was entered.",
        "change": None,
        "record": None,
        "proposal": None,
    }
    # Nothing that could be confirmed: it is said at once.
    empty = own.post("records/fish/1", {"values": {}, "euthanasia": True, "reason": "ordered"})
    assert (empty["words"], empty["proposal"]) == ("Nothing differs; nothing was entered.", None)
    history = own.get(f"records/holds/{number}")["history"]
    assert [h["change"]["reason"] for h in history] == ["looked again", "fin rot"]
    assert history[0]["values"]["note"] == [None, "left fin"]
    assert own.get("changes?last=1")[0]["change_id"] == changed["change"]
    gone = own.post(f"records/holds/{number}/withdraw", {"reason": "typed twice"})
    assert "its history stays" in gone["words"]
    own.get(
        f"records/holds/{number}",
        404 if own.http.get(f"/api/records/holds/{number}").status_code == 404 else 422,
    )
    undone = own.post(f"changes/{gone['change']}/undo", {"reason": "it was right"})
    assert "undone by change" in undone["words"]
    assert own.get(f"records/holds/{number}")["values"]["note"] == "left fin"


def test_write__a_setting_and_a_decision(own: Client) -> None:
    first = own.post("settings/cells", {"value": "60", "source": "rack counted", "reason": "new rack"})
    assert first["change"]
    own.post("settings/cells", {"value": "64", "reason": "four more"})
    cells = next(s for s in own.get("settings") if s["name"] == "cells")
    assert (cells["value"], cells["source"]) == ("64", "rack counted")
    wrong = own.post("settings/cells", {"value": "many", "reason": "x"}, status=400)
    assert "cells" in wrong["error"]["message"]
    own.post("settings/nothing", {"value": "1", "reason": "x"}, status=404)
    own.post("decisions", {"what": "Keep F-09 out", "reason": "fungus came back", "subject": "F-09"})
    (decided,) = own.get("records/decisions")["records"]
    assert (decided["what"], decided["decided_by"], decided["subject"]) == ("Keep F-09 out", "local", "F-09")
    own.post("decisions", {"what": "no reason"}, status=422)


def test_write__bad_input_is_named_and_nothing_is_entered(own: Client) -> None:
    before = own.get("changes?last=1")[0]["change_id"]
    wrong = own.post("records/fish", {"values": {"nothing": "1"}, "reason": "test"}, status=422)
    assert "nothing" in wrong["error"]["message"]
    own.post("records/fish", {"values": "text"}, status=422)
    own.post("records/fish/1/withdraw", {"reason": ""}, status=422)
    assert own.get("changes?last=1")[0]["change_id"] == before


@pytest.mark.parametrize(("path", "body"), WRITES, ids=lambda v: v if isinstance(v, str) else "")
def test_write__needs_the_token(own: Client, path: str, body: dict[str, Any]) -> None:
    answer = own.http.post(f"/api/{path}", json=body, headers={"x-csrf-token": "another"})
    assert answer.status_code == 403
    assert set(answer.json()["error"]) == {"code", "message", "findings"}


def test_write__is_refused_in_a_folder(tmp_path: Path, serve: Callable[[Any], Any]) -> None:
    with serve(create_app(str(TINY), tmp_path / "work", workers=0)) as address:
        client = Client(address)
        assert client.get("status")["is_register"] is False
        for path, body in WRITES:
            refused = client.post(path, body, status=409)
            assert "can only be read" in refused["error"]["message"]
        sent = {"file": ("fish.csv", b"fish_id\nA\n")}
        client.post("imports", status=409, files=sent)
        assert client.get("tables/fish")["total"] > 10
        client.http.close()


def test_write__is_refused_by_role(people: Callable[[str], Client]) -> None:
    guest = people("guest")
    assert guest.role == "view"
    for path, body in WRITES:
        if path != "verify":
            refused = guest.post(path, body, status=403)
            assert "needs the role" in refused["error"]["message"], path
    for plan in (
        "plans/spawning",
        "plans/spawning/again",
        "plans/release",
        "plans/loads",
        "sheets/ripeness",
    ):
        guest.post(plan, {}, status=403)
    # To look is not to write: a question is answered, though nobody works here.
    assert guest.post("questions/kinship", {}, status=202)["state"] == "waiting"
    entering = people("EN")
    for path in ("changes/1/undo", "proposals/1", "feedback"):
        entering.post(path, dict(WRITES)[path], status=403)


def test_write__signed_out_nothing_is_told(people: Callable[[str], Client]) -> None:
    address = people("guest").http.base_url
    with httpx.Client(base_url=address) as client:
        assert client.get("/api/session").json() | {"token": ""} == {"name": "", "role": "", "token": ""}
        assert client.get("/api/tables").status_code == 401
        token = client.get("/api/session").json()["token"]
        refused = client.post("/api/records/fish", json={"values": {}}, headers={"x-csrf-token": token})
        assert refused.status_code == 401


def test_proposal__is_confirmed_by_a_second_person(people: Callable[[str], Client]) -> None:
    first, second = people("TA"), people("RB")
    for name in ("TA", "RB"):
        values = {"person_id": name, "role": "approve"}
        first.post("records/people", {"values": values, "reason": "crew"})
    merge = {"keep": "M-01", "gone": "M-02", "reason": "one genotype"}
    made = first.post("merge-fish", merge)
    number = made["proposal"]
    waiting = first.get("proposals")
    assert [(p["proposal_id"], p["act"], p["proposed_by"]) for p in waiting] == [(number, "merge-fish", "TA")]
    alone = first.post(f"proposals/{number}", {"answer": "sure"}, status=422)
    assert "another person" in alone["error"]["message"]
    refused = second.post(f"proposals/{number}", {"refuse": True, "answer": "two genotypes"})
    assert "refused; nothing was changed" in refused["words"]
    assert first.get("proposals") == []
    (closed,) = first.get("proposals?state=refused")
    assert (closed["decided_by"], closed["answer"]) == ("RB", "two genotypes")
    again = first.post("merge-fish", merge)["proposal"]
    done = second.post(f"proposals/{again}", {"answer": "both seen"})
    assert done["change"] > 0
    second.get("records/fish/named/M-01")
    assert second.http.get("/api/records/fish/named/M-02").status_code >= 400


def test_proposal__cannot_be_written_past_its_rules(own: Client) -> None:
    number = own.post("merge-fish", {"keep": "M-01", "gone": "M-02", "reason": "one genotype"})["proposal"]
    waits = own.get(f"records/proposals/named/{number}")
    for path, values in (
        ("records/proposals", {"proposal_id": "77", "proposed_by": "RB", "state": "open"}),
        (f"records/proposals/{waits['number']}", {"proposed_by": "RB"}),
        ("records/merge_queue", {"state": "decided"}),
        ("records/finding_reviews", {"state": "accepted"}),
    ):
        refused = own.post(path, {"values": values, "reason": "test"}, status=400)
        assert "Expected a decision" in refused["error"]["message"]
    assert own.get(f"records/proposals/named/{number}") == waits
    own.post(f"proposals/{number}", {"take_back": True})


def test_import__dry_run_then_write(own: Client) -> None:
    before = own.get("tables/fish")["total"]
    text = b"Name,Sex,Since,TL\nN-77,F,14/03/2024,20\n"
    sent = {
        "table": "fish",
        "maps": ["Name=fish_id", "Sex=sex", "Since=entered_on", "TL=total_length_mm"],
        "units": ["total_length_mm=in"],
        "words": ["sex:F=female"],
        "fill": ["origin=unknown", "status=hold"],
        "dates": "day-first",
    }
    dry = own.post("imports", status=202, data=sent, files={"file": ("ours.csv", text)})
    told = own.done(dry)["result"]
    assert told["tables"][0]["added"] == 1
    assert own.get("tables/fish")["total"] == before
    written = own.done(own.post(f"imports/{dry['job']}/write", {"reason": "our list"}, status=202))
    assert own.get("tables/fish")["total"] == before + 1
    fish = own.get("records/fish/named/N-77")["values"]
    # 1 inch is 25.4 mm by definition.
    assert (fish["sex"], fish["entered_on"], float(fish["total_length_mm"])) == (
        "female",
        "2024-03-14",
        508.0,
    )
    own.post(f"imports/{written['job']}/write", {}, status=409)
    own.post("imports", status=422, files={"file": ("ours.exe", text)})


def test_job__a_question_to_its_typed_answer(own: Client) -> None:
    started = own.post("questions/kinship", {}, status=202)
    assert started["question"] == "kinship"
    own.done(started)
    answer = own.get(f"questions/kinship/{started['job']}")
    by_fish = {f["fish_id"]: f["mean_kinship"] for f in answer["by_fish"]}
    page = {f["fish"]: f["mean_kinship"] for f in own.get("kinship")["fish"]}
    assert by_fish.keys() == page.keys()
    assert all(abs(by_fish[f] - page[f]) < 1e-12 for f in page)
    # Gene diversity is 1 - mean kinship with self pairs, by definition.
    assert answer["gene_diversity"] == pytest.approx(1 - answer["mean_kinship"])
    own.get(f"questions/size/{started['job']}", 404)
    refused = own.post("questions/found", {"site": "NP"}, status=422)
    assert "number" in refused["error"]["message"]
    own.post("questions/kinship", {"nothing": 1}, status=422)


def test_job__failed_says_why_in_the_words_of_the_one_body(own: Client) -> None:
    started = own.post("questions/may-move", {"what": "nobody", "where": "BB"}, status=202)
    while (job := own.get(f"jobs/{started['job']}"))["state"] in ("waiting", "running"):
        time.sleep(0.05)
    assert job["state"] == "failed"
    assert set(job["result"]) == {"code", "message", "findings"}
    assert "nobody" in job["result"]["message"]
    own.get(f"questions/may-move/{started['job']}", 409)


def test_job__location_says_where_it_is_polled(own: Client) -> None:
    answer = own.http.post("/api/findings", json={})
    assert answer.status_code == 202
    location = answer.headers["location"]
    assert location == f"/api/jobs/{answer.json()['job']}"
    result = own.done(answer.json())["result"]
    marks = [f["mark"] for f in result["findings"] if f["level"] != "error"]
    judged = own.post("findings/judge", {"accept": marks[:1], "reason": "known"}, status=202)
    states = {f["mark"]: f["state"] for f in own.done(judged)["result"]["findings"]}
    assert states[marks[0]] == "accepted"


def test_plan__spawning_day_over_the_interface(own: Client) -> None:
    version = own.done(own.post("plans/spawning", {"settings": {"crosses_wanted": "6"}}, status=202))[
        "result"
    ]["version"]
    plan = own.get(f"plans/spawning/{version}")
    assert len(plan["crosses"]) == 6
    assert plan["bound"] <= plan["value"] + 1e-9
    dam = plan["crosses"][0]["dam"]
    again = own.post("plans/spawning/again", {"lost": {dam: "not ripe"}}, status=202)
    newer = own.done(again)["result"]["version"]
    assert newer == version + 1
    plan = own.get(f"plans/spawning/{newer}")
    assert dam not in {c["dam"] for c in plan["crosses"]}
    assert plan["changes"]
    assert own.get("plans/spawning")[:2] == [newer, version]


def test_sheet__is_printed_and_kept(own: Client) -> None:
    assert "ripeness" in {s["name"] for s in own.get("sheets")}
    made = own.done(own.post("sheets/ripeness", {"values": {}}, status=202))["result"]
    assert (made["sheet"], made["version"], made["void"]) == ("ripeness", 1, False)
    assert any(f.endswith(".pdf") for f in made["files"])
    own.post("sheets/nothing", {}, status=404)


@pytest.mark.slow
def test_plan__release_over_the_interface(own: Client) -> None:
    version = own.done(own.post("plans/release", {}, status=202))["result"]["version"]
    plan = own.get(f"plans/release/{version}")
    assert plan["released"] == sum(line["number"] for line in plan["lines"])
    loads = own.done(own.post("plans/loads", {}, status=202))["result"]["version"]
    assert sum(t["fish"] for t in own.get(f"plans/loads/{loads}")["trips"]) == plan["released"]
    closed = plan["sites"][0]["site"]
    newer = own.done(own.post("plans/release", {"closed": [closed]}, status=202))["result"]["version"]
    after = own.get(f"plans/release/{newer}")
    assert closed not in {s["site"] for s in after["sites"] if s["arrivals"]}
