"""Open-population models of all releases compared: does survival differ by time since release, kind of water, year."""

from __future__ import annotations

import numpy as np

from broodstock.errors import ValueRangeError
from planner.monitor.compare import compare_models
from planner.monitor.goodness import goodness_components
from planner.monitor.histories import EncounterHistories, encounter_histories
from planner.monitor.open_design import (
    Term,
    age_classes,
    constant,
    design,
    each_interval,
    each_looked_occasion,
    groups,
    times,
)
from planner.monitor.open_fit import FittedModel, fit_survival
from planner.tasks.programme import Programme
from planner.tasks.survival_models_encounters import Encounters

HEAD = (
    "model of survival (chance to be met by year and kind of water)",
    "parameters",
    "AICc",
    "difference",
    "weight",
)


def year_of(days: np.ndarray) -> np.ndarray:
    """Return the year, October to September, of days since 1970; years since 1970."""
    months = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return np.asarray((months + 3) // 12, dtype=np.int64)


def year_histories(
    programme: Programme, met: Encounters
) -> tuple[EncounterHistories | None, np.ndarray, list[str], str]:
    """Return yearly histories, the kind of water of release of each fish, the kinds, and why there are none.

    Years run from October to September, so that a fish of the autumn releases is first looked for in the year after.
    """
    fish = met.fish
    kinds_of = programme.tables["sites"].set_index("site_id")["kind"]
    known = fish["site_id"].isin(kinds_of.index).to_numpy()
    if not known.any():
        return None, np.zeros(0, dtype=np.int64), [], "no tagged fish was released to a known water"

    released = year_of(fish["released"].to_numpy(dtype=np.int64))
    first = int(released.min())
    n = int(year_of(np.array([met.last_day]))[0]) - first + 1
    if n < 2:
        return (
            None,
            np.zeros(0, dtype=np.int64),
            [],
            "all releases are of this year: there is one occasion only",
        )
    kinds = sorted({str(k) for k in kinds_of[fish.loc[known, "site_id"]]})
    kind = np.array(
        [kinds.index(str(kinds_of[s])) if k else -1 for s, k in zip(fish["site_id"], known, strict=True)]
    )
    row = np.full(len(fish), -1)
    row[known] = np.arange(int(known.sum()))
    found = encounter_histories(
        row[met.who], year_of(met.day) - first, met.by_scan, released[known] - first, n
    )
    return found, kind[known].astype(np.int64), kinds, ""


def compared_models(programme: Programme, met: Encounters) -> tuple[tuple[tuple[str, ...], ...], list[str]]:
    """Fit and compare open models.

    Returns
    -------
    models : tuple of tuple of str
        Headings, then one row per model, best first; empty when none can be fitted.
    statements : list of str
        Goodness of fit, or why there is no model.
    """
    histories, kind, kinds, reason = year_histories(programme, met)
    if histories is None:
        return (), [f"Open models are not estimable because {reason}."]
    fits: list[FittedModel] = []
    try:
        p = [each_looked_occasion(histories)]
        by_kind: list[Term] = [groups(kind, kinds, baseline=True)] if len(kinds) > 1 else []
        age = age_classes(histories, 2)
        choices: list[tuple[str, list[Term]]] = [
            ("the same always", [constant()]),
            ("first year and later years", [age]),
            ("by year", [each_interval(histories)]),
        ]
        if len(kinds) > 1:
            every = groups(kind, kinds)
            choices += [
                ("by kind of water", [every]),
                ("first year and later years, by kind of water", [times(age, every)]),
            ]
        for name, terms in choices:
            fit = fit_survival(histories, design(histories, *terms), design(histories, *p, *by_kind), name)
            if fit.reason:
                return (), [f"Open models are not estimable because {fit.reason}."]
            fits.append(fit)
        test = goodness_components(histories, kind)
        later = [c for c in test.components if c.name != "3.SR" and c.degrees]
        degrees = sum(c.degrees for c in later)
        c_hat = max(1.0, sum(c.chi_square for c in later) / degrees) if degrees else 1.0
        lines = compare_models(fits, c_hat)
    except ValueRangeError as error:
        return (), [f"Open models could not be compared: {error}"]
    rows = [
        (x.name, str(x.n_parameters), _one(x.criterion), _one(x.difference), f"{x.weight:.3f}") for x in lines
    ]
    words = [
        f"Goodness of fit of the open models: c-hat {c_hat:.2f} without 3.SR (newly released against met before, which the "
        "first year's own survival takes up); the comparison counts it. Length at release is not in these models: the curves "
        "hold it."
        if degrees
        else "Goodness of fit of the open models: too few repeated encounters for a test."
    ]
    parts = [
        f"{c.name} {c.chi_square:.1f} on {c.degrees}, p {c.p_value:.3f}"
        for c in test.components
        if c.p_value is not None
    ]
    if parts:
        words.append("Its parts: " + "; ".join(parts) + ".")
    return (HEAD, *rows), [*words, *test.notes]


def _one(x: float) -> str:
    return f"{x:.1f}" if np.isfinite(x) else "infinite"
