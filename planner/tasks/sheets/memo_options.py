"""Read the choices of each kind of plan file as rows of text, with their intervals and with what is proven."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

NONE = "–"
MOST_CHANCES = 2
SURVIVORS_NOTE = "Survivors: {level:.0%} interval, {method}; {note}."
KINSHIP_NOTE = "Kinship comes from the pedigree or DNA in use and is given without interval."


@dataclass(frozen=True)
class Options:
    """Choices side by side.

    Parameters
    ----------
    head : tuple of str
        Headings.
    rows : tuple of tuple of str
        One per choice.
    note : str
        What the intervals are.
    proof : str
        What is proven.
    unknown : tuple of str
        What no number on the page covers.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str
    proof: str
    unknown: tuple[str, ...]


def spawning_options(plan: Mapping[str, Any]) -> Options:
    """Return the plan of crosses, the plain ones, and others that are nearly as good."""
    head = ("Choice", "Goal value", "Kinship of the young", "Gene diversity of the young", "Parents, effective number",
            "Females, males", "Inbreeding, mean and highest")  # fmt: skip

    def row(name: str, m: Mapping[str, Any] | None) -> tuple[str, ...]:
        if m is None:
            return (name, *[NONE] * 6)
        return (
            name,
            number(m.get("goal"), 5),
            number(m.get("cohort_kinship"), 5),
            number(m.get("gene_diversity"), 4),
            number(m.get("effective_parents"), 1),
            f"{m.get('females_used', NONE)}, {m.get('males_used', NONE)}",
            f"{number(m.get('mean_inbreeding'), 4)}, {number(m.get('greatest_inbreeding'), 4)}",
        )

    rows = [row("plan", plan["measures"])]
    rows += [row(p["name"], p["measures"]) for p in plan.get("plans_without_optimisation", ())]
    rows += [
        (f"other plan {p.get('other plan', '')}".strip(), str(p.get("value", NONE)), NONE, NONE, str(p.get("Ne", NONE)), NONE, NONE)
        for p in plan.get("other_plans", ())
    ]  # fmt: skip
    return Options(
        head,
        tuple(rows),
        "From the pedigree and equal egg shares; no interval: chance in survival of families is not in these numbers.",
        proof_of(plan, "value"),
        (
            "Which fish are ripe that morning, and how many eggs they give.",
            "Families will not survive alike: the effective number of parents comes out lower.",
        ),
    )


def release_options(plan: Mapping[str, Any]) -> Options:
    """Return the release plan and the plain ones beside it."""
    head = ("Choice", "Objective", "Fish released", "Expected survivors", "Kinship within waters", "Kinship across waters",
            "Rules broken")  # fmt: skip

    def row(name: str, p: Mapping[str, Any], broken: int) -> tuple[str, ...]:
        return (
            name,
            number(p.get("objective"), 3),
            str(p.get("released", "not in the file")),
            interval(p.get("survivors"), 0),
            number(p.get("kinship_within"), 5),
            number(p.get("kinship_across"), 5),
            str(broken),
        )

    rows = [row("plan", plan, 0)]
    rows += [row(p["name"], p, len(p["rules_broken"])) for p in plan.get("plans_without_optimisation", ())]
    survivors = plan["survivors"]
    return Options(
        head,
        tuple(rows),
        f"{SURVIVORS_NOTE.format(**survivors)} {KINSHIP_NOTE}",
        proof_of(plan, "objective"),
        ("Weather, predators and oxygen on the day; whether the survival curves hold this year.",),
    )


def tradeoff_options(plan: Mapping[str, Any]) -> Options:
    """Return the points of a trade-off and the plans that are nearly as good."""
    head = (
        "Choice",
        "Fish released",
        "Expected survivors",
        "Mean kinship",
        "Proven: no less than",
        "Gap of the proof",
        "Remark",
    )
    rows = [
        (
            f"{p['share']:.0%} of the most survivors",
            str(p["released"]),
            interval({"value": p["survivors"], "low": p["survivors_low"], "high": p["survivors_high"]}, 0),
            number(p["kinship"], 5),
            number(p["kinship_bound"], 5),
            share(p["gap"]),
            "another is better in both"
            if p["dominated"]
            else ""
            if p["status"] == "proven"
            else str(p["status"]),
        )
        for p in plan["points"]
    ]
    rows += [
        (
            f"alternative {k}",
            NONE,
            interval(p["survivors"], 0),
            NONE,
            NONE,
            share(p["gap"]),
            f"objective {p['above']:.2%} above; {p['most_otherwise']:.0f} fish placed otherwise",
        )
        for k, p in enumerate(plan.get("alternatives", ()), 1)
    ]
    filled = tuple(tuple(c or NONE for c in r) for r in rows)
    proof = "; ".join(f"{k} {v}" for k, v in plan["provenance"].get("proof", {}).items())
    return Options(
        head,
        filled,
        "Survivors: 95% interval from the standard errors of the survival curves; chance between single fish is not in it. "
        f"Mean kinship is the objective per fish. {KINSHIP_NOTE}",
        proof if len(proof) <= 90 else "see the column of gaps",
        ("How much a survivor is worth against kinship: that is the decision, no number says it.",),
    )


