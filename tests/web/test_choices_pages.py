"""Choices in the browser: every form works out an answer, and wrong input is said in words."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from planner.tasks.jobs_choices import CHOICES
from planner.web.pages.choices import BY_NAME

GIVEN: dict[str, dict[str, str]] = {
    "keep": {"number": "40"},
    "found": {"site": "NP", "number": "12", "families": "3", "least": "1", "most": "6"},
    "loss": {"units": "P-03"},
    "exchange": {"years": "3"},
    "grow": {"months": "6"},
    "equalise": {"season": "2024", "keeps": "2000"},
    "rehearse": {"times": "20"},
    "designs": {},
    "production": {"fish": "400", "length": "300", "date": "2026-11-10"},
}
SAYS = {
    "keep": "Proven gap",
    "found": "Proven gap",
    "loss": "Founder genomes lost",
    "exchange": "Journeys",
    "grow": "break-even",
    "equalise": "cull",
    "rehearse": "dishes",
    "designs": "factorial",
    "production": "Eggs",
}


def test_choices__every_use_case_has_a_form_and_the_other_way_round() -> None:
    assert set(BY_NAME) == set(CHOICES) == set(GIVEN)


LONG = tuple(sorted(set(GIVEN) - {"loss"}))


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.slow) if n in LONG else n for n in sorted(GIVEN)]
)
def test_choice__is_worked_out(look: Any, name: str) -> None:
    look.go(f"/choices/{name}")
    for field, value in GIVEN[name].items():
        look.page.locator(f"#o-{field}").fill(value)
    look.page.get_by_role("button", name="Work it out").click()
    look.page.locator("[data-say='The answer is ready']").or_(look.page.get_by_role("alert")).first.wait_for(
        timeout=180_000
    )
    look.settle()
    text = look.page.locator("main").inner_text()
    assert look.page.get_by_role("alert").count() == 0, text
    assert SAYS[name].lower() in text.lower()
    for field, value in GIVEN[name].items():
        assert look.page.locator(f"#o-{field}").input_value() == value
    how = look.page.get_by_text("How these numbers were made")
    assert how.count() == 1
    look.assert_clean()


def test_choices__list_fits_a_phone(phone: Any) -> None:
    phone.go("/choices")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()
    phone.go("/choices/found")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()


def test_choice__wrong_input_is_said_in_words_and_stays_in_the_form(look: Any) -> None:
    look.go("/choices/keep")
    look.page.get_by_label("Fish to keep").first.fill("many")
    look.page.get_by_role("button", name="Work it out").click()
    look.page.get_by_role("alert").wait_for(timeout=60_000)
    assert "number: found 'many'. Expected a whole number" in look.page.get_by_role("alert").inner_text()
    assert look.page.get_by_label("Fish to keep").first.input_value() == "many"
    assert not look.foreign


def test_choice__unknown_names_and_files_are_refused(server: str) -> None:
    for path in ("nothing", "done/999", "file/keep/..%2f..%2fpeople.json", "file/nothing/x.csv"):
        assert httpx.get(f"{server}/choices/{path}").status_code == 404
