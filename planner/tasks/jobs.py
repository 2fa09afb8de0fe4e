"""Long work by name: what the web app and its interface run in a process of their own.

Each job takes the workplace, options as plain text values, and a function that is told in words what is being done; it
returns plain values. Results are files in the workplace, written whole or not at all.
"""

from __future__ import annotations

import importlib
import signal
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.error_words import error_body
from planner.tasks.workplace import Workplace

Say = Callable[[str], None]
Options = Mapping[str, Any]


@dataclass(frozen=True)
class Job:
    """One kind of long work.

    Parameters
    ----------
    at : str
        ``module:function``; imported when first asked for. The function takes the workplace, options and `Say`.
    sentence : str
        What it does.
    """

    at: str
    sentence: str

    def function(self) -> Callable[[Workplace, Options, Say], dict[str, Any]]:
        """Import and return the function."""
        module, name = self.at.split(":")
        function: Callable[[Workplace, Options, Say], dict[str, Any]] = getattr(
            importlib.import_module(module), name
        )
        return function


JOBS: dict[str, Job] = {
    "read": Job("planner.tasks.jobs:read_records", "Read and check the records."),
    "spawn": Job("planner.tasks.jobs_planning:spawn", "Plan the crosses of a day."),
    "replan": Job("planner.tasks.jobs_planning:replan", "Plan the rest of a spawning day again."),
    "release": Job("planner.tasks.jobs_planning:release", "Plan which fish go where."),
    "tradeoff": Job(
        "planner.tasks.jobs_release:tradeoff", "Weigh survivors against kinship: a row of release plans."
    ),
    "loads": Job("planner.tasks.jobs_release:loads", "Load the trucks for the last release plan."),
    "choice": Job("planner.tasks.jobs_choices:choice", "Work out a choice."),
    "question": Job("planner.tasks.jobs_questions:answer", "Answer a question of the command line."),
    "import": Job("planner.tasks.jobs_records:import_file", "Compare a file with the register, or write it."),
    "findings": Job("planner.tasks.jobs_records:findings", "Run every check on the records."),
    "sheet": Job("planner.tasks.sheets.shelf:print_sheet", "Print a sheet."),
    "report": Job("planner.tasks.jobs_reports:report", "Make a report."),
    "verify": Job("planner.tasks.jobs_records:verify", "Check the whole chain of changes."),
}


def job(name: str) -> Job:
    """Return the job called `name`.

    Raises
    ------
    UsageError
        If there is no such job.
    """
    if name not in JOBS:
        raise UsageError(f"job: found {name!r}. Expected one of {', '.join(JOBS)}.")
    return JOBS[name]


def read_records(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Read the records so that later work starts at once."""
    say("Reading the records")
    programme = workplace.programme()
    return {"fingerprint": programme.fingerprint, "fish": len(programme.tables["fish"])}


def work_off(connection: Connection, place: str, work: str) -> None:
    """Serve jobs over a connection until it closes; the main function of a worker process.

    Receives ``(number, name, options)`` and sends ``(number, kind, value)``: kind is ``progress`` with words, ``done``
    with plain values, or ``failed`` with `planner.tasks.error_words.error_body`. An interrupt stops the job at hand, not the process.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    workplace = Workplace(place, Path(work))
    while True:
        try:
            number, name, options = connection.recv()
        except (EOFError, OSError):
            return

        def say(words: str, number: int = number) -> None:
            connection.send((number, "progress", words))

        try:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            try:
                values = job(name).function()(workplace, options, say)
            finally:
                signal.signal(signal.SIGINT, signal.SIG_IGN)
            connection.send((number, "done", values))
        except KeyboardInterrupt:
            connection.send(
                (
                    number,
                    "failed",
                    {"code": "stopped", "message": "Stopped; nothing half-written.", "findings": []},
                )
            )
        except Exception as error:
            connection.send((number, "failed", error_body(error)))
