"""The plan as one JSON file: results, proof, settings and fingerprint; a new version voids the old one."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
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
    """Return a value as JSON holds it, through and through.

    Parameters
    ----------
    value : object
        Text, numbers, mappings, sequences; a result (its ``as_dict``), another dataclass (its fields), numpy scalars and
        arrays, dates, paths.

    Returns
    -------
    object
        Plain values: dates as ISO text, a number or day that is none as None, keys as text.

    Raises
    ------
    TypeError
        If the value is none of these.
    """
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): plain_value(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain_value(v) for v in value]
    for name in ("as_dict", "tolist", "isoformat", "__fspath__"):
        if hasattr(value, name):
            found = getattr(value, name)()
            return None if found == "NaT" else plain_value(found)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain_value(getattr(value, f.name)) for f in dataclasses.fields(value)}
    raise TypeError(f"cannot write {type(value).__name__} as JSON")
