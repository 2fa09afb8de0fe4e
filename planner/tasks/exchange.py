"""Plan the exchange of fish between backwaters, so that each gets one to ten effective migrants a generation."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.selection.exchange import (
    ExchangeData,
    ExchangePlan,
    fst_finite,
    fst_island,
    kinship_after,
    plan_exchange,
)
from planner.provenance import Provenance
from planner.tasks.choice_stock import NoChoiceError, stock_families
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

STATION = "station"
BACKWATERS = ("isolated-backwater", "connected-backwater", "refuge")
NO_LIMIT = 10**7


@dataclass(frozen=True)
class ExchangeWishes:
    """What is asked of the exchange.

    Parameters
    ----------
    years : int
        Years of the plan.
    generation_years : float
        Mean age of parents when their young are born.
    breed_share : float
        Share of moved fish that breed as well as a resident does.
    least, most : float
        Effective migrants per generation for each water.
    journey : tuple of (int, int)
        Fewest and most fish of one journey.
    stay_share : float
        Share of its fish that a water never falls below.
    with_station : bool
        The station's stock sends fish too.
    """

    years: int = 6
    generation_years: float = 6.0
    breed_share: float = 0.3
    least: float = 1.0
    most: float = 10.0
    journey: tuple[int, int] = (4, 20)
    stay_share: float = 0.8
    with_station: bool = False


@dataclass(frozen=True)
class ExchangeOutcome:
    """Moves between waters with what they do.

    Parameters
    ----------
    data : ExchangeData
        Waters and rules.
    plan : ExchangePlan
        The moves; they have passed the recheck.
    moves : DataFrame
        One row per journey: ``year, from, to, fish``.
    waters : DataFrame
        One row per water: ``water, residents, arrivals, migrants, fst, fst_finite, kinship, kinship_after``.
    received : DataFrame
        One row per water: who last received fish, when, how many and of how many families.
    notes : tuple of str
        What was assumed or left out.
    provenance : Provenance
        Inputs, settings, proof.
    """

    data: ExchangeData
    plan: ExchangePlan
    moves: pd.DataFrame
    waters: pd.DataFrame
    received: pd.DataFrame
    notes: tuple[str, ...]
    provenance: Provenance

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the plan as label and value."""
        j, k = self.plan.journeys, self.plan.kinship
        assert k is not None
        before, after = (float(self.waters[c].mean()) for c in ("kinship", "kinship_after"))
        gap = "none" if k.gap is None else f"{k.gap:.2%}"
        fewest = "proven fewest" if j.proven else f"at least {j.bound or 0:.0f} needed"
        return (
            ("Journeys", f"{len(self.moves)} ({fewest})"),
            ("Fish moved", str(int(self.moves["fish"].sum()))),
            ("Mean kinship within waters, before and after", f"{before:.5f}, {after:.5f}"),
            ("Kinship at this number of journeys", f"{k.status}, gap {gap} (to first order)"),
        )

    def matrix(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and the matrix of moves: from the row to the column, all years."""
        names = list(self.data.names)
        total = np.zeros((len(names), len(names)), dtype=int)
        for m in rows(self.moves):
            total[names.index(m.origin), names.index(m.to)] += m.fish
        head = ["from \\ to", *names]
        return head, [[n, *(str(x) if x else "·" for x in row)] for n, row in zip(names, total, strict=True)]

    def year_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per journey."""
        lines = [[str(m.year), m.origin, m.to, str(m.fish)] for m in rows(self.moves)]
        return ["year", "from", "to", "fish"], lines

    def water_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water."""
        head = [
            "water",
            "residents",
            "arrive",
            "Nm",
            "Fst, many waters",
            "Fst, these waters",
            "kinship",
            "after",
        ]
        lines = [
            [
                w.water,
                str(w.residents),
                str(w.arrivals),
                f"{w.migrants:.1f}",
                f"{w.fst:.3f}" if w.arrivals else "–",
                f"{w.fst_finite:.3f}" if w.arrivals else "–",
                f"{w.kinship:.5f}",
                f"{w.kinship_after:.5f}",
            ]
            for w in rows(self.waters)
        ]
        return head, lines

    def received_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water: who last received."""
        lines = [
            [r.water, r.last, str(r.fish) if r.last != "never recorded" else "–", str(r.families)]
            for r in rows(self.received)
        ]
        return ["water", "last received", "fish", "families"], lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "journeys": self.plan.journeys.as_dict(),
            "kinship": None if self.plan.kinship is None else self.plan.kinship.as_dict(),
            "moves": self.moves.to_dict("records"),
            "waters": self.waters.to_dict("records"),
            "last_received": self.received.to_dict("records"),
            "notes": list(self.notes),
            "provenance": self.provenance.as_dict(),
        }


