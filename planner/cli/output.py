"""One shape for every answer: words on standard output, or one JSON object with `--json`."""

from __future__ import annotations

import functools
import json
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import click

DONE, OUR_FAULT, WRONG_USAGE, INPUT_FAULTS, NO_PLAN, STOPPED = 0, 1, 2, 3, 4, 5


@dataclass(frozen=True)
class Answer:
    """What a command says.

    Parameters
    ----------
    text : str
        The answer for people.
    data : dict
        The same answer as plain values.
    code : int
        Exit code.
    """

    text: str
    data: dict[str, Any] = field(default_factory=dict)
    code: int = DONE


def answers(function: Callable[..., Answer]) -> Callable[..., int]:
    """Give a command the `--json` option and print its `Answer`."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
    @functools.wraps(function)
    def command(*args: Any, as_json: bool, **kwargs: Any) -> int:
        answer = function(*args, **kwargs)
        if as_json:
            from planner.tasks.plan_file import plain_value

            click.echo(json.dumps(answer.data, ensure_ascii=False, allow_nan=False, default=plain_value))
        else:
            click.echo(answer.text)
        return answer.code

    return command


def progress(message: str) -> None:
    """Say on standard error what is being done."""
    click.echo(message, err=True)


def show_error(error: Exception, as_json: bool) -> int:
    """Print an error as words on standard error, or as one JSON object on standard output.

    Returns
    -------
    int
        Exit code: 3 for input faults, 2 for wrong usage, 4 for no plan, 5 for a stop without a plan,
        1 for a fault of ours.
    """
    from broodstock.errors import InputError, KinshoalError, UsageError

    code = OUR_FAULT
    body: dict[str, Any] = {"error": {"code": "our-fault", "message": str(error), "findings": []}}
    if isinstance(error, KinshoalError):
        code = WRONG_USAGE if isinstance(error, UsageError) else INPUT_FAULTS
        code = getattr(error, "exit_code", code)
        body["error"]["code"] = error.code
        if isinstance(error, InputError):
            body["error"]["findings"] = [f.as_dict() for f in error.findings]
        message = str(error)
    elif isinstance(error, OSError):
        code = INPUT_FAULTS
        message = (
            f"{error.filename or 'file'}: found {error.strerror or error}. Expected a file or folder that can be "
            "read and written. Check the path, the rights and the space left. [file]"
        )
        body["error"].update(code="file", message=message)
    else:
        message = (
            f"A fault in Kinshoal, not in your records: {type(error).__name__}: {error}\n"
            "Nothing was changed. Please report it with the text below.\n"
            + "".join(traceback.format_exception(error)[-6:])
        )
    if as_json:
        click.echo(json.dumps(body, ensure_ascii=False))
    else:
        click.echo(message, err=True)
    return code
