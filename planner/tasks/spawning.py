"""Plan the crosses of a day from the records, recheck the plan, and write sheet, tables and plan file."""

from __future__ import annotations

import datetime as dt
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import pandas as pd

from planner.optimise.highs_door import Progress
from planner.optimise.spawning.caution import CautionPrice, caution_price
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.explain import PairReason, reasons
from planner.optimise.spawning.mates import next_mates
from planner.optimise.spawning.naive import equal_use_plan, random_plan
from planner.optimise.spawning.near_best import NO_ALTERNATIVES, Alternatives, alternatives
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.spawning.unused import UnusedFish, unused_fish
from planner.optimise.status import SolveStatus
from planner.provenance import Provenance
from planner.tasks.candidates import look_first
from planner.tasks.dish_cells import free_cells
from planner.tasks.no_plan import STOPPED_WORDS, NoPlanError
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.spawning_data import SETTINGS_USED, SpawningInputs, day_of_plan, spawning_inputs
from planner.tasks.spawning_reasons import pair_change, refusal_change
from planner.tasks.spawning_refusals import refuse_missing_sex
from planner.tasks.spawning_rules import changed_rules

SPARE_MALES = 4
LAST_ON_WALK = 10**6
CROSS_COLUMNS = ["dish_id", "dam", "sire", "dish", "of", "cell", "egg_share", "kinship"]


class NoSpawningPlanError(NoPlanError):
    """No plan can meet the rules, or none was found in time; the message says which rules conflict."""