def exchange_plan(programme: Programme, wishes: ExchangeWishes) -> ExchangeOutcome:
    """Choose the moves of some years: fewest journeys, then least mean kinship within waters.

    Parameters
    ----------
    programme : Programme
        Open records.
    wishes : ExchangeWishes
        Years and rules.

    Returns
    -------
    ExchangeOutcome

    Raises
    ------
    NoChoiceError
        If a water cannot get enough fish under the rules (exit code 4, waters named), or time ran out (5).
    UsageError
        If a number makes no sense, or there are not two waters that could exchange fish.
    """
    if not (wishes.generation_years > 0 and 0 < wishes.breed_share <= 1):
        raise UsageError(
            f"exchange: found a generation of {wishes.generation_years} years and a share of {wishes.breed_share} that "
            "breeds. Expected years above 0 and a share above 0 and at most 1."
        )
    notes: list[str] = []
    data = _data(programme, wishes, notes)
    settings = programme.settings
    plan = plan_exchange(
        data, time_limit=float(settings["time_limit"]), seed=int(settings["seed"]) % (2**31 - 1)
    )
    if plan.moves is None:
        raise _no_plan(data, plan)
    year = programme.today.year
    moves = pd.DataFrame(
        [
            {
                "year": year + 1 + y,
                "origin": data.names[j],
                "to": data.names[i],
                "fish": int(plan.moves[y, j, i]),
            }
            for y, j, i in np.argwhere(plan.moves > 0).tolist()
        ],
        columns=["year", "origin", "to", "fish"],
    )
    report = plan.kinship
    assert report is not None
    provenance = Provenance(
        kind="exchange plan",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(settings["seed"]),
        settings=settings.used(("larval_group_kinship", "time_limit"))
        | {k: list(v) if isinstance(v, tuple) else v for k, v in wishes.__dict__.items()},
        version=1,
        proof={
            "journeys": f"{len(moves)} ({plan.journeys.status})",
            "kinship": str(report.status),
            "gap": "none" if report.gap is None else f"{report.gap:.4%}",
        },
    )
    return ExchangeOutcome(
        data,
        plan,
        moves,
        _waters(data, plan.moves),
        _received(programme, data),
        tuple(notes),
        provenance,
    )


def write_exchange(outcome: ExchangeOutcome, folder: Path) -> list[Path]:
    """Write moves, waters, who last received and the plan file; each file whole or not at all."""
    out = []
    for name in ("moves", "waters", "received"):
        out.append(folder / f"exchange_{name}.csv")
        write_text(out[-1], getattr(outcome, name).to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "exchange_plan.json", outcome.as_dict()))
    return out


def _no_plan(data: ExchangeData, plan: ExchangePlan) -> NoChoiceError:
    if not plan.short:
        return NoChoiceError(
            f"Exchange plan: stopped ({plan.journeys.status}) without a plan. Give it more time with --set "
            "time_limit=SECONDS, or ask for fewer years.",
            5,
        )
    listed = "".join(
        f"\n- {name}: at most {can} fish can come, {needs} are needed" for name, can, needs in plan.short
    )
    return NoChoiceError(
        "Exchange plan: these waters cannot get enough fish under room, water risk, journeys and what must stay:"
        f"{listed}\nAsk for fewer migrants, more years, larger journeys or a smaller share that stays.",
        4,
    )


