"""How many larvae, loci, nets or scan-hours to see a change, from the programme's own numbers where it has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.power_formulas import (
    Need,
    caught_for_numbers,
    fish_for_heterozygosity,
    hours_for_survival,
    larvae_for_breeders,
    loci_for_breeders,
    released_for_survival,
)
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.survival_curves import curve_of

HEAD = ("to see", "needed", "now", "how", "rests on")
USUAL_NUMBERS, USUAL_BREEDERS, USUAL_LOCI = 1000.0, 50.0, 100
USUAL_MET = 0.1


@dataclass(frozen=True)
class PowerRow:
    """One question.

    Parameters
    ----------
    question : str
        What change is to be seen.
    need : Need
        What it takes.
    now : str
        What the programme has.
    """

    question: str
    need: Need
    now: str

    def cells(self) -> list[str]:
        """Return the row as text."""
        return [self.question, self.need.text(), self.now, self.need.how, self.need.note]


@dataclass(frozen=True)
class PowerReport:
    """All questions.

    Parameters
    ----------
    rows : tuple of PowerRow
        In order.
    notes : tuple of str
        Assumptions.
    """

    rows: tuple[PowerRow, ...]
    notes: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(HEAD), [r.cells() for r in self.rows]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rows": [
                {
                    "question": r.question,
                    "needed": r.need.number,
                    "unit": r.need.unit,
                    "now": r.now,
                    "how": r.need.how,
                    "note": r.need.note,
                }
                for r in self.rows
            ],
            "notes": list(self.notes),
        }


@dataclass(frozen=True)
class PowerWishes:
    """What is to be seen.

    Parameters
    ----------
    change : float
        Share of change, such as -0.5 for half as many or 1 for twice as many.
    power, alpha : float
        Chance to see it, and level of the test.
    numbers, breeders, survival, met : float or None
        Taken instead of the programme's own numbers.
    """

    change: float = -0.5
    power: float = 0.8
    alpha: float = 0.05
    numbers: float | None = None
    breeders: float | None = None
    survival: float | None = None
    met: float | None = None


def power_report(programme: Programme, wishes: PowerWishes) -> PowerReport:
    """Answer for survival, numbers, breeders and heterozygosity.

    Raises
    ------
    UsageError
        If the change is 0 or a loss of all, or level and power make no sense.
    """
    if wishes.change == 0 or wishes.change <= -1:
        raise UsageError(
            f"--change: found {wishes.change:g}. Expected above -1 and not 0, such as -0.5 or 0.5."
        )
    notes: list[str] = []
    a, b = wishes.alpha, wishes.power
    survival = wishes.survival if wishes.survival is not None else _survival(programme, notes)
    changed = min(max(survival * (1 + wishes.change), 0.0), 1.0)
    met = wishes.met if wishes.met is not None else _met(programme, notes)
    hours = _hours(programme)
    events = programme.tables["releases"].groupby("event").size()
    fish = int(events.max()) if len(events) else 0
    numbers = wishes.numbers if wishes.numbers is not None else _numbers(programme, notes)
    breeders = wishes.breeders if wishes.breeders is not None else USUAL_BREEDERS
    if wishes.breeders is None:
        notes.append(
            f"Effective breeders taken as {USUAL_BREEDERS:.0f}: give --breeders, for example from 'kinshoal size'."
        )
    loci, frequencies = loci_of(programme, notes)
    larvae = _larvae(programme)
    caught = _caught(programme)
    step = f"{wishes.change:+.0%}"
    told = f"first-year survival {survival:.3f} from {changed:.3f}"
    loss = min(abs(wishes.change), 0.95) if wishes.change < 0 else 0.1
    rng = np.random.default_rng(int(programme.settings["seed"]))
    found = [
        PowerRow(told, released_for_survival(survival, changed, met, a, b), f"largest event {fish} fish"),
        PowerRow(
            f"{told}, groups of {max(fish, 2)}",
            hours_for_survival(survival, changed, max(fish, 2), hours, met, a, b),
            f"{hours:.0f} scan hours a year",
        ),
        PowerRow(f"numbers {step} by two visits", caught_for_numbers(numbers, wishes.change, a, b), caught),
        PowerRow(
            f"breeders {step}, {loci} loci",
            larvae_for_breeders(breeders, wishes.change, loci, a, b),
            f"{larvae} typed",
        ),
        PowerRow(
            f"breeders {step}, {max(larvae, 30)} larvae",
            loci_for_breeders(breeders, wishes.change, max(larvae, 30), a, b),
            f"{loci} loci",
        ),
        PowerRow(
            f"heterozygosity -{loss:.0%}",
            fish_for_heterozygosity(frequencies, loss, rng, a, b),
            f"{len(frequencies)} loci",
        ),
    ]
    nets = _net_hours(programme, found[2].need)
    if nets:
        found.insert(3, PowerRow(f"numbers {step} by two visits", nets, "catch per net hour of all records"))
    notes.append(
        f"Level {a:g}, power {b:g}. Formulas are for the best case (fish alike, loci unlinked, random samples): plan for more. "
        "'kinshoal trial' shows how the estimators behave for this programme."
    )
    return PowerReport(tuple(found), tuple(notes))


def _survival(programme: Programme, notes: list[str]) -> float:
    """Return survival of a fish of 300 mm by a curve in use of the main water."""
    for row in rows(programme.tables["sites"]):
        for season in ("winter", "autumn", "spring"):
            curve = curve_of(programme, row, season)
            if curve is not None:
                value = float(curve.at(300.0))
                notes.append(
                    f"Survival taken as {value:.3f}: curve in use of {row.site_id} in {season} at 300 mm."
                )
                return value
    notes.append("No survival curve: survival taken as 0.1; give --survival.")
    return 0.1


def _met(programme: Programme, notes: list[str]) -> float:
    value = float(programme.settings["detection_yearly"])
    if value > 0:
        return value
    notes.append(
        f"Chance that a survivor is met in a year taken as {USUAL_MET:g}: give --met, or accept the proposal of "
        "'kinshoal feedback'."
    )
    return USUAL_MET


def _hours(programme: Programme) -> float:
    table = programme.tables["deployments"]
    years = table["from_time"].dt.year
    by_year = table["scan_hours"].groupby(years).sum()
    return float(by_year.iloc[-1]) if len(by_year) else 0.0


def _numbers(programme: Programme, notes: list[str]) -> float:
    residents = programme.tables["residents"]
    lake = programme.tables["sites"]
    main = set(lake.loc[lake["kind"] == "reservoir-zone", "site_id"])
    n = float(residents.loc[residents["site_id"].isin(main), "number"].sum())
    if n >= 10:
        notes.append(f"Numbers taken as {n:.0f}: residents of the main water on record.")
        return n
    notes.append(
        f"Numbers taken as {USUAL_NUMBERS:.0f}: give --numbers, for example from 'kinshoal abundance'."
    )
    return USUAL_NUMBERS


def loci_of(programme: Programme, notes: list[str]) -> tuple[int, np.ndarray]:
    """Return the number of neutral SNPs and the allele frequencies of those that vary."""
    calls = programme.genotypes.get("snps")
    if calls is None:
        notes.append(f"No SNPs in the records: {USUAL_LOCI} loci of middling frequencies taken.")
        return USUAL_LOCI, np.linspace(0.05, 0.95, USUAL_LOCI)
    neutral = calls.with_role("neutral")
    genes = neutral.calls.reshape(neutral.n_loci, -1)
    typed = (genes >= 0).sum(axis=1)
    first = np.array([int(g[g >= 0].max()) if (g >= 0).any() else -1 for g in genes])
    share = np.array([(g == k).sum() for g, k in zip(genes, first, strict=True)]) / np.maximum(typed, 1)
    return neutral.n_loci, share[(typed > 0) & (share > 0) & (share < 1)]


def _larvae(programme: Programme) -> int:
    samples = programme.tables["samples"]
    larvae = samples[samples["group"] == "larva"]
    sizes = larvae["year_class"].dropna().astype(int).value_counts()
    return int(sizes.max()) if len(sizes) else 0


def _caught(programme: Programme) -> str:
    captures = programme.tables["captures"]
    n = captures.groupby(captures["captured_on"].dt.year).size()
    return f"{int(n.iloc[-1])} captures in {n.index[-1]}" if len(n) else "no captures"


def _net_hours(programme: Programme, need: Need) -> Need | None:
    """Turn fish on each visit into net hours by the catch per hour on record."""
    captures = programme.tables["captures"]
    sets = captures[captures["effort_h"].notna() & (captures["effort_h"] > 0)]
    if need.number is None or sets.empty:
        return None
    each = sets.groupby(["captured_on", "site_id", "method", "effort_h"]).size().reset_index(name="fish")
    rate = float(each["fish"].sum() / each["effort_h"].sum())
    if not rate > 0 or pd.isna(rate):
        return None
    return Need(
        int(np.ceil(need.number / rate)),
        "net hours on each visit",
        "fish needed / catch per net hour",
        f"{rate:.3f} fish an hour",
    )
