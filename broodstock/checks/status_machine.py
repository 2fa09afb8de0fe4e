"""States a fish or its group can be in, which may follow which, and the check of what the records say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from broodstock.checks.records import CheckInput, day, file_of
from broodstock.errors import UsageError
from broodstock.findings import Findings, Place

IN_CARE = frozenset({"individual", "brood", "hold", "to-release"})
"""States of a fish known as an individual that is in the station."""
_ENDS = frozenset({"dead", "lost", "unknown"})
_IN_WATER = frozenset({"released", "seen", "captured"})

MAY_FOLLOW: dict[str, frozenset[str]] = {
    "eggs-or-larvae": frozenset({"juveniles", "individual", "released"}) | _ENDS,
    "juveniles": frozenset({"individual", "released"}) | _ENDS,
    "individual": frozenset({"brood", "hold", "to-release", "released", "seen", "captured"}) | _ENDS,
    "brood": frozenset({"hold", "to-release", "released"}) | _ENDS,
    "hold": frozenset({"brood", "to-release", "released"}) | _ENDS,
    "to-release": frozenset({"brood", "hold", "released"}) | _ENDS,
    "released": frozenset({"seen", "captured"}) | _ENDS,
    "seen": frozenset({"seen", "captured"}) | _ENDS,
    "captured": frozenset({"captured", "released", "seen", "individual", "brood", "hold", "to-release"})
    | _ENDS,
    "lost": frozenset({"individual", "brood", "hold", "to-release", "released", "seen", "captured", "dead"}),
    "unknown": frozenset(
        {"individual", "brood", "hold", "to-release", "released", "seen", "captured", "dead", "lost"}
    ),
    "dead": frozenset(),
}
"""States that may follow each state. A group becomes juveniles, then individuals by tag or genotype; a released fish
comes back into care only through a capture; nothing follows death."""


def may_follow(before: str, after: str) -> bool:
    """Return whether one state may follow another; a state may always be entered again unchanged.

    Parameters
    ----------
    before, after : str
        States of `MAY_FOLLOW`.

    Raises
    ------
    UsageError
        If a state is not known.
    """
    for state in (before, after):
        if state not in MAY_FOLLOW:
            raise UsageError(
                f"status: found {state!r}. Expected one of {', '.join(MAY_FOLLOW)}. Correct the word."
            )
    return after in MAY_FOLLOW[before] or (after == before and before != "released")


def forbidden_jumps(states: Sequence[str]) -> list[int]:
    """Return the positions of states that may not follow the one before them.

    Parameters
    ----------
    states : sequence of str
        In order of time.

    Returns
    -------
    list of int
        Each state is compared with the last one that was allowed, so that one wrong record is found once.

    Raises
    ------
    UsageError
        If a state is not known.
    """
    out: list[int] = []
    last = ""
    for i, state in enumerate(states):
        if last and not may_follow(last, state):
            out.append(i)
        else:
            may_follow(state, state)
            last = state
    return out


def check_status_order(records: CheckInput, findings: Findings) -> None:
    """Check that no fish jumps between states that cannot follow one another."""
    facts = _facts(records)
    if facts.empty:
        return
    several = facts[facts["tag"].duplicated(keep=False)]
    several = several.sort_values(["tag", "on", "order"], kind="stable")
    several = several[several["tag"].isin(_suspects(several))]
    for tag, group in several.groupby("tag", sort=True):
        states = ["individual", *group["state"]]
        for i in forbidden_jumps(states):
            row, before = group.iloc[i - 1], group.iloc[i - 2]
            if "dead" in states[:i] or row["on"] == before["on"]:
                continue  # dead fish and rows entered twice have checks of their own
            findings.add(
                "status-jump",
                Place(str(row["file"]), int(row["row"]), str(row["column"])),
                f"tag '{tag}' {row['state']} on {day(row['on'])} after {before['state']} on {day(before['on'])}",
                f"one of: {', '.join(sorted(MAY_FOLLOW[str(before['state'])])) or 'nothing'}",
                "Find the event that is missing, or correct the code or the day.",
                "warning",
                [Place(str(before["file"]), int(before["row"]), str(before["column"]))],
            )


def _suspects(facts: pd.DataFrame) -> set[str]:
    """Return the tags with two neighbouring states of which the second may not follow the first."""
    words = list(MAY_FOLLOW)
    allowed = np.array([[may_follow(a, b) for b in words] for a in words])
    state = np.array([words.index(s) for s in facts["state"]], dtype=np.int64)
    tag = facts["tag"].to_numpy(dtype=object)
    jump = (tag[1:] == tag[:-1]) & ~allowed[state[:-1], state[1:]]
    return set(tag[1:][jump])


def _facts(records: CheckInput) -> pd.DataFrame:
    """Return dated states by tag: releases, captures and the status of the table of fish."""
    parts = []
    fish = records.tables["fish"]
    known = fish[fish["tag"].ne("") & fish["status_on"].notna() & fish["status"].isin(list(MAY_FOLLOW))]
    for frame, name, column, on, state, order in (
        (records.tables["releases"], "releases", "tag", "released_on", "released", 1),
        (records.tables["captures"], "captures", "tag", "captured_on", "captured", 0),
        (known, "fish", "tag", "status_on", "", 2),
    ):
        here = frame[frame[column].ne("") & frame[on].notna()]
        part = pd.DataFrame(
            {
                "tag": here[column],
                "on": here[on],
                "state": state or here["status"],
                "row": here.index,
                "order": order,
            }
        )
        part["file"] = file_of(frame, name)
        part["column"] = "status" if name == "fish" else on
        parts.append(part)
    out = pd.concat(parts, ignore_index=True)
    # The table of fish repeats a release that the table of releases holds, day by day.
    return out.drop_duplicates(["tag", "on", "state"], ignore_index=True)