def _data(programme: Programme, wishes: ExchangeWishes, notes: list[str]) -> ExchangeData:
    """Return the waters with residents of known family, the station beside them where asked or needed."""
    sites = programme.tables["sites"]
    residents = programme.residents_now
    known = residents[residents["family"] != ""]
    total = residents.groupby("site_id")["number"].sum()
    taking = [
        s
        for s in rows(sites)
        if s.kind in BACKWATERS and int(known.loc[known["site_id"] == s.site_id, "number"].sum()) > 0
    ]
    left_out = [
        s.name for s in rows(sites) if s.kind in BACKWATERS and s.site_id not in {t.site_id for t in taking}
    ]
    if left_out:
        notes.append(f"Without residents of known family, so not in the exchange: {', '.join(left_out)}.")
    with_station = wishes.with_station
    if len(taking) < 2 and not with_station and not programme.stock_here.empty:
        with_station = True
        notes.append("Fewer than two waters could exchange fish: the station's stock is the other partner.")
    if len(taking) + with_station < 2 or not taking:
        raise UsageError(
            f"exchange: found {len(taking)} backwaters or refuges with residents of known family. Expected at least two, "
            "or one and the station's stock. Add counts per family to residents.csv."
        )
    counts = [known[known["site_id"] == s.site_id].groupby("family")["number"].sum() for s in taking]
    risk = [9 if pd.isna(s.water_risk) else int(s.water_risk) for s in taking]
    living = [int(total[s.site_id]) for s in taking]
    room = [NO_LIMIT if pd.isna(s.capacity_fish) else int(s.capacity_fish) for s in taking]
    gets = [bool(pd.isna(s.open_for_release) or s.open_for_release) for s in taking]
    names = [s.name for s in taking]
    if with_station:
        stock = programme.stock_here
        counts.append(stock.groupby("family").size())
        unit_risk = programme.tables["units"].set_index("unit_id")["water_risk"]
        risk.append(int(stock["unit"].map(unit_risk).fillna(0).max()))
        living.append(len(stock))
        room.append(NO_LIMIT)
        gets.append(False)
        names.append(STATION)
    families = sorted({f for c in counts for f in c.index})
    K = stock_families(programme, families).kinship
    shares = np.array([[float(c.get(f, 0)) for f in families] for c in counts])
    shares /= shares.sum(axis=1, keepdims=True)
    data = ExchangeData(
        names=tuple(names),
        kinship=shares @ K @ shares.T,
        residents=np.array(living, dtype=np.int64),
        capacity=np.array(room, dtype=np.int64),
        risk=np.array(risk, dtype=np.int64),
        sends=np.ones(len(names), dtype=bool),
        receives=np.array(gets, dtype=bool),
        years=wishes.years,
        per_fish=wishes.breed_share * wishes.generation_years / wishes.years,
        window=(wishes.least, wishes.most),
        group=wishes.journey,
        stay_share=wishes.stay_share,
    )
    alone = [n for n, any_, g in zip(names, data.allowed.any(axis=0), gets, strict=True) if g and not any_]
    if alone:
        notes.append(f"No water of lower or equal risk can send fish to: {', '.join(alone)}.")
    low, high = data.fish_window
    notes.append(
        f"{wishes.least:g} to {wishes.most:g} effective migrants a generation of {wishes.generation_years:g} years, of "
        f"which {wishes.breed_share:.0%} breed, are {low} to {high} fish in {wishes.years} years. Kinship: recorded "
        "families of the residents, large groups (self pairs out); births and deaths in these years are not foreseen."
    )
    return data


def _waters(data: ExchangeData, moves: BigIntArray) -> pd.DataFrame:
    got = moves.sum(axis=(0, 1))
    after: FloatArray = kinship_after(data, moves)
    migrants = got * data.per_fish
    d = len(data.names)
    return pd.DataFrame(
        {
            "water": list(data.names),
            "residents": data.residents,
            "arrivals": got,
            "migrants": migrants,
            "fst": [fst_island(float(m)) for m in migrants],
            "fst_finite": [fst_finite(float(m), d) for m in migrants],
            "kinship": np.diag(data.kinship),
            "kinship_after": after,
        }
    )


def _received(programme: Programme, data: ExchangeData) -> pd.DataFrame:
    """Return for each water the last release into it; never recorded first, then the longest ago."""
    releases = programme.tables["releases"]
    name_of = dict(zip(programme.tables["sites"]["site_id"], programme.tables["sites"]["name"], strict=True))
    here = releases.assign(water=releases["site_id"].map(name_of))
    records = []
    for name in data.names:
        if name == STATION:
            continue
        of = here[here["water"] == name]
        when = of["released_on"].max() if len(of) else pd.NaT
        last = of[of["released_on"] == when]
        records.append(
            {
                "water": name,
                "last": "never recorded" if pd.isna(when) else f"{when:%Y-%m-%d}",
                "fish": len(last),
                "families": int(last.loc[last["family"] != "", "family"].nunique()),
            }
        )
    table = pd.DataFrame(records, columns=["water", "last", "fish", "families"])
    order = table["last"].where(table["last"] != "never recorded", "")
    return (
        table.assign(order=order).sort_values(["order", "water"]).drop(columns="order").reset_index(drop=True)
    )
