"""What is in a lot, tank, pond, truck or water on a day: families with intervals, mass balance, history in words."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.lots.composition import Composition, LotState, follow
from broodstock.lots.ledger import Difference, Flow
from broodstock.lots.moves import UNKNOWN_FAMILY, Move, Pool
from broodstock.lots.records import closed_lots, family_numbers_text, moves_of
from planner.tasks.programme import Programme

SEED = 20240228
ASSUMED = (
    "Assumed: within a lot and place every fish has the same chance to be taken; families differ in their risk to die by "
    "a factor of about 1.6 either way (common practice, no source), which DNA samples correct; unseen deaths after a "
    "release are not counted."
)
_VERBS = {
    "in": "came in",
    "split": "split off",
    "merge": "put together with others",
    "move": "moved",
    "count": "counted",
    "death": "died",
    "cull": "culled",
    "dna-sample": "typed by DNA",
    "release": "released",
    "out": "left",
}


@dataclass(frozen=True)
class LotBalance:
    """Mass balance of one lot.

    Parameters
    ----------
    lot : str
        Lot.
    flow : Flow
        What came and went.
    here : Estimate
        Fish in care now.
    differences : tuple of Difference
        What counting errors do not explain.
    """

    lot: str
    flow: Flow
    here: Estimate
    differences: tuple[Difference, ...]

    def row(self) -> list[str]:
        """Return the cells of the table of balances."""
        f = self.flow
        numbers = [f.came_in + f.from_lots, f.to_lots, f.died + f.culled, f.released, f.out, f.by_counts]
        return [
            self.lot,
            *(f"{n:.0f}".replace("-0", "0") if abs(n) < 0.5 else f"{n:.0f}" for n in numbers),
            _signed(f.unexplained),
            self.here.text(0),
        ]


BALANCE_HEAD = ["lot", "came", "to lots", "died", "released", "out", "by counts", "unexplained", "here now"]


@dataclass(frozen=True)
class LotsReport:
    """Answer about one place or lot.

    Parameters
    ----------
    what : str
        Lot, unit or site in words; empty for the overview of all lots.
    on : datetime.date
        Day.
    composition : Composition or None
        Families there; None for the overview.
    pools : tuple of (Pool, Estimate, Estimate)
        Lots and places with fish, how many, and their effective number of families.
    balances : tuple of LotBalance
        Of every lot concerned.
    history : tuple of str
        Events in words.
    surprises : tuple of str
        Families that DNA found where the records put none.
    """

    what: str
    on: dt.date
    composition: Composition | None
    pools: tuple[tuple[Pool, Estimate, Estimate], ...]
    balances: tuple[LotBalance, ...]
    history: tuple[str, ...]
    surprises: tuple[str, ...]

    def family_rows(self) -> list[list[str]]:
        """Return family, share, fish and chance of absence."""
        c = self.composition
        if c is None:
            return []
        return [
            [
                f or "unknown",
                c.share(f).text(3),
                c.number(f).text(0),
                f"{c.absent(f):.0%}",
            ]
            for f in c.families
        ]

    def differences(self) -> list[str]:
        """Return what does not balance, in words."""
        return [_difference_words(d) for b in self.balances for d in b.differences]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        c = self.composition
        families = [] if c is None else [
            {"family": f, "share": c.share(f).as_dict(), "number": c.number(f).as_dict(), "absent": c.absent(f)}
            for f in c.families
        ]  # fmt: skip
        return {
            "what": self.what,
            "on": self.on.isoformat(),
            "total": None if c is None else c.total.as_dict(),
            "effective_families": None if c is None else c.effective_families.as_dict(),
            "families": families,
            "pools": [
                {"lot": p.lot, "place_kind": p.kind, "place": p.place, "number": n.as_dict(), "effective_families": e.as_dict()}
                for p, n, e in self.pools
            ],
            "balances": [
                {
                    "lot": b.lot,
                    **{k: getattr(b.flow, k) for k in Flow.__dataclass_fields__},
                    "here": b.here.as_dict(),
                    "differences": [_difference_dict(d) for d in b.differences],
                }
                for b in self.balances
            ],
            "history": list(self.history),
            "surprises": list(self.surprises),
            "assumed": ASSUMED,
        }  # fmt: skip


def lots_report(
    programme: Programme, lot: str = "", unit: str = "", site: str = "", on: dt.date | None = None
) -> LotsReport:
    """Return what is known about one lot, unit or site, or about all lots.

    Parameters
    ----------
    programme : Programme
        Records.
    lot, unit, site : str
        At most one of them; none: all lots that hold fish.
    on : datetime.date, optional
        Day; default the programme's own. Later events are not used.

    Raises
    ------
    UsageError
        If more than one is given, the name is not known, or there are no events of lots.
    """
    day = on or programme.today
    what, wanted = _wanted(programme, lot, unit, site)
    moves = moves_of(programme.tables["group_moves"])
    if not moves:
        raise UsageError(
            "group_moves: found no event of any lot. Expected rows that say what came in, moved, was counted. "
            "Enter them, or see 'kinshoal columns group_moves'."
        )
    state = follow(moves, day, seed=SEED, closed=closed_lots(programme.tables["lots"]))
    pools = [p for p in state.ledger.pools if _holds(state, p) and (wanted is None or _is_of(p, *wanted))]
    shown = [p for p in pools if wanted is not None or p.kind != "released"]
    parts = [(p, state.composition([p])) for p in shown]
    seen = [m for m in state.moves if wanted is not None and _concerns(m, *wanted, state)]
    lots = list(dict.fromkeys([*([lot] if lot else []), *(p.lot for p in shown)]))
    return LotsReport(
        what,
        day,
        None if wanted is None else state.composition(pools),
        tuple((p, c.total, c.effective_families) for p, c in parts),
        tuple(_balance(state, name) for name in lots),
        tuple(move_words(m) for m in seen),
        tuple(
            f"{s.move.on.isoformat()}: {s.number:.0f} fish of {s.family} typed in {s.move.lot or s.move.place}, "
            "where the records bring none"
            for s in state.surprises
            if s.stranger and (wanted is None or s.move in seen)
        ),
    )


def _wanted(programme: Programme, lot: str, unit: str, site: str) -> tuple[str, tuple[str, str] | None]:
    """Return the words for what is asked, and its kind and name; the name is checked."""
    given = [(k, n) for k, n in (("lot", lot), ("unit", unit), ("site", site)) if n]
    if not given:
        return "", None
    if len(given) > 1:
        raise UsageError(
            f"lots: found {' and '.join(f'--{k}' for k, _ in given)}. Expected one of --lot, --unit and --site. "
            "Ask for one at a time."
        )
    kind, name = given[0]
    known = list(programme.tables[f"{kind}s"][f"{kind}_id"])
    if name not in known:
        near = difflib.get_close_matches(name, known, 1)
        raise UsageError(
            f"--{kind}: found {name!r}. Expected a {kind} of the records. "
            + (f"Did you mean {near[0]!r}?" if near else f"The table {kind}s lists them.")
        )
    return f"{kind} {name}", (kind, name)


def _holds(state: LotState, pool: Pool) -> bool:
    number, error = state.ledger.total([state.ledger.pools.index(pool)])
    return max(number, error) >= 0.5


def _is_of(pool: Pool, kind: str, name: str) -> bool:
    if kind == "lot":
        return pool.lot == name
    return pool.place == name and (pool.kind == "unit") == (kind == "unit")


def _concerns(move: Move, kind: str, name: str, state: LotState) -> bool:
    """Return whether an event touches a lot or a place; an event of a whole lot touches all its places."""
    target = move.target
    if target is not None and _is_of(target, kind, name):
        return True
    if kind == "lot":
        return move.lot == name
    if move.place:
        return move.place == name and (move.place_kind == "unit") == (kind == "unit")
    return any(
        _is_of(p, kind, name) and p.lot == move.lot for p in state.ledger.pools if p.kind != "released"
    )


def _balance(state: LotState, lot: str) -> LotBalance:
    number, error = state.ledger.total(state.ledger.of_lot(lot))
    here = Estimate(
        max(number, 0.0),
        max(number - 1.96 * error, 0.0),
        max(number + 1.96 * error, 0.0),
        "numbers of all events with their errors; 95 % interval",
        sum(m.lot == lot or (m.target is not None and m.target.lot == lot) for m in state.moves),
        "events",
    )
    differences = tuple(d for d in state.ledger.differences if d.lot == lot)
    return LotBalance(lot, state.ledger.flow(lot), here, differences)


def move_words(move: Move) -> str:
    """Return one event in words: ``2024-06-05: 213 fish of N24-01 in T-04 put together with others to G24-P01``."""
    source = f" of {move.lot}" if move.lot else ""
    if move.place:
        source += f" {'in' if move.place_kind == 'unit' else 'at'} {move.place}"
    number = "all fish" if move.number is None else f"{move.number} fish"
    error = (
        f" (give or take {move.error:.1%})"
        if move.number and move.error and move.kind != "dna-sample"
        else ""
    )
    words = f"{move.on.isoformat()}: {number}{source} {_VERBS[move.kind]}"
    if move.target is not None:
        same = move.target.lot == move.lot
        words += f" to {move.target.place if same else move.target.words}"
    known = {f or "unknown": n for f, n in move.families.items()}
    return words + error + (f": {family_numbers_text(known)}" if known else "")


def _difference_words(d: Difference) -> str:
    name = d.lot or "the place"
    chance = "" if d.kind in ("empty",) else f"; by errors of counting alone {_chance(d.chance)}"
    gap = abs(d.found - d.expected)
    if d.kind == "more-out":
        return f"{d.on.isoformat()}: {gap:.0f} more fish out of {name} than came in ({d.found:.0f} of {d.expected:.0f}{chance})"
    if d.kind == "empty":
        return f"{d.on.isoformat()}: {d.found:.0f} fish of {name} where the records put none"
    if d.kind == "closed":
        return f"{d.on.isoformat()}: {d.expected:.0f} fish of {name} not accounted for when it was closed{chance}"
    word = "fewer" if d.kind == "loss" else "more"
    return f"{d.on.isoformat()}: {gap:.0f} {word} fish in {name} than expected ({d.found:.0f}, not {d.expected:.0f}{chance})"


def _chance(p: float) -> str:
    return "less than 1 in 10 000" if p < 1e-4 else f"1 in {1 / p:.0f}"


def _difference_dict(d: Difference) -> dict[str, Any]:
    return {
        "kind": d.kind,
        "on": d.on.isoformat(),
        "expected": d.expected,
        "found": d.found,
        "standard_error": d.standard_error,
        "chance": d.chance,
        "move_id": d.move_id,
    }


def _signed(n: float) -> str:
    return f"{n:+.0f}" if abs(n) >= 0.5 else "0"


def unknown_note(report: LotsReport) -> Iterable[str]:
    """Say when fish of unknown family are among those shown."""
    if report.composition is not None and UNKNOWN_FAMILY in report.composition.families:
        yield "Fish entered without a family count as 'unknown'; a DNA sample names them."
