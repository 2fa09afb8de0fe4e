"""One example of an answer for each operation of the JSON interface, by the name of its function; shortened.

Answers of questions and other large ones are in ``examples.json``, which ``tests/web/make_api_examples.py`` writes from the
tiny practice programme.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

CHANGE = {
    "change_id": 7,
    "entered_at": "2025-05-12T08:30:00",
    "entered_by": "TA",
    "reason": "weighed again",
    "source": "",
    "true_on": None,
    "kind": "entry",
    "previous_hash": "2c…",
    "content_hash": "9f…",
    "hash": "b1…",
}
WAITING = {
    "job": 2,
    "name": "question",
    "question": "kinship",
    "state": "waiting",
    "progress": [],
    "seconds": 0.0,
    "result": {},
}
ENTERED = {
    "words": "changed fish F-03: weight_g: 2293 -> 2310 (change 7)",
    "change": 7,
    "record": 3,
    "proposal": None,
}

EXAMPLES: dict[str, Any] = {
    "session": {"name": "local", "role": "approve", "token": "…"},
    "status": {"place": "records.kinshoal", "is_register": True, "version": "412", "warm": True},
    "tables": [{"table": "fish", "sentence": "One row is one fish.", "records": 24}],
    "table": {
        "table": "fish",
        "total": 1,
        "page": 1,
        "pages": 1,
        "rows": [{"number": 6, "fish_id": "F-06", "sex": "female"}],
    },
    "records": {
        "table": "fish",
        "total": 1,
        "records": [{"record_id": 6, "fish_id": "F-06", "weight_g": 2116.0}],
    },
    "record": {
        "table": "fish",
        "number": 6,
        "name": "F-06",
        "entry": 212,
        "values": {"fish_id": "F-06", "sex": "female"},
        "history": [{"change": CHANGE, "values": {"weight_g": [2116.0, 2140.0]}}],
    },
    "record_named": {
        "table": "fish",
        "number": 6,
        "name": "F-06",
        "entry": 212,
        "values": {"fish_id": "F-06", "sex": "female"},
        "history": [{"change": CHANGE, "values": {"weight_g": [2116.0, 2140.0]}}],
    },
    "find": [
        {
            "table": "holds",
            "name": "#1",
            "record": "#1",
            "column": "note",
            "value": "fungus on the tail",
            "how": "holds the text",
        }
    ],
    "add": ENTERED | {"words": "added to holds: record #4, change 7", "record": 4},
    "change": ENTERED,
    "withdraw": ENTERED
    | {"words": "withdrawn: holds #4 (change 8); its history stays", "change": 8, "record": 4},
    "changes": [CHANGE],
    "undo": {"words": "Change 7 undone by change 8."},
    "proposals": [
        {
            "proposal_id": "1",
            "act": "merge-fish",
            "subject": "M-02 into M-01",
            "reason": "one genotype",
            "proposed_by": "TA",
            "proposed_on": "2025-01-10",
            "state": "open",
            "decided_by": None,
            "decided_on": None,
            "answer": None,
        }
    ],
    "decide": {
        "words": "proposal 1 refused; nothing was changed",
        "change": 9,
        "record": None,
        "proposal": "1",
    },
    "merge": {
        "words": "proposal 1 waits: the merge of two fish",
        "change": 8,
        "record": None,
        "proposal": "1",
    },
    "queue": [
        {
            "item": "3f9c",
            "table": "fish",
            "record": "F-03",
            "state": "open",
            "ours": {"weight_g": 2293.0},
            "ours_source": "first import",
            "theirs": {"weight_g": 2310.0},
            "theirs_source": "fish.csv",
            "differences": ["weight_g"],
        }
    ],
    "take": {"words": "3f9c: the new values were entered."},
    "decision": {"words": "added to decisions: record #1, change 7"},
    "set_setting": ENTERED
    | {"words": "changed settings pair_kinship_limit: value: 0.0625 -> 0.05 (change 7)"},
    "settings": [
        {
            "name": "pair_kinship_limit",
            "value": "0.0625",
            "unit": "",
            "meaning": "No pair may have a kinship above this.",
            "source": "",
            "choices": [],
        }
    ],
    "columns": {
        "table": "fish",
        "sentence": "One fish known as an individual, by tag or genotype.",
        "key": ["fish_id"],
        "columns": [
            {
                "name": "weight_g",
                "kind": "number",
                "sentence": "Last weight.",
                "required": False,
                "unit": "g",
                "low": 0.01,
                "high": 30000.0,
                "choices": [],
                "refers": "",
            }
        ],
    },
    "sheets": [
        {
            "name": "ripeness",
            "title": "Ripeness check",
            "lead": "Every broodfish in walking order.",
            "plan": "",
            "asks": [{"name": "day"}],
        }
    ],
    "versions": [2, 1],
    "stop": {"words": "Job 2 was asked to stop."},
    "jobs": [WAITING],
    "job": WAITING
    | {"state": "done", "progress": ["Reading the records"], "seconds": 1.2, "result": {"fish": 15}},
}
JOBS = {
    "plan_spawning": "spawn",
    "plan_spawning_again": "replan",
    "plan_release": "release",
    "plan_loads": "loads",
    "print_sheet": "sheet",
    "read": "read",
    "verify": "verify",
    "report": "report",
    "findings": "findings",
    "judge": "findings",
    "accept_feedback": "question",
    "import_file": "import",
    "import_write": "import",
}
"""Kind of job by the name of the function that starts it."""


@cache
def large() -> dict[str, Any]:
    """Return the examples kept in ``examples.json``."""
    text = (files("planner.web.api") / "examples.json").read_text(encoding="utf-8")
    examples: dict[str, Any] = json.loads(text)
    return examples


def example_of(name: str) -> Any:
    """Return the example of an operation.

    Raises
    ------
    KeyError
        If there is none: every operation has one.
    """
    if name in EXAMPLES:
        return EXAMPLES[name]
    if name in JOBS:
        question = "feedback" if name == "accept_feedback" else ""
        return WAITING | {"name": JOBS[name], "question": question}
    if name.startswith("ask_"):
        return WAITING | {"question": name.removeprefix("ask_").replace("_", "-")}
    if name == "loads_plan":
        return large()["answer_load"] | {"is_newest": True, "versions": [1]}
    return large()[name]