def load_options(plan: Mapping[str, Any]) -> Options:
    """Return the loads beside what is proven of any loads."""
    trips = plan["trips"]
    days = len({t["day"] for t in trips})
    kg = sum(t["kg"] for t in trips)
    rows = (
        ("plan", str(len(trips)), number(plan["km"], 0), str(sum(t["fish"] for t in trips)), number(kg, 1), str(days),
         str(len({t["truck"] for t in trips}))),
        ("proven: no loads with less", str(plan["fewest_trips"]), number(plan["shortest_km"], 0), NONE, NONE, NONE, NONE),
    )  # fmt: skip
    return Options(
        ("Choice", "Trips", "km", "Fish", "kg", "Days", "Trucks"),
        rows,
        "Counts and sums, no interval. The file holds one plan of loads: other choices are other settings, such as a truck "
        "less or two days more.",
        f"{plan['status']}; trips no fewer than {plan['fewest_trips']}",
        (
            "Roads, weather, and how long loading and tempering take.",
            "Masses are those of the last weighing.",
        ),
    )


def projection_options(plan: Mapping[str, Any]) -> Options:
    """Return the strategies of a projection in its last year."""
    years, last = plan["years"], plan["last_year"]
    chances = {(c["strategy"], c["share"]): c for c in plan.get("chances", ())}
    shares = list(dict.fromkeys(c["share"] for c in plan.get("chances", ())))[:MOST_CHANCES]
    head = ("Strategy", f"Gene diversity in {years} years", "of it in the waters", "Inbreeding", "Adults in the waters",
            *(f"Chance to keep {x:.0%}" for x in shares))  # fmt: skip

    def span(strategy: str, name: str, digits: int) -> str:
        s = last.get(strategy, {}).get(name)
        if s is None:
            return "none left"
        return f"{number(s['mean'], digits)} ({number(s['low'], digits)} to {number(s['high'], digits)})"

    rows = tuple(
        (s, span(s, "gene_diversity", 3), span(s, "gene_diversity_waters", 3), span(s, "inbreeding", 3), span(s, "adults", 0),
         *(interval(chances.get((s, x)), 2) for x in shares))
        for s in plan["strategies"]
    )  # fmt: skip
    return Options(
        head,
        rows,
        f"Mean and 5% to 95% of {plan['replicates']} replicates; chances with the interval of the number of "
        "replicates.",
        "none: a simulation",
        (),
    )


MADE: dict[str, Callable[[Mapping[str, Any]], Options]] = {
    "spawning": spawning_options,
    "release": release_options,
    "load": load_options,
    "tradeoff": tradeoff_options,
    "projection": projection_options,
}
"""Reader of each kind of plan."""


def proof_of(plan: Mapping[str, Any], value: str) -> str:
    """Return status, value, bound and gap in words."""
    if plan.get("bound") is None:
        return str(plan["status"])
    return f"{plan['status']}: {number(plan[value], 6)}, none below {number(plan['bound'], 6)}; gap {share(plan['gap'])}"


def number(value: Any, digits: int) -> str:
    """Return a number as text; ``infinite`` stays a word, nothing is a dash."""
    if value is None:
        return NONE
    return value if isinstance(value, str) else f"{value:.{digits}f}"


def share(value: Any) -> str:
    """Return a share in percent."""
    return NONE if value is None else f"{value:.2%}"


def interval(estimate: Mapping[str, Any] | None, digits: int) -> str:
    """Return value and interval of an estimate as it stands in a plan file."""
    if estimate is None:
        return "not in the file"
    if estimate.get("value") is None:
        return f"not estimable because {estimate.get('reason') or 'the plan does not say why'}"
    text = number(estimate["value"], digits)
    if estimate.get("low") is None or estimate.get("high") is None:
        return text
    return f"{text} ({number(estimate['low'], digits)} to {number(estimate['high'], digits)})"
