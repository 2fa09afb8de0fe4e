"""One example of an answer for each operation of the JSON interface, by the name of its function; shortened."""

from __future__ import annotations

from typing import Any

EXAMPLES: dict[str, Any] = {
    "session": {"name": "local", "role": "approve", "token": "…"},
    "status": {"place": "records.kinshoal", "version": "412", "warm": True},
    "tables": [{"table": "fish", "sentence": "One row is one fish.", "records": 24}],
    "table": {
        "table": "fish",
        "total": 1,
        "page": 1,
        "pages": 1,
        "rows": [{"number": 6, "fish_id": "F-06", "sex": "female"}],
    },
    "record": {
        "table": "fish",
        "number": 6,
        "name": "F-06",
        "values": {"fish_id": "F-06", "sex": "female"},
        "history": [],
    },
    "add": {"words": "Entered."},
    "change": {"words": "Nothing differs; nothing was entered."},
    "card": {"fish": "F-06"},
    "kinship": {"facts": [["Living fish in care", "24"]], "closest": [["F-06", "F-11", 0.25]]},
    "pedigree": {"root": {"fish": "F-06", "children": []}, "inbreeding": 0.0, "mean_kinship": 0.05},
    "founders": {"founders": [{"founder": "W-01", "share": 0.1}], "numbers": []},
    "waters": [{"site_id": "S-01", "residents": 12, "lights": [{"name": "Open", "state": "good"}]}],
    "permits": [{"permit": "P-01", "activity": "release", "limit": 500, "counted": 120}],
    "versions": [2, 1],
    "plan": {"is_newest": True, "versions": [2, 1]},
    "start": {"job": 2, "name": "read", "state": "waiting", "progress": [], "seconds": 0.0, "result": {}},
    "job": {
        "job": 2,
        "name": "read",
        "state": "done",
        "progress": ["Reading the records"],
        "seconds": 1.2,
        "result": {"fish": 24},
    },
    "stop": {"words": "Job 2 was asked to stop."},
    "settings": [{"name": "pair_kinship_limit", "value": "0.125", "unit": ""}],
}
