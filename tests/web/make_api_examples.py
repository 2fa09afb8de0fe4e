"""Write planner/web/api/examples.json from the tiny practice programme: ``PYTHONPATH=. python tests/web/make_api_examples.py``."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from planner.tasks import jobs_planning
from planner.tasks.card import card_of
from planner.tasks.demo_records import practice_place
from planner.tasks.founders import founder_board
from planner.tasks.jobs_questions import answer
from planner.tasks.kinship_page import kinship_page, pedigree_page
from planner.tasks.permits import tallies
from planner.tasks.plan_file import plain_value
from planner.tasks.plan_pages import plan_shown
from planner.tasks.tags import explain_tag
from planner.tasks.water_pages import water_cards
from planner.tasks.workplace import Workplace
from planner.web.api.questions import QUESTIONS

PLACE = Path(__file__).resolve().parents[2] / "planner" / "web" / "api" / "examples.json"
SMALL: dict[str, dict[str, Any]] = {
    "rehearse": {"times": 20},
    "tradeoff": {"points": 2, "settings": {"release_gap": "0.02"}},
    "trial": {"times": 5, "only": ["heterozygosity"]},
    "load": {},
}
"""Less work than the example of a question asks."""

TEXT_KEPT, ITEMS_KEPT, ROW_KEPT, KEYS_KEPT = 100, 1, 4, 40
FREE = (
    "settings",
    "libraries",
    "rows",
    "measures",
    "parameters",
    "last_year",
    "results",
    "do-nothing",
    "survival",
)
"""Mappings of which two entries are enough."""
LEFT_OUT = {"answer_audit": ("quality", "diversity", "sizes", "losses", "parents", "structure", "haplotypes")}
"""Parts that are the answers of other questions, under their names."""


def asked(name: str) -> dict[str, Any]:
    """What the example of a question asks, or less."""
    example: dict[str, Any] = QUESTIONS[name].asked.model_config["json_schema_extra"]["examples"][0]  # type: ignore[index,call-overload]
    return SMALL.get(name, {k: v for k, v in example.items() if k != "settings"})


def shortened(value: Any, name: str = "") -> Any:
    """Keep one item of each list, the beginning of long texts, four digits of numbers."""
    if isinstance(value, dict):
        most = 2 if name in FREE else KEYS_KEPT
        return {k: shortened(v, k) for k, v in list(value.items())[:most]}
    if (
        isinstance(value, list)
        and len(value) <= ROW_KEPT
        and not any(isinstance(v, (dict, list)) for v in value)
    ):
        return [shortened(v) for v in value]
    if isinstance(value, list):
        return [shortened(v) for v in value[: 2 if name in ("facts",) else ITEMS_KEPT]]
    if isinstance(value, str):
        return value if len(value) <= TEXT_KEPT else value[:TEXT_KEPT] + "…"
    if isinstance(value, float):
        return float(f"{value:.4g}")
    return value


def all_answers(workplace: Workplace) -> dict[str, Any]:
    """Answer every large operation on the tiny programme, by the name of its function."""

    def say(words: str) -> None:
        return None

    programme = workplace.programme()
    jobs_planning.spawn(workplace, {}, say)
    jobs_planning.release(workplace, {}, say)
    lines, forms, readable = explain_tag("999009000012345")
    out = {
        "card": card_of(workplace.place, "F-06").data,
        "kinship": kinship_page(programme),
        "pedigree": pedigree_page(programme, "F-06"),
        "founders": founder_board(programme),
        "waters": water_cards(programme, None),
        "permits": tallies(programme, None),
        "tag": {"readable": readable, "words": lines, "forms": forms},
        "spawning_plan": plan_shown(workplace.plan_folder("spawning"), "spawning"),
        "release_plan": plan_shown(workplace.plan_folder("release"), "release"),
    }
    for name in QUESTIONS:
        found = answer(workplace, {"question": name, "asked": asked(name)}, say)
        out[f"answer_{name.replace('-', '_')}"] = found
    return {k: plain_value(v) for k, v in out.items()}


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        place = practice_place(Path(folder) / "demo", tiny=True)
        answers = all_answers(Workplace(place, Path(folder) / "work"))
    answers["answer_check"]["folder"] = "records.kinshoal"
    for name, parts in LEFT_OUT.items():
        answers[name] = {k: v for k, v in answers[name].items() if k not in parts}
    text = json.dumps({k: shortened(v) for k, v in answers.items()}, indent=1, ensure_ascii=False)
    PLACE.write_text(text + "\n", encoding="utf-8")
    print(f"wrote {PLACE}")
