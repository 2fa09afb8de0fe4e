"""Every question of the JSON interface, answered on the tiny records, has the shape and the example it is described with."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from planner.tasks.jobs_questions import answer
from planner.tasks.workplace import Workplace
from planner.web.api.examples import example_of
from planner.web.api.questions import QUESTIONS
from tests.web.test_api import held

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
QUICK = (
    "equalise",
    "exchange",
    "grow",
    "hatch",
    "kinship",
    "loss",
    "lots",
    "may-move",
    "permits",
    "production",
    "quality",
    "renovations",
    "tags",
)
"""Answered in a moment; the others are asked with ``--slow`` and by the README's commands."""


def _examples() -> Any:
    spec = importlib.util.spec_from_file_location(
        "examples", Path(__file__).with_name("make_api_examples.py")
    )
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Workplace:
    return Workplace(str(TINY), tmp_path_factory.mktemp("questions"))


@pytest.mark.parametrize(
    "name", [n if n in QUICK else pytest.param(n, marks=pytest.mark.slow) for n in QUESTIONS]
)
def test_question__answer_and_example_have_the_shape(place: Workplace, name: str) -> None:
    asked = _examples().asked(name)
    if name == "load":
        from planner.tasks.jobs_planning import release

        release(place, {}, lambda words: None)
    found = answer(place, {"question": name, "asked": asked}, lambda words: None)
    shape = QUESTIONS[name].answer
    shape.model_validate(found)
    assert not set(found) - set(shape.model_fields), "fields that are not described"
    assert held_by_type(example_of(f"answer_{name.replace('-', '_')}"), found)


def held_by_type(example: Any, found: Any) -> bool:
    """Whether an answer has what its example names; names of fish and groups may differ."""
    return held({k: v for k, v in example.items() if not isinstance(v, dict)}, found) and set(example) <= set(
        found
    )


def test_question__settings_and_choices_reach_the_use_case(place: Workplace) -> None:
    def asked(name: str, **values: Any) -> Any:
        return answer(place, {"question": name, "asked": values}, lambda words: None)

    warm, cold = (asked("hatch", temperature=t)["events"][0]["days"] for t in (20, 16))
    assert all(w < c for w, c in zip(warm, cold, strict=True)), "eggs hatch earlier in warmer water"
    assert len(asked("equalise", season=2024, keep=[400, 200])["steps"]) > len(
        asked("equalise", season=2024, keep=[400])["steps"]
    )
    assert asked("exchange", years=2)["provenance"]["settings"]["years"] == 2