@dataclass(frozen=True)
class SpawningOutcome:
    """A spawning plan with all that is shown of it.

    Parameters
    ----------
    plan : SpawningPlan
        The plan; it has passed the recheck.
    inputs : SpawningInputs
        What it was made from.
    reasons : tuple of PairReason
        Why each pair stands in it.
    spare : dict of str to tuple of str
        For each female the next males in line, in words.
    others : tuple of (str, SpawningPlan)
        Plans without optimisation, same rules.
    crosses : DataFrame
        One row per dish: ``dish_id, dam, sire, dish, cell, egg_share, kinship``.
    provenance : Provenance
        Inputs, settings, seed, proof.
    day : date
        Day of spawning.
    earlier_number : int
        Highest number of a dish in older versions of today's plan.
    near_best : Alternatives
        Plans nearly as good that use other fish, and what is proven about how different they could be.
    not_needed : tuple of UnusedFish
        Fish that may be crossed and have no dish, with the exchange that would cost least.
    caution : CautionPrice or None
        What minding uncertain kinship costs and gains; None for a plan by the estimates.
    """

    plan: SpawningPlan
    inputs: SpawningInputs
    reasons: tuple[PairReason, ...]
    spare: dict[str, tuple[str, ...]]
    others: tuple[tuple[str, SpawningPlan], ...]
    crosses: pd.DataFrame
    provenance: Provenance
    day: dt.date
    earlier_number: int = 0
    near_best: Alternatives = NO_ALTERNATIVES
    not_needed: tuple[UnusedFish, ...] = ()
    caution: CautionPrice | None = None

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the plan as label and value."""
        m = self.plan.measures
        assert m is not None
        living = (
            "no living group"
            if m.living_diversity_before is None or m.living_diversity_after is None
            else f"{m.living_diversity_before:.4f}, {m.living_diversity_after:.4f}"
        )
        return (
            (
                "New dishes",
                f"{len(self.crosses)} ({m.females_used} females x {m.males_used} males, {m.families} families)",
            ),
            ("Mean kinship of the cohort", f"{m.cohort_kinship:.5f}"),
            ("Gene diversity of the cohort", f"{m.gene_diversity:.4f}"),
            ("Living group before, after", living),
            ("Expected Ne of the parents", f"{m.effective_parents:.1f}"),
            ("Inbreeding, mean and highest", f"{m.mean_inbreeding:.4f}, {m.greatest_inbreeding:.4f}"),
            (
                "Value, proven bound",
                f"{self.plan.value:.6f}, "
                + ("none" if self.plan.bound is None else f"{self.plan.bound:.6f}"),
            ),
            ("Proven gap", "none" if self.plan.gap is None else f"{self.plan.gap:.3%}"),
            *self._caution_facts(),
        )

    def _caution_facts(self) -> tuple[tuple[str, str], ...]:
        m = self.plan.measures
        assert m is not None
        if not m.goal_by_tables:
            return ()
        mine = (
            "Value by the estimates, in the worst case",
            f"{m.goal_by_estimates:.6f}, {max(m.goal_by_tables):.6f}",
        )
        if self.caution is None:
            return (mine,)
        p = self.caution
        return (
            mine,
            (
                "The same of the plan by the estimates",
                f"{p.estimate_nominal:.6f}, {p.worst_nominal:.6f}",
            ),
            (
                "Price and gain of caution",
                f"{p.price:+.2%} by the estimates, {p.worst_cautious / p.worst_nominal - 1:+.2%} in the worst case",
            ),
        )

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per female."""
        out = []
        for dam, part in self.crosses.groupby("dam", sort=False):
            males = ", ".join(f"{r.sire} ({r.kinship:.3f})" for r in rows(part))
            out.append([str(dam), str(len(part)), males, ", ".join(self.spare.get(str(dam), ())[:2])])
        return ["female", "dishes", "males (kinship of the pair)", "next in line"], out

    def near_best_rows(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per plan that is nearly as good: value, and how it differs."""
        head = ["other plan", "value", "above the bound", "Ne", "fish that come in", "fish that stay out"]
        names = self.inputs.data.ids
        mine = {names[r] for r in self.plan.pairs[:, :2].ravel()}
        out = []
        for k, plan in enumerate(self.near_best, start=1):
            m = plan.measures
            assert m is not None
            theirs = {names[r] for r in plan.pairs[:, :2].ravel()}
            gap = "unknown" if plan.gap is None else f"{plan.gap:.2%}"
            incoming, leaving = ", ".join(sorted(theirs - mine)), ", ".join(sorted(mine - theirs))
            out.append(
                [
                    str(k),
                    f"{plan.value:.6f}",
                    gap,
                    f"{m.effective_parents:.1f}",
                    incoming or "–",
                    leaving or "–",
                ]
            )
        return head, out

    @property
    def last_number(self) -> int:
        """Highest number of a dish given out so far today."""
        numbers = [int(x.rsplit("-", 1)[1]) for x in self.crosses["dish_id"]]
        return max([self.earlier_number, *numbers])

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        m = self.plan.measures
        assert m is not None
        return {
            "last_dish_number": self.last_number,
            "status": str(self.plan.status),
            "value": self.plan.value,
            "bound": self.plan.bound,
            "gap": self.plan.gap,
            "measures": m.as_dict(),
            "crosses": self.crosses.to_dict("records"),
            "reasons": [r.as_dict() | {"what_would_change": pair_change(r)} for r in self.reasons],
            "next_in_line": {k: list(v) for k, v in self.spare.items()},
            "not_used": [
                {"fish_id": c.fish_id, "why": c.why_not, "what_would_change": refusal_change(c)}
                for c in self.inputs.candidates
                if not c.may_cross
            ],
            "not_needed": [asdict(u) | {"why": u.sentence()} for u in self.not_needed],
            "plans_without_optimisation": [
                {"name": name, "measures": None if p.measures is None else p.measures.as_dict()}
                for name, p in self.others
            ],
            "other_plans": [
                dict(zip(self.near_best_rows()[0], r, strict=True)) for r in self.near_best_rows()[1]
            ],
            "other_plans_differ": self.near_best.as_dict(),
            "caution": None if self.caution is None else self.caution.as_dict(),
            "notes": list(self.inputs.notes),
            "provenance": self.provenance.as_dict(),
        }


def spawning_plan(
    programme: Programme,
    day: dt.date | None = None,
    not_ripe: Sequence[str] = (),
    also_ripe: Sequence[str] = (),
    version: int = 1,
    progress: Callable[[str], None] | None = None,
    near_best: int = 0,
    within: float = 0.01,
    cancel: threading.Event | None = None,
) -> SpawningOutcome:
    """Plan the crosses of a day, prove how good the plan is, and recheck it without the solver.

    Parameters
    ----------
    programme : Programme
        Open records.
    day : date, optional
        Spawning day; default the setting ``spawning_day``.
    not_ripe, also_ripe : sequence of str
        Fish found otherwise this morning.
    version : int
        Version of the plan.
    progress : callable, optional
        Told in words what is being done.
    near_best : int
        Further plans to look for that use other fish.
    within : float
        Greatest rise of the value such a plan may have, as a share of the best one's.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best plan so far is returned and its notes say so.

    Returns
    -------
    SpawningOutcome
        Plan, tables and provenance.

    Raises
    ------
    NoPlanError
        If no plan can meet the rules (exit code 4) or none was found in time (exit code 5).
    UsageError, PedigreeError
        If the records do not allow a plan.
    """
    say = progress or (lambda words: None)
    day, assumed = day_of_plan(programme, day)
    inputs = spawning_inputs(programme, day, not_ripe, also_ripe)
    inputs = replace(inputs, notes=(*assumed, *inputs.notes))
    data = inputs.data
    seed = int(programme.settings["seed"]) % (2**31 - 1)
    settings = SearchSettings(
        time_limit=float(programme.settings["time_limit"]),
        relative_gap=float(programme.settings["gap"]),
        seed=seed,
    )

    def tell(p: Progress) -> None:
        if p.best is not None and p.bound is not None:
            say(f"best {p.best:.6f}, bound {p.bound:.6f}")

    refuse_missing_sex(inputs.candidates, data.dishes, look_first(inputs.candidates))
    say(f"{data.n_females} females and {data.n_males} males may be crossed; {data.dishes} dishes wanted")
    plan = plan_spawning(data, settings, progress=tell, cancel=cancel)
    if not plan.has_plan:
        raise no_plan_error(plan)
    if plan.status is SolveStatus.STOPPED:
        inputs = replace(inputs, notes=(*inputs.notes, STOPPED_WORDS))
    stated = (
        programme.settings.used(SETTINGS_USED)
        | changed_rules(programme)
        | {
            "spawning_day": day.isoformat(),
            "not_ripe": ", ".join(not_ripe) or "none",
            "also_ripe": ", ".join(also_ripe) or "none",
        }
    )
    outcome = outcome_of(programme, inputs, plan, day, version, stated)
    if data.scenarios:
        say("Comparing with the plan that believes the estimates of kinship")
        outcome = replace(outcome, caution=caution_price(data, plan, settings, cancel=cancel))
    if near_best:
        say(f"Looking for up to {near_best} other plans within {within:.1%} of the best")
        outcome = replace(
            outcome,
            near_best=alternatives(
                data, plan, number=near_best, within=within, settings=settings, cancel=cancel
            ),
        )
    return outcome


def outcome_of(
    programme: Programme,
    inputs: SpawningInputs,
    plan: SpawningPlan,
    day: dt.date,
    version: int,
    stated: dict[str, Any],
    compare: bool = True,
    earlier: EarlierToday | None = None,
) -> SpawningOutcome:
    """Put a plan together with its reasons, spare males, comparison and provenance.

    Parameters
    ----------
    programme : Programme
        Open records.
    inputs : SpawningInputs
        What the plan was made from.
    plan : SpawningPlan
        With dishes.
    day : date
        Day of spawning.
    version : int
        Version of the plan.
    stated : dict
        Settings and what was told, as plain values.
    compare : bool
        Make the plans without optimisation too (left out when minutes count).
    earlier : EarlierToday, optional
        An older version of today's plan.
    """
    data = inputs.data
    co = coefficients(data)
    others: tuple[tuple[str, SpawningPlan], ...] = ()
    if compare:
        others = (
            ("fish and mates at random", random_plan(data, plan.seed, co=co)),
            ("equal use, lowest mean kinship first", equal_use_plan(data, co=co, seed=plan.seed)),
        )
    provenance = Provenance(
        kind="spawning plan",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=plan.seed,
        settings=stated,
        version=version,
        proof={
            "status": str(plan.status),
            "value": f"{plan.value:.8f}",
            "bound": "none" if plan.bound is None else f"{plan.bound:.8f}",
            "gap": "none" if plan.gap is None else f"{plan.gap:.4%}",
        },
    )
    return SpawningOutcome(
        plan,
        inputs,
        tuple(reasons(data, co, plan)),
        _spare_males(inputs, co, plan),
        others,
        _crosses(
            plan,
            inputs,
            co,
            day,
            _walk(programme),
            earlier or EarlierToday(last_number=_last_label(programme, day)),
            free_cells(programme, day, [row["cell"] for row in earlier.crosses] if earlier else ()),
        ),
        provenance,
        day,
        earlier.last_number if earlier else 0,
        not_needed=tuple(unused_fish(data, co, plan)),
    )


def no_plan_error(plan: SpawningPlan) -> NoSpawningPlanError:
    """Return the error that says why there is no plan: the rules that conflict, and what would help."""
    lines = [f"Spawning plan: {plan.sentence()}"]
    for c in plan.conflicts:
        lines.append(f"- {c.sentence} {c.facts} [{c.code}]")
        lines += [f"  would help: {r}" for r in c.relaxations]
    if any(c.code == "dishes" for c in plan.conflicts):
        lines.append("The number of dishes is the setting crosses_wanted: --set crosses_wanted=NUMBER.")
    return NoSpawningPlanError("\n".join(lines), 4 if plan.report.no_plan_exists or plan.conflicts else 5)


def _walk(programme: Programme) -> dict[str, tuple[int, str]]:
    """Return for each fish where its unit stands on the walk through the station."""
    units = programme.tables["units"]
    order = {u: int(w) for u, w in zip(units["unit_id"], units["walk_order"], strict=True) if pd.notna(w)}
    fish = programme.tables["fish"]
    return {f: (order.get(u, LAST_ON_WALK), u) for f, u in zip(fish["fish_id"], fish["unit"], strict=True)}


@dataclass(frozen=True)
class EarlierToday:
    """What an earlier version of today's plan said and what was laid since, so that no label is used twice.

    Parameters
    ----------
    crosses : sequence of dict
        Rows of the older plan: ``dish_id, dam, sire, cell``.
    laid : sequence of (str, str)
        Dishes laid today: female, male.
    last_number : int
        Highest number of a dish given out today.
    in_records : mapping of str to (str, str)
        Labels that the records hold, with the female and male they were laid with, who may be others than planned.
    """

    crosses: Sequence[dict[str, Any]] = ()
    laid: Sequence[tuple[str, str]] = ()
    last_number: int = 0
    in_records: Mapping[str, tuple[str, str]] = field(default_factory=dict)


def _last_label(programme: Programme, day: dt.date) -> int:
    """Return the highest number of a dish of this day in the records, so that no label is used twice."""
    start = f"D{day:%y%m%d}-"
    names = [
        str(c).removeprefix(start)
        for c in programme.tables["crosses"]["cross_id"]
        if str(c).startswith(start)
    ]
    return max((int(n) for n in names if n.isdigit()), default=0)


def _crosses(
    plan: SpawningPlan,
    inputs: SpawningInputs,
    co: Coefficients,
    day: dt.date,
    walk: dict[str, tuple[int, str]],
    earlier: EarlierToday,
    cells: Iterator[str],
) -> pd.DataFrame:
    """Return one row per dish, females in walking order; dishes of an older version keep their label and cell."""
    data = inputs.data
    place_f = {int(r): k for k, r in enumerate(data.females)}
    place_m = {int(r): k for k, r in enumerate(data.males)}
    pairs = [(data.ids[d], data.ids[s], d, s) for d, s, dishes in plan.pairs.tolist() for _ in range(dishes)]
    pairs.sort(key=lambda p: (walk.get(p[0], (LAST_ON_WALK, "")), p[0], p[1]))
    laid = Counter(dam for dam, _ in earlier.laid)
    total = Counter(p[0] for p in pairs) + laid
    labels, fallen = _labels(earlier, Counter((p[0], p[1]) for p in pairs))
    number = earlier.last_number
    records: list[dict[str, Any]] = []
    for dam, sire, d, s in pairs:
        laid[dam] += 1
        if labels.get((dam, sire)):
            dish_id, cell = labels[dam, sire].pop(0)
        else:
            number += 1
            dish_id = f"D{day:%y%m%d}-{number:02d}"
            cell = fallen.pop(0) if fallen else next(cells)
        records.append(
            {
                "dish_id": dish_id,
                "dam": dam,
                "sire": sire,
                "dish": laid[dam],
                "of": total[dam],
                "cell": cell,
                "egg_share": 1 / total[dam],
                "kinship": float(co.pair_kinship[place_f[d], place_m[s]]),
            }
        )
    return pd.DataFrame.from_records(records, columns=CROSS_COLUMNS)


def _labels(
    earlier: EarlierToday, wanted: Counter[tuple[str, str]]
) -> tuple[dict[tuple[str, str], list[tuple[str, str]]], list[str]]:
    """Return the labels that stay with their pair, and the cells of dishes that fell away."""
    done = Counter(earlier.laid)
    done.subtract(earlier.in_records.values())
    keep: dict[tuple[str, str], list[tuple[str, str]]] = {}
    free: list[str] = []
    for row in earlier.crosses:
        pair = (row["dam"], row["sire"])
        if row["dish_id"] in earlier.in_records:
            continue  # laid, perhaps with another male: its label and cell are in use
        if done[pair] > 0:
            done[pair] -= 1  # laid: its label and cell are in use
        elif len(keep.setdefault(pair, [])) < wanted[pair]:
            keep[pair].append((row["dish_id"], row["cell"]))
        else:
            free.append(row["cell"])
    return keep, free


def _spare_males(inputs: SpawningInputs, co: Coefficients, plan: SpawningPlan) -> dict[str, tuple[str, ...]]:
    """Return for each female the males that could best replace one of hers, under all rules."""
    data = inputs.data
    place_f = {int(r): k for k, r in enumerate(data.females)}
    place_m = {int(r): data.n_females + k for k, r in enumerate(data.males)}
    best: dict[str, dict[str, tuple[float, str]]] = {}
    for dam, sire, _ in plan.pairs.tolist():
        line = best.setdefault(data.ids[dam], {})
        for mate in next_mates(data, co, plan, place_f[dam], place_m[sire], most=SPARE_MALES):
            words = f"{mate.name} (kinship {mate.kinship:.3f})"
            if mate.name not in line or mate.change < line[mate.name][0]:
                line[mate.name] = (mate.change, words)
    return {
        dam: tuple(words for _, words in sorted(line.values(), key=lambda x: (round(x[0], 12), x[1])))[
            :SPARE_MALES
        ]
        for dam, line in best.items()
    }
