"""The plan as one JSON file: results, proof, settings and fingerprint; a new version voids the old one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.outputs import write_text


def write_plan_file(path: Path, values: dict[str, Any]) -> Path:
    """Write plain values as JSON, numpy numbers included.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    write_text(
        path, json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False, default=plain_value) + "\n"
    )
    return path


def read_plan_file(path: Path) -> dict[str, Any]:
    """Read a plan file back.

    Raises
    ------
    UsageError
        If it is not a plan file of ours.
    OSError
        If it cannot be read.
    """
    try:
        values: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        int(values["provenance"]["version"])
    except (ValueError, KeyError, TypeError) as error:
        raise UsageError(
            f"{path}: found something that is not a plan file ({error}). Expected a plan written by this program. "
            "Name another folder."
        ) from None
    return values


def next_version(path: Path) -> int:
    """Return 1 when there is no plan file, otherwise its version plus 1.

    Raises
    ------
    UsageError
        If the file is not a plan file of ours.
    """
    if not path.exists():
        return 1
    return int(read_plan_file(path)["provenance"]["version"]) + 1


def plain_value(value: Any) -> Any:
    """Turn a result, numpy scalar or array, date or path into what JSON can hold.

    Raises
    ------
    TypeError
        If the value is none of these.
    """
    for name in ("as_dict", "tolist", "isoformat", "__fspath__"):
        if hasattr(value, name):
            return getattr(value, name)()
    raise TypeError(f"cannot write {type(value).__name__} as JSON")
