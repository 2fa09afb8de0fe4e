"""What released families, lines, year classes and waters contribute to adults and to larvae."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.monitor.contribution import Contribution, contribution
from planner.tasks.programme import Programme
from planner.tasks.survival_models_encounters import Encounters, encounters_of

BY = ("family", "line", "year-class", "site")
NONE = "none of these"
UNKNOWN = "not known"
HEAD = ("group", "released", "sampled", "share", "of its share released")
ADULT_AFTER_DAYS = 365


@dataclass(frozen=True)
class ContributionReport:
    """Contribution of groups to one kind of sample.

    Parameters
    ----------
    by : str
        What the groups are.
    of : str
        ``adults`` or ``larvae``.
    found : Contribution or None
        Shares; None when there is no sample.
    released : tuple of int
        Fish released, by group.
    notes : tuple of str
        How the sample was made, and why there is none.
    """

    by: str
    of: str
    found: Contribution | None
    released: tuple[int, ...]
    notes: tuple[str, ...]

    def table(self, most: int | None = None) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per group, largest share first."""
        if self.found is None:
            return list(HEAD), []
        f = self.found
        order = sorted(range(len(f.groups)), key=lambda k: (-f.expected[k], f.groups[k]))
        lines = [
            [
                f.groups[k],
                str(self.released[k]),
                f"{f.expected[k]:.1f}".removesuffix(".0"),
                f.share[k].text(3),
                f.per_released[k].text(2) if f.per_released[k].value is not None else "",
            ]
            for k in order
        ]
        return list(HEAD), lines[:most]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        if self.found is None:
            return {"by": self.by, "of": self.of, "groups": [], "notes": list(self.notes)}
        f = self.found
        return {
            "by": self.by,
            "of": self.of,
            "effective_groups": f.effective.as_dict(),
            "groups": [
                {
                    "group": name,
                    "released": self.released[k],
                    "expected_in_sample": float(f.expected[k]),
                    "share": f.share[k].as_dict(),
                    "per_released": f.per_released[k].as_dict(),
                }
                for k, name in enumerate(f.groups)
            ],
            "notes": list(self.notes),
        }


def contribution_reports(
    programme: Programme, by: str = "family", met: Encounters | None = None
) -> tuple[ContributionReport, ...]:
    """Return the contribution to adults met in the water, and to larvae by their parents.

    Parameters
    ----------
    programme : Programme
        Open records.
    by : {'family', 'line', 'year-class', 'site'}
        What the groups are.
    met : Encounters, optional
        Released fish and encounters; made from the records when not given.

    Returns
    -------
    tuple of ContributionReport
        Adults, then larvae.

    Raises
    ------
    UsageError
        If `by` is none of these.
    """
    if by not in BY:
        raise UsageError(f"--by: found {by!r}. Expected one of {', '.join(BY)}.")
    met = met or encounters_of(programme)
    labels = _labels(programme, met.fish, by)
    return _adults(programme, met, labels, by), _larvae(programme, met, labels, by)


def _labels(programme: Programme, fish: pd.DataFrame, by: str) -> pd.Series:
    """Return the group of each released fish."""
    if by == "family":
        return fish["family"].replace("", UNKNOWN)
    if by == "year-class":
        return fish["year_class"].map(lambda y: UNKNOWN if pd.isna(y) else str(int(y)))
    if by == "site":
        return fish["site_id"]
    kinds = programme.tables["families"].set_index("family_id")["kind"]
    words = {"cross": "hatchery", "larval-group": "wild larvae", "backwater": "backwater"}
    return fish["family"].map(kinds).map(words).fillna(UNKNOWN)


def _adults(programme: Programme, met: Encounters, labels: pd.Series, by: str) -> ContributionReport:
    """Each fish met a year or more after release counts once; its tag says its group."""
    groups = tuple(sorted(set(labels)))
    if not groups:
        why = "No tagged fish was released: nothing can contribute."
        return ContributionReport(by, "adults", None, (), (why,))
    late = met.day - met.fish["released"].to_numpy()[met.who] >= ADULT_AFTER_DAYS
    who = np.unique(met.who[late])
    position = {g: k for k, g in enumerate(groups)}
    chances = np.zeros((len(who), len(groups)))
    chances[np.arange(len(who)), [position[labels.iloc[w]] for w in who]] = 1.0
    released = labels.value_counts().reindex(list(groups)).to_numpy()
    found = contribution(
        groups, chances, released.astype(float), _rng(programme), float(programme.settings["confidence"])
    )
    note = (
        f"Adults: {len(who)} fish met a year or more after release, each counted once. Waters are not watched alike: a group "
        "released where few are met looks small. Released and share count fish, not their length."
    )
    if len(who) == 0:
        note = "Adults: no released fish was met a year or more after release."
    return ContributionReport(by, "adults", found, tuple(int(r) for r in released), (note,))


def _larvae(programme: Programme, met: Encounters, labels: pd.Series, by: str) -> ContributionReport:
    """Parents by DNA of fish grown from larvae or of backwater young; a parent counts to its own release group."""
    tables = programme.tables
    fish, claims = tables["fish"], tables["parent_claims"]
    young = set(fish.loc[fish["origin"].isin(["wild-larva", "backwater"]), "fish_id"])
    dna = claims[(claims["source"] == "dna") & claims["child"].isin(young) & (claims["parent"] != "")]
    known = fish.set_index("fish_id")
    by_tag = dict(zip(met.fish["tag"], labels, strict=True))
    family_group = _family_groups(programme, met.fish, labels, by)
    rows_of: list[tuple[str, float]] = []
    for parent, confidence in zip(dna["parent"], dna["confidence"], strict=True):
        sure = 1.0 if pd.isna(confidence) else float(confidence)
        group = NONE
        if parent in known.index:
            row = known.loc[parent]
            group = by_tag.get(str(row["tag"]), family_group.get(str(row["family"]), NONE))
        rows_of.append((group, sure))
    if not rows_of:
        why = (
            "Larvae: no young of the water has a parent found by DNA. Type larvae and the broodfish or released fish, and run "
            "'kinshoal parents'."
        )
        return ContributionReport(by, "larvae", None, (), (why,))
    groups = (*sorted(set(labels) | {g for g, _ in rows_of if g != NONE}), NONE)
    chances = np.zeros((len(rows_of), len(groups)))
    for k, (group, sure) in enumerate(rows_of):
        chances[k, groups.index(group)] += sure
        chances[k, -1] += 1.0 - sure
    released = labels.value_counts().reindex(list(groups)).fillna(0).to_numpy()
    found = contribution(
        groups, chances, released.astype(float), _rng(programme), float(programme.settings["confidence"])
    )
    note = f"Larvae: {len(rows_of)} parents by DNA of young of the water; the doubt of each claim counts to '{NONE}'."
    return ContributionReport(by, "larvae", found, tuple(int(r) for r in released), (note,))


def _family_groups(programme: Programme, fish: pd.DataFrame, labels: pd.Series, by: str) -> dict[str, str]:
    """Return the group of a family, where all its released fish are of one group."""
    if by == "site":
        return {}
    pairs = pd.DataFrame({"family": fish["family"], "group": labels}).drop_duplicates()
    pairs = pairs[pairs["family"] != ""]
    single = pairs.groupby("family")["group"].agg(["first", "size"])
    return {
        str(f): str(g)
        for f, g, n in zip(single.index, single["first"], single["size"], strict=True)
        if n == 1
    }


def _rng(programme: Programme) -> np.random.Generator:
    return np.random.default_rng(int(programme.settings["seed"]))
