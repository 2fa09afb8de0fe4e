"""An error as the plain values that every edge shows: the command line, the pages, the interface, the workers."""

from __future__ import annotations

import traceback
from typing import Any

from broodstock.errors import InputError, KinshoalError, UsageError

OUR_FAULT, WRONG_USAGE, INPUT_FAULTS = 1, 2, 3
LAST_LINES = 6


def error_body(error: Exception) -> dict[str, Any]:
    """Return an error as plain values.

    Returns
    -------
    dict
        ``code``, ``message``, ``findings``, ``exit_code`` (3 for input faults, 2 for wrong usage, 4 for no plan, 5 for
        a stop without a plan, 1 for a fault of ours); for a fault of ours also ``trace``.
    """
    if isinstance(error, KinshoalError):
        findings = [f.as_dict() for f in error.findings] if isinstance(error, InputError) else []
        code = getattr(error, "exit_code", WRONG_USAGE if isinstance(error, UsageError) else INPUT_FAULTS)
        return {"code": error.code, "message": str(error), "findings": findings, "exit_code": code}
    if isinstance(error, OSError):
        words = (
            f"{error.filename or 'file'}: found {error.strerror or error}. Expected a file or folder that can be "
            "read and written. Check the path, the rights and the space left. [file]"
        )
        return {"code": "file", "message": words, "findings": [], "exit_code": INPUT_FAULTS}
    return {
        "code": "our-fault",
        "message": f"A fault in Kinshoal, not in your records: {type(error).__name__}: {error}",
        "findings": [],
        "exit_code": OUR_FAULT,
        "trace": "".join(traceback.format_exception(error)[-LAST_LINES:]),
    }
