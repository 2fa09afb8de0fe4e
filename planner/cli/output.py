"""One shape for every answer: words on standard output, or one JSON object with `--json`."""

from __future__ import annotations

import functools
import json
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
    from planner.tasks.error_words import error_body

    body = error_body(error)
    code, message, trace = int(body.pop("exit_code")), str(body["message"]), body.pop("trace", "")
    if trace:
        body["message"] = str(error)
        message += f"\nNothing was changed. Please report it with the text below.\n{trace}"
    if as_json:
        click.echo(json.dumps({"error": body}, ensure_ascii=False))
    else:
        click.echo(message, err=True)
    return code
