"""Load the trucks for a release: which fish on which truck, day and trip, in which order, or what is short."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from broodstock.estimates import Estimate
from planner.optimise.release.transport import plan_loads
from planner.optimise.release.transport_data import LoadPlan, Trip, recheck_loads
from planner.optimise.status import SolveStatus
from planner.provenance import Provenance
from planner.reports.html import sheet_html
from planner.reports.load_sheet import load_sheet, trip_strips
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import Sheet
from planner.tasks.load_data import LoadInputs, load_inputs
from planner.tasks.no_plan import STOPPED_WORDS, why_none
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.plan_file import next_version, write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release import NoReleasePlanError

SETTINGS_OF_LOADS = (
    "trucks",
    "truck_volume_l",
    "truck_kg_per_l",
    "truck_trips_per_day",
    "truck_stops",
    "crews_per_day",
    "release_days",
    "station_km",
    "far_site_km",
    "truck_cost_per_km",
    "crew_day_cost",
    "time_limit",
)
UNUSED_ROOM = (0.0, 0.005, 0.01, 0.02, 0.05)
"""Shares of the room left unused, one after the other, until the single fish fit."""

MOST_EXCHANGES = 500

LAST_TRY_S = 2.0
"""Seconds for loads with less room after the search was stopped by hand."""

HEADINGS = ["day", "truck", "trip", "waters in order", "fish", "kg", "kg/L", "km"]


@dataclass(frozen=True)
class LoadOutcome:
    """Loads with all that is shown of them.

    Parameters
    ----------
    plan : LoadPlan
        The loads; they have passed the recheck.
    inputs : LoadInputs
        What they were made from.
    fish : DataFrame
        One row per fish: ``day, truck, trip, stop, site, stock_id, tag, family, kg``.
    provenance : Provenance
        Inputs, settings, proof.
    day : date
        First day.
    cost : Estimate
        Cost of the km driven and of the days of trucks and crews, in the programme's money.
    """

    plan: LoadPlan
    inputs: LoadInputs
    fish: pd.DataFrame
    provenance: Provenance
    day: dt.date
    cost: Estimate

    def kg(self, trip: Trip) -> float:
        """Return the mass of the single fish of a trip, kg."""
        fish = self.fish
        here = (fish["day"] == trip.day + 1) & (fish["truck"] == self.inputs.data.truck[trip.truck])
        return float(fish.loc[here & (fish["trip"] == trip.number), "kg"].sum())

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the loads as label and value."""
        data, plan = self.inputs.data, self.plan
        days = len({t.day for t in plan.trips})
        return (
            ("For release plan", f"version {self.inputs.release_version}, mark {self.inputs.release_mark}"),
            ("Fish, mass", f"{int(data.fish.sum())}, {data.total_kg:.1f} kg"),
            ("Trips", f"{len(plan.trips)}; proven: no fewer than {plan.fewest_trips}"),
            ("Distance", f"{plan.km:.0f} km{self._distance_proof()}"),
            (
                "Days, trucks",
                f"{days} of {len(data.crews)}, {len({t.truck for t in plan.trips})} of {len(data.truck)}",
            ),
            ("Cost of carrying", self.cost.text(0)),
        )

    @property
    def truck_days(self) -> int:
        """Days on the road, summed over the trucks."""
        return len({(t.day, t.truck) for t in self.plan.trips})

    def _distance_proof(self) -> str:
        shortest = self.plan.shortest_km
        return "" if shortest is None else f"; proven: no less than {shortest:.0f} km in as few trips"

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per trip."""
        data = self.inputs.data
        return HEADINGS, [
            [
                str(t.day + 1),
                data.truck[t.truck],
                str(t.number),
                ", ".join(data.site[s] for s in t.sites),
                str(t.fish),
                f"{self.kg(t):.1f}",
                f"{self.kg(t) / float(data.volume_l[t.truck]):.3f}",
                f"{data.trip_km(t.sites):.0f}",
            ]
            for t in self.plan.trips
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        data = self.inputs.data
        return {
            "status": str(self.plan.status),
            "trips": [
                {
                    "day": t.day + 1,
                    "date": (self.day + dt.timedelta(days=t.day)).isoformat(),
                    "truck": data.truck[t.truck],
                    "trip": t.number,
                    "fish": t.fish,
                    "kg": round(self.kg(t), 3),
                    "most_kg": float(data.capacity_kg[t.truck]),
                    "volume_l": float(data.volume_l[t.truck]),
                    "km": data.trip_km(t.sites),
                    "stops": [
                        {
                            "site": data.site[s.site],
                            "water_risk": int(data.site_risk[s.site]),
                            "loads": [
                                {
                                    **self.inputs.lines.iloc[i].to_dict(),
                                    "number": n,
                                    "kg": round(n * float(data.kg_each[i]), 3),
                                }
                                for i, n in s.loads
                            ],
                        }
                        for s in t.stops
                    ],
                }
                for t in self.plan.trips
            ],
            "km": self.plan.km,
            "truck_days": self.truck_days,
            "cost": self.cost.as_dict(),
            "fewest_trips": self.plan.fewest_trips,
            "shortest_km": self.plan.shortest_km,
            "release_version": self.inputs.release_version,
            "release_mark": self.inputs.release_mark,
            "notes": list(self.inputs.notes),
            "provenance": self.provenance.as_dict(),
        }


def truck_loads(
    programme: Programme,
    release_folder: Path,
    day: dt.date | None = None,
    failed: tuple[str, ...] = (),
    version: int = 1,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> LoadOutcome:
    """Load the fish of the last release plan on trucks, and recheck the loads without the solver.

    Parameters
    ----------
    programme : Programme
        Open records.
    release_folder : Path
        Folder with the release plan.
    day : date, optional
        First day; default the setting ``release_day``.
    failed : tuple of str
        Trucks that do not drive.
    version : int
        Version of the loads.
    progress : callable, optional
        Told in words what is being done.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best loads so far are returned and their notes say so.

    Returns
    -------
    LoadOutcome
        Loads, fish and provenance.

    Raises
    ------
    NoReleasePlanError
        If not everything can be carried; the message says what is short (exit code 4), or no loads were found in
        time (exit code 5).
    UsageError, ValueRangeError
        As `planner.tasks.load_data.load_inputs`.
    """
    day = day or programme.settings.day("release_day")
    inputs = load_inputs(programme, release_folder, day, failed)
    limit = float(programme.settings["time_limit"])
    seed = int(programme.settings["seed"]) % (2**31 - 1)
    plan, fish = _plan_by_single_mass(inputs, limit, seed, progress, cancel)
    if plan.status is SolveStatus.STOPPED:
        inputs = replace(inputs, notes=(*inputs.notes, STOPPED_WORDS))
    if plan.short:
        lines = "\n".join(f"- {words}" for words in plan.short)
        raise NoReleasePlanError(f"Truck loads: not every fish can be carried.\n{lines}", 4)
    if plan.km is None:
        raise NoReleasePlanError(
            f"Truck loads: {why_none(plan.status)}.",
            5,
        )
    if plan.breaches:
        raise AssertionError("the recheck refuses the loads: " + "; ".join(plan.breaches))
    provenance = Provenance(
        kind="truck loads",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(programme.settings["seed"]),
        settings=programme.settings.used(SETTINGS_OF_LOADS)
        | {
            "release_day": day.isoformat(),
            "release_plan": f"version {inputs.release_version}, mark {inputs.release_mark}",
            "trucks_failed": ", ".join(failed) or "none",
        },
        version=version,
        proof={
            "status": str(plan.status),
            "trips": len(plan.trips),
            "fewest trips": plan.fewest_trips,
            "km": f"{plan.km:.1f}",
            "least km": "none" if plan.shortest_km is None else f"{plan.shortest_km:.1f}",
        },
    )
    return LoadOutcome(plan, inputs, fish, provenance, day, _cost(programme, plan))


def _cost(programme: Programme, plan: LoadPlan) -> Estimate:
    """Return what driving costs by the settings; without prices there is no cost to show."""
    per_km = float(programme.settings["truck_cost_per_km"])
    per_day = float(programme.settings["crew_day_cost"])
    method = "km driven times truck_cost_per_km plus days of trucks on the road times crew_day_cost"
    if per_km <= 0 and per_day <= 0:
        why = "the settings truck_cost_per_km and crew_day_cost are 0"
        return Estimate.not_estimable(why, method, len(plan.trips), "trips")
    days = len({(t.day, t.truck) for t in plan.trips})
    value = per_km * (plan.km or 0.0) + per_day * days
    note = "exact for these trips and prices, no interval; other work of the release is not in it"
    return Estimate(value, method=method, n_used=len(plan.trips), unit_used="trips", note=note)


def _plan_by_single_mass(
    inputs: LoadInputs,
    time_limit: float,
    seed: int,
    progress: Callable[[str], None] | None = None,
    cancel: threading.Event | None = None,
) -> tuple[LoadPlan, pd.DataFrame]:
    """Plan loads that keep the density with the mass of the single fish, not only with the mean of their line.

    Fish of one line are exchanged between trips first; where that does not help, the loads are planned with a little
    of the room left unused. What is proven is proven for the whole room, and so holds for those loads too.
    """
    first: LoadPlan | None = None
    for unused in UNUSED_ROOM:
        data = replace(inputs.data, kg_per_l=inputs.data.kg_per_l * (1.0 - unused))
        if cancel is not None and cancel.is_set() and first is not None:
            # Stopped by hand with loads that need a little more room for single fish: a short try each, without proof.
            plan = plan_loads(data, time_limit=LAST_TRY_S, seed=seed)
        else:
            plan = plan_loads(data, time_limit=time_limit, seed=seed, progress=progress, cancel=cancel)
        first = first or plan
        if plan.km is None:
            return plan, inputs.fish.iloc[:0]
        places = _fish_of_trips(inputs, plan.trips)
        if _evened_out(inputs, plan.trips, places):
            proven = plan.status if unused == 0 else _status(plan, first, cancel)
            plan = replace(
                plan,
                status=proven,
                fewest_trips=first.fewest_trips,
                shortest_km=first.shortest_km if len(plan.trips) == first.fewest_trips else None,
                breaches=tuple(recheck_loads(inputs.data, plan.trips)),
            )
            return plan, _table_of_fish(inputs, plan.trips, places)
    words = "room: single fish are heavier than the mean of their line and do not fit; one more trip would do"
    return replace(plan, short=(words,)), inputs.fish.iloc[:0]


def _status(plan: LoadPlan, first: LoadPlan, cancel: threading.Event | None) -> SolveStatus:
    """Tell whether loads planned with less room are as good as what is proven for the whole room."""
    as_few = len(plan.trips) == first.fewest_trips
    as_short = plan.km is not None and first.shortest_km is not None and plan.km <= first.shortest_km + 1e-6
    if as_few and as_short:
        return SolveStatus.PROVEN
    return SolveStatus.STOPPED if cancel is not None and cancel.is_set() else SolveStatus.OTHER_LIMIT


def _evened_out(inputs: LoadInputs, trips: tuple[Trip, ...], places: dict[int, dict[int, list[int]]]) -> bool:
    """Exchange fish of one line between trips until every trip keeps its mass; tell whether all do.

    ``places[trip][line]`` lists rows of the table of fish; it is changed in place.
    """
    kg = inputs.fish["kg"].to_numpy()
    most = inputs.data.capacity_kg
    room = {
        t: float(most[trip.truck]) - sum(kg[i] for fish in places[t].values() for i in fish)
        for t, trip in enumerate(trips)
    }
    for _ in range(MOST_EXCHANGES):
        heavy = min(room, key=lambda t: (room[t], t))
        if room[heavy] >= -1e-9:
            return True
        best: tuple[float, int, int, int, int] | None = None
        for line, here in places[heavy].items():
            for t in places:
                there = places[t].get(line)
                if t == heavy or not there:
                    continue
                for a, one in enumerate(here):
                    for b, other in enumerate(there):
                        step = kg[one] - kg[other]
                        # The worse of the two trips after the exchange; only a gain counts.
                        worse = min(room[heavy] + step, room[t] - step)
                        if step > 0 and worse > room[heavy] + 1e-12 and (best is None or worse > best[0]):
                            best = (worse, line, t, a, b)
        if best is None:
            return False
        _, line, t, a, b = best
        here, there = places[heavy][line], places[t][line]
        step = kg[here[a]] - kg[there[b]]
        here[a], there[b] = there[b], here[a]
        room[heavy] += step
        room[t] -= step
    return False


def _fish_of_trips(inputs: LoadInputs, trips: tuple[Trip, ...]) -> dict[int, dict[int, list[int]]]:
    """Give each fish of a line to a trip, in the order of the tags: rows of the table of fish by trip and line."""
    order = inputs.fish.sort_values("tag")
    waiting = {line: list(here) for line, here in order.groupby("line").groups.items()}
    places: dict[int, dict[int, list[int]]] = {}
    for t, trip in enumerate(trips):
        places[t] = {}
        for stop in trip.stops:
            for line, number in stop.loads:
                places[t][line] = waiting[line][:number]
                del waiting[line][:number]
    return places


def _table_of_fish(
    inputs: LoadInputs, trips: tuple[Trip, ...], places: dict[int, dict[int, list[int]]]
) -> pd.DataFrame:
    """Return one row per fish with its day, truck, trip and stop."""
    data = inputs.data
    parts = []
    for t, trip in enumerate(trips):
        for k, stop in enumerate(trip.stops, 1):
            here = [i for line, _ in stop.loads for i in places[t][line]]
            part = inputs.fish.loc[here, ["site", "stock_id", "tag", "family", "kg"]].sort_values("tag")
            part.insert(0, "stop", k)
            part.insert(0, "trip", trip.number)
            part.insert(0, "truck", data.truck[trip.truck])
            part.insert(0, "day", trip.day + 1)
            parts.append(part)
    columns = ["day", "truck", "trip", "stop", "site", "stock_id", "tag", "family", "kg"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def loading_sheet(programme: Programme, outcome: LoadOutcome) -> Sheet:
    """Lay out the truck loading sheet of an outcome."""
    return load_sheet(
        programme.settings["programme_name"],
        f"from {outcome.day:%d %b %Y}",
        trip_strips(outcome.as_dict()["trips"]),
        outcome.facts(),
        outcome.provenance,
    )


def write_loads(programme: Programme, outcome: LoadOutcome, folder: Path) -> list[Path]:
    """Write the loading sheet (HTML, PDF), the fish of each trip and the plan file; each file whole or not at all."""
    sheet = loading_sheet(programme, outcome)
    out = [folder / name for name in ("loading_sheet.html", "loading_sheet.pdf", "load_fish.csv")]
    write_text(out[0], sheet_html(sheet))
    write_bytes(out[1], sheet_pdf(sheet, outcome.day))
    write_text(out[2], outcome.fish.to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "load_plan.json", outcome.as_dict()))
    return out


def planned_version(folder: Path) -> int:
    """Return the version after the plan file of the loads in a folder, 1 when there is none."""
    return next_version(folder / "load_plan.json")
