"""Records in the browser: browse, enter, correct, history, import with a dry run, findings, decisions."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx


def test_tables__search_sort_filter_and_history(look: Any) -> None:
    look.go("/records")
    look.page.get_by_role("link", name="fish", exact=True).first.click()
    look.settle()
    everything = look.page.locator("#rows > p").inner_text()
    look.page.get_by_label("sex", exact=True).select_option("female")
    look.page.wait_for_function("document.querySelector('#rows > p').innerText != " + repr(everything))
    assert "male" not in look.page.locator("#rows tbody tr:not(.past) td:nth-child(3)").all_inner_texts()
    look.page.get_by_role("link", name="total length mm").click()
    look.settle()
    assert look.page.locator("th[aria-sort='ascending']").count() == 1
    look.page.get_by_role("button", name="history").first.click()
    look.page.locator(".history li").first.wait_for()
    look.assert_clean()


def test_records__enter_correct_and_see_the_history(look: Any) -> None:
    look.go("/records/table/units/new")
    look.page.get_by_label("unit id").fill("T-web")
    look.page.get_by_label("kind").first.select_option(index=1)
    look.page.get_by_role("button", name="Enter it").click()
    assert "added to units" in look.page.get_by_role("status").first.inner_text()
    look.go("/records/table/units?q=T-web")
    look.page.locator("#rows tbody a").first.click()
    look.page.get_by_role("link", name="Correct it").click()
    look.page.get_by_label("building").fill("Annex")
    look.page.get_by_label("Why").fill("moved")
    look.page.get_by_role("button", name="Enter it").click()
    look.go("/records/table/units?q=T-web")
    look.page.locator("#rows tbody a").first.click()
    look.settle()
    text = look.page.locator("main").inner_text()
    assert "moved" in text
    assert "Annex" in text
    look.assert_clean()


def test_records__a_wrong_value_is_said_beside_the_form(look: Any) -> None:
    look.go("/records/table/fish/new")
    look.page.get_by_label("fish id").fill("F-x")
    look.page.get_by_label("total length mm").fill("long")
    look.page.get_by_role("button", name="Enter it").click()
    words = look.page.get_by_role("alert").inner_text()
    assert "total_length_mm" in words
    assert look.page.get_by_label("fish id").input_value() == "F-x"
    assert not look.foreign


def test_find__leads_to_the_record(look: Any) -> None:
    look.go("/find?q=F-0")
    assert look.page.locator("tbody tr").count() > 0
    look.assert_clean()
    nothing = httpx.get(look.home + "/find", params={"q": "<b>no such thing</b>"})
    assert nothing.status_code == 200
    assert "<b>no such" not in nothing.text


def test_import__dry_run_then_write(look: Any, tmp_path: Path) -> None:
    file = tmp_path / "units.csv"
    file.write_text("unit_id,kind\nT-new,tank\n")
    look.go("/records/import")
    look.assert_clean()
    look.page.locator("#file").set_input_files(file)
    look.page.get_by_role("button", name="Dry run").click()
    look.page.get_by_text("nothing was written").first.wait_for(timeout=60_000)
    look.settle()
    look.page.get_by_role("button", name="Write it").click()
    look.page.get_by_role("heading", name="Written").wait_for(timeout=60_000)
    assert "T-new" in httpx.get(look.home + "/records/table/units", params={"q": "T-new"}).text
    look.assert_clean()


def test_import__refuses_other_files_and_strange_names(server: str, secret_of: Callable[[str], str]) -> None:
    with httpx.Client(base_url=server) as client:
        token = secret_of(client.get("/look").text)
        for name in ("x.exe", "../../evil.py", ".csv"):
            answer = client.post(
                "/records/import", data={"csrf": token}, files={"file": (name, b"a,b\n1,2\n")}
            )
            assert answer.status_code == 422, name
            assert "Expected a file that ends with" in answer.text


def test_import__refuses_what_is_too_large_before_reading_it(server: str) -> None:
    import socket
    from urllib.parse import urlsplit

    where = urlsplit(server)
    with socket.create_connection((where.hostname, where.port), timeout=10) as line:
        head = f"POST /records/import HTTP/1.1\r\nHost: {where.netloc}\r\nContent-Length: 1000000000\r\n\r\n"
        line.sendall(head.encode())
        assert line.recv(64).split()[1] == b"413"


def test_findings__are_decided_with_a_reason_and_kept_for_the_same_records(look: Any, phone: Any) -> None:
    look.go("/records/findings")
    assert "findings" in look.page.locator("main").inner_text()
    for decision, reason in (("Reviewed", "someone looks at it"), ("Accept", "seen and known")):
        look.page.get_by_text("Decide", exact=True).first.click()
        look.page.locator("details[open] input[name=reason]").fill(reason)
        look.page.get_by_role("button", name=decision, exact=True).first.click()
        look.page.get_by_text(f": {reason}").first.wait_for(timeout=60_000)
        look.settle()
    assert look.page.get_by_text("reviewed by local: someone looks at it").count() == 1
    look.assert_clean()
    jobs = httpx.get(look.home + "/jobs").text.count("Run every check")
    look.go("/records/findings")
    assert "the records have not changed since" in look.page.locator("main").inner_text()
    assert look.page.get_by_text("seen and known").count() == 1
    assert httpx.get(look.home + "/jobs").text.count("Run every check") == jobs
    look.assert_clean()
    phone.go("/records/findings")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()
    look.page.get_by_role("button", name="Check again").click()
    look.settle()
    assert httpx.get(look.home + "/jobs").text.count("Run every check") == jobs + 1


def test_records__two_tabs_that_change_one_record(look: Any) -> None:
    look.go("/records/table/sites")
    look.page.locator("#rows tbody a").first.click()
    address = look.page.url.removeprefix(look.home) + "/change"
    look.go(address)
    other = look.page.context.new_page()
    other.goto(look.home + address)
    other.get_by_label("note", exact=True).fill("Boat house")
    other.get_by_label("Why").fill("moved by another")
    other.get_by_role("button", name="Enter it").click()
    other.get_by_text("changed sites").wait_for()
    look.page.get_by_label("area ha").fill("12.5")
    look.page.get_by_label("Why").fill("my reason")
    look.page.get_by_role("button", name="Enter it").click()
    look.settle()
    told = look.page.get_by_role("alert").inner_text()
    assert "Changed meanwhile by local" in told
    assert "moved by another" in told
    assert look.page.get_by_label("area ha").input_value() == "12.5"
    assert look.page.get_by_label("Why").input_value() == "my reason"
    assert look.page.get_by_label("note", exact=True).input_value() == "Boat house"
    look.assert_clean()
    look.page.get_by_role("button", name="Enter it").click()
    assert "12.5" in look.page.get_by_role("status").first.inner_text()
    assert "note" not in look.page.get_by_role("status").first.inner_text()


def test_records__tables_that_people_decide_on_have_no_form(
    server: str, secret_of: Callable[[str], str]
) -> None:
    with httpx.Client(base_url=server) as client:
        token = secret_of(client.get("/look").text)
        for table, address in (("proposals", "/proposals"), ("finding_reviews", "/records/findings")):
            asked = client.get(f"/records/table/{table}/new")
            assert asked.status_code == 400
            assert address in asked.text
            sent = client.post(f"/records/table/{table}/new", data={"csrf": token, "v.state": "confirmed"})
            assert sent.status_code == 422
            assert "Expected a decision on the page" in sent.text


def test_changes_and_decisions(look: Any) -> None:
    look.go("/decisions")
    look.page.get_by_label("What was decided").fill("Keep the water closed")
    look.page.get_by_label("Why").fill("a predator was seen")
    look.page.get_by_role("button", name="Enter the decision").click()
    look.page.get_by_text("Keep the water closed").wait_for()
    look.assert_clean()
    look.go("/records/changes")
    look.page.get_by_role("button", name="Check the whole chain").click()
    look.page.get_by_role("heading", name="The chain is whole").wait_for(timeout=60_000)
    look.assert_clean()


def test_settings__have_meaning_and_source(look: Any) -> None:
    look.go("/settings")
    assert "pair_kinship_limit" in look.page.locator("main").inner_text()
    look.assert_clean()


def test_folder__can_be_read_but_not_written(
    practice: str, tmp_path: Path, serve: Callable[[Any], Any]
) -> None:
    from planner.web.app import create_app

    app = create_app(str(Path(practice).parent / "records"), tmp_path, workers=0)
    with serve(app) as address:
        read = httpx.get(address + "/records/table/fish", params={"q": "F-0", "sort": "-fish_id"}, timeout=60)
        assert read.status_code == 200
        assert "Add one" not in read.text
        refused = httpx.get(address + "/records/table/fish/new")
        assert refused.status_code == 409
        assert "kinshoal register new" in refused.text
