"""What a sheet is asked for: words typed by a person, and the plans that are there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from broodstock.intake.near_words import did_you_mean, near_word

PLAN_FILES = {
    "spawning": "spawning_plan.json",
    "release": "release_plan.json",
    "load": "load_plan.json",
    "tradeoff": "tradeoff.json",
    "projection": "projection.json",
}
"""File of each kind of plan."""


def plans_in(folders: Iterable[Path]) -> dict[str, Path]:
    """Return the folder of each kind of plan found in some folders, the last one given first."""
    return {kind: one for one in folders for kind, name in PLAN_FILES.items() if (one / name).exists()}


@dataclass(frozen=True)
class Asked:
    """Words by name, and folders of plans by kind.

    Parameters
    ----------
    values : mapping of str to str
        What was typed, by name; empty words count as not given.
    plans : mapping of str to Path
        Folder of the plan of a kind, see `PLAN_FILES`.
    """

    values: Mapping[str, str]
    plans: Mapping[str, Path] = field(default_factory=dict)

    def text(self, name: str, otherwise: str = "") -> str:
        """Return the words given under a name."""
        return self.values.get(name, "").strip() or otherwise

    def day(self, name: str, otherwise: dt.date) -> dt.date:
        """Return a day.

        Raises
        ------
        UsageError
            If it is not an ISO 8601 date.
        """
        text = self.text(name)
        if not text:
            return otherwise
        try:
            return dt.date.fromisoformat(text)
        except ValueError:
            raise UsageError(
                f"{name}: found {text!r}. Expected a day such as 2025-02-14. Write year, month, day."
            ) from None

    def whole(self, name: str, otherwise: int, low: int, high: int) -> int:
        """Return a whole number in a range.

        Raises
        ------
        UsageError
            If it is none or lies outside.
        """
        text = self.text(name)
        if not text:
            return otherwise
        if not text.isdigit() or not low <= int(text) <= high:
            raise UsageError(f"{name}: found {text!r}. Expected a whole number from {low} to {high}.")
        return int(text)

    def one_of(self, name: str, known: Iterable[str], otherwise: str | None = None) -> str:
        """Return a word that must be one of some names.

        Raises
        ------
        UsageError
            If it is none of them, or is missing and there is no `otherwise`.
        """
        text = self.text(name)
        names = [str(k) for k in known]
        if not text and otherwise is not None:
            return otherwise
        if text in names:
            return text
        near = did_you_mean(near_word(text, names)) if text else ""
        few = ", ".join(names[:12]) + (" ..." if len(names) > 12 else "")
        raise UsageError(f"{name}: found {text!r}. {near}Expected one of {few or 'nothing: there is none'}.")

    def plan(self, kind: str) -> dict[str, Any]:
        """Return the newest plan of a kind as plain values.

        Raises
        ------
        UsageError
            If there is none, or the file is not a plan file of ours.
        """
        from planner.tasks.plan_file import read_plan_file

        folder = self.plans.get(kind)
        path = folder / PLAN_FILES[kind] if folder else None
        if path is None or not path.exists():
            raise UsageError(
                f"{kind} plan: found none{f' in {folder}' if folder else ''}. Expected the folder of a {kind} plan. "
                f"Make the plan first; on the command line name its folder with --plan."
            )
        return read_plan_file(path)
