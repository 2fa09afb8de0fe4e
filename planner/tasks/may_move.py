"""May these fish go there on that day? Every rule in turn, the facts behind it, and what would change the answer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.candidates import holds_on
from planner.tasks.dna_screens import dna_objections
from planner.tasks.fish_state import quarantined, withdrawals
from planner.tasks.individuals import IN_CARE, as_date
from planner.tasks.move_subjects import Mover, find_movers, fish_movers, stock_movers
from planner.tasks.name_lists import few
from planner.tasks.permits import permit_room
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.water_state import CONNECTED, WaterState, water_states

YES, NO, LOOK = "yes", "no", "look"
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Reason:
    """What one rule says.

    Parameters
    ----------
    rule : str
        Name of the rule.
    says : {'yes', 'no', 'look'}
        ``look``: the records do not tell; a person looks.
    fact : str
        Facts in words.
    change : str
        What would change a no or settle a doubt; empty for a yes.
    fish : tuple of str
        Fish or lots it speaks of; empty for all.
    """

    rule: str
    says: str
    fact: str
    change: str = ""
    fish: tuple[str, ...] = ()


@dataclass(frozen=True)
class MoveAnswer:
    """Yes or no with all reasons.

    Parameters
    ----------
    what, where : str
        As asked.
    on : date
        Day.
    movers : tuple of Mover
        Fish and lots.
    reasons : tuple of Reason
        Of every rule, in order.
    """

    what: str
    where: str
    on: dt.date
    movers: tuple[Mover, ...]
    reasons: tuple[Reason, ...]

    @property
    def may(self) -> bool:
        """Whether no rule stands against it."""
        return all(r.says != NO for r in self.reasons)

    @property
    def number(self) -> int:
        """Fish that would move."""
        return sum(m.number for m in self.movers)

    @property
    def may_go(self) -> list[str]:
        """Fish or lots against which no rule stands, when the rules for all of them allow it."""
        if any(r.says == NO and not r.fish for r in self.reasons):
            return []
        stopped = {f for r in self.reasons if r.says == NO for f in r.fish}
        return [m.name for m in self.movers if m.name not in stopped]

    def lines(self) -> list[str]:
        """Return the answer as words."""
        n = len(self.movers)
        who = self.movers[0].name if n == 1 else f"{self.what} ({self.number} fish)"
        doubts = sum(r.says == LOOK for r in self.reasons)
        head = f"{'YES' if self.may else 'NO'}: {who} to {self.where} on {self.on}"
        if self.may and doubts:
            head += f", once a person has looked at {doubts} point(s)"
        out = [head, ""]
        for r in sorted(self.reasons, key=lambda r: (NO, LOOK, YES).index(r.says)):
            of = f" [{few(r.fish, MOST_NAMED)}]" if r.fish and n > 1 else ""
            out.append(f"{r.says:4}  {r.rule}: {r.fact}{of}")
            if r.change:
                out.append(f"        what would change it: {r.change}")
        if not self.may and n > 1:
            out += [
                "",
                f"{len(self.may_go)} of {n} may go: {few(self.may_go, MOST_NAMED)}"
                if self.may_go
                else "None may go.",
            ]
        out.append("This is an aid to planning: permits, the veterinarian and local rules decide.")
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "what": self.what,
            "where": self.where,
            "on": self.on.isoformat(),
            "may": self.may,
            "fish": self.number,
            "reasons": [asdict(r) for r in self.reasons],
            "may_go": self.may_go,
        }


@dataclass(frozen=True)
class _Ask:
    programme: Programme
    movers: tuple[Mover, ...]
    where: str
    site: Any
    unit: Any
    on: dt.date

    @property
    def number(self) -> int:
        return sum(m.number for m in self.movers)


def may_move(programme: Programme, what: str, where: str, on: dt.date | None = None) -> MoveAnswer:
    """Judge one move by every rule; nothing is entered.

    Parameters
    ----------
    programme : Programme
        Open records.
    what : str
        A fish, tag, family, lot or unit.
    where : str
        A site or a unit.
    on : date, optional
        Day of the move; default the setting ``release_day`` for a site, the programme's day for a unit.

    Returns
    -------
    MoveAnswer

    Raises
    ------
    UsageError
        If either name is unknown.
    """
    movers = tuple(find_movers(programme, what))
    site = next((r for r in rows(programme.tables["sites"]) if r.site_id == where), None)
    unit = next((r for r in rows(programme.tables["units"]) if r.unit_id == where), None)
    if site is None and unit is None:
        names = [*programme.tables["sites"]["site_id"], *programme.tables["units"]["unit_id"]]
        raise UsageError(
            f"where to move: found {where!r}. Expected a site or a unit: {', '.join(names[:40])}."
        )
    day = on or (programme.settings.day("release_day") if site is not None else programme.today)
    ask = _Ask(programme, movers, where, site, unit, day)
    found = [r for rule in RULES for r in rule(ask)]
    return MoveAnswer(what, where, day, movers, tuple(found))


def _alive(ask: _Ask) -> Iterator[Reason]:
    gone = [
        m
        for m in ask.movers
        if m.kind != "lot" and m.status not in IN_CARE and not (m.status == "released" and m.site)
    ]
    for m in gone:
        yield Reason(
            "state of the fish",
            NO,
            f"'{m.name}' is {m.status}",
            "correct its status if it is wrong",
            (m.name,),
        )
    away = [m for m in ask.movers if m.unit == ask.where or m.site == ask.where]
    for m in away:
        yield Reason("state of the fish", NO, f"'{m.name}' is there already", "", (m.name,))


def _holds(ask: _Ask) -> Iterator[Reason]:
    held = holds_on(ask.programme.tables["holds"], ask.on)
    table = ask.programme.tables["holds"]
    until = {(r.subject_kind, r.subject): as_date(r.until_date) for r in rows(table)}
    groups: dict[tuple[str, str], list[str]] = {}
    for m in ask.movers:
        for key in (("fish", m.name), ("family", m.family), ("unit", m.unit)):
            if key in held:
                groups.setdefault(key, []).append(m.name)
    for key, names in groups.items():
        end = until.get(key)
        change = f"wait until after {end}" if end else "whoever set the hold ends it"
        yield Reason("holds", NO, f"{key[0]} '{key[1]}' is {held[key]}", change, tuple(names))
    if not groups:
        yield Reason("holds", YES, "no open hold on the fish, their families or units")


def _species(ask: _Ask) -> Iterator[Reason]:
    own = ask.programme.settings["species"]
    bad = False
    for m in ask.movers:
        if m.species and own and m.species != own:
            bad = True
            yield Reason(
                "species", NO, f"'{m.name}' is recorded as {m.species}", "the geneticist decides", (m.name,)
            )
    fish = [m.name for m in ask.movers if m.kind == "fish"]
    by_dna = {
        n: (words, "other species" in words) for n, words in dna_objections(ask.programme, fish).items()
    }
    stock = {m.name for m in ask.movers if m.kind == "stock"}
    if stock:
        found = ask.programme.stock_by_dna
        by_dna |= {n: (words, False) for n, words in found.sex.items() if n in stock}
        by_dna |= {n: (words, True) for n, words in found.species.items() if n in stock}
    for name, (words, hybrid) in by_dna.items():
        bad = True
        # fish of another sex than recorded may be another fish: it stays out of a release until somebody looked
        stays = hybrid or (name in stock and ask.site is not None)
        yield Reason(
            "species" if hybrid else "identity",
            NO if stays else LOOK,
            f"'{name}': {words}",
            "look at the fish and its sample again",
            (name,),
        )
    foreign = {
        r.fish_id for r in rows(ask.programme.tables["fish"]) if own and r.species and r.species != own
    }
    mixed = {r.family_id for r in rows(ask.programme.tables["families"]) if {r.dam, r.sire} & foreign}
    for family in sorted({m.family for m in ask.movers} & mixed):
        bad = True
        names = tuple(m.name for m in ask.movers if m.family == family)
        yield Reason(
            "species",
            NO,
            f"family '{family}' has a parent of another species",
            "the geneticist decides",
            names,
        )
    if not bad:
        yield Reason("species", YES, "nothing speaks for another species or a hybrid")


def _certificate(ask: _Ask) -> Iterator[Reason]:
    if ask.site is None:
        yield Reason("health certificate", YES, "not asked for a move within the station")
        return
    table = ask.programme.tables["certificates"]
    if table.empty:
        yield Reason(
            "health certificate",
            LOOK,
            "no certificates in the records",
            "enter them, or ask the health officer",
        )
        return
    for unit in sorted({m.unit for m in ask.movers}):
        names = tuple(m.name for m in ask.movers if m.unit == unit)
        if not unit:
            yield Reason("health certificate", LOOK, "fish in no unit: no certificate can cover them",
                         "ask the health officer", names)  # fmt: skip
            continue
        mine = [r for r in rows(table) if r.unit == unit]
        good = [r for r in mine if r.result == "clear" and _in_date(r, ask.on)]
        if good:
            best = max(good, key=lambda r: r.valid_until)
            yield Reason("health certificate", YES, f"{best.certificate_id} of {unit}, clear until {as_date(best.valid_until)}",
                         "", names)  # fmt: skip
            continue
        if not mine:
            fact = f"unit {unit} has no certificate"
        else:
            last = max(mine, key=lambda r: r.valid_until)
            in_date = _in_date(last, ask.on)
            why = (
                f"is {last.result}"
                if in_date
                else f"holds from {as_date(last.issued_on)} to {as_date(last.valid_until)}"
            )
            fact = f"{last.certificate_id} of {unit} {why}"
        yield Reason(
            "health certificate",
            NO,
            fact,
            f"an inspection of {unit} with a clear result, valid on {ask.on}",
            names,
        )


def _in_date(certificate: Any, on: dt.date) -> bool:
    when = pd.Timestamp(on)
    return bool(certificate.issued_on <= when <= certificate.valid_until)


def _withdrawal(ask: _Ask) -> Iterator[Reason]:
    if ask.site is None:
        yield Reason("withdrawal time", YES, "not asked for a move within the station")
        return
    late = withdrawals(ask.programme, ask.movers, ask.on)
    for end, source in sorted(set(late.values())):
        names = tuple(n for n, e in late.items() if e == (end, source))
        yield Reason(
            "withdrawal time", NO, f"{len(names)} fish until {end} ({source})", f"a day after {end}", names
        )
    if not late:
        yield Reason("withdrawal time", YES, "over for all, or none")


def _quarantine(ask: _Ask) -> Iterator[Reason]:
    kinds = {r.unit_id: r.kind for r in rows(ask.programme.tables["units"])}
    days = int(ask.programme.settings["quarantine_days"])
    still = quarantined(ask.programme, ask.movers, ask.on)
    found = False
    for m in ask.movers:
        if kinds.get(m.unit) == "quarantine":
            found = True
            if m.here_since is None:
                says = LOOK if ask.site is None else NO
                yield Reason("quarantine", says, f"'{m.name}' is in quarantine since a day that is not recorded",
                             f"the day it came, and {days} days from then", (m.name,))  # fmt: skip
            elif m.name in still:
                yield Reason("quarantine", NO, f"'{m.name}' is in quarantine since {m.here_since}, {days} days are set",
                             f"{still[m.name]} or later", (m.name,))  # fmt: skip
            else:
                yield Reason(
                    "quarantine", YES, f"'{m.name}': {(ask.on - m.here_since).days} days done", "", (m.name,)
                )
        elif m.site and ask.unit is not None and ask.unit.kind != "quarantine":
            found = True
            yield Reason("quarantine", NO, f"'{m.name}' would come from a water straight into {ask.where}",
                         "a unit of kind quarantine first", (m.name,))  # fmt: skip
    if not found:
        yield Reason("quarantine", YES, "no fish in quarantine")


def _water(ask: _Ask) -> Iterator[Reason]:
    ranks = {r.unit_id: r.water_risk for r in rows(ask.programme.tables["units"])}
    ranks |= {r.site_id: r.water_risk for r in rows(ask.programme.tables["sites"])}
    target = (ask.site if ask.site is not None else ask.unit).water_risk
    if pd.isna(target):
        yield Reason("water risk", LOOK, f"{ask.where} has no risk rank", "a rank, set by the health officer")
        return
    for place in sorted({m.unit or m.site for m in ask.movers}):
        names = tuple(m.name for m in ask.movers if (m.unit or m.site) == place)
        rank = ranks.get(place)
        if rank is None or pd.isna(rank):
            yield Reason("water risk", LOOK, f"{place or 'the place of the fish'} has no risk rank",
                         "a rank, set by the health officer", names)  # fmt: skip
        elif int(rank) > int(target):
            yield Reason("water risk", NO, f"from rank {int(rank)} ({place}) to rank {int(target)}: uphill, to cleaner water",
                         "another water of the same or a higher rank; fish never go uphill", names)  # fmt: skip
        else:
            yield Reason(
                "water risk", YES, f"from rank {int(rank)} ({place}) to rank {int(target)}", "", names
            )


def _permit(ask: _Ask) -> Iterator[Reason]:
    if ask.site is not None:
        activity = "release"
    elif any(m.site for m in ask.movers):
        activity = "collect-adults"
    else:
        yield Reason("permit", YES, "not asked for a move within the station")
        return
    room = permit_room(ask.programme, activity, ask.number, ask.on)
    silent = room.may and room.left is None and not room.tallies
    yield Reason(f"permit to {activity}", LOOK if silent else YES if room.may else NO, room.why,
                 room.change or ("enter the permit" if silent else ""))  # fmt: skip


def _place(ask: _Ask) -> Iterator[Reason]:
    if ask.unit is not None:
        yield from _unit_room(ask)
        return
    state = water_states(ask.programme, ask.on)[ask.where]
    if state.is_open is None:
        yield Reason("site open", LOOK, f"whether {ask.where} is open for release is not recorded",
                     "the column open_for_release of the site")  # fmt: skip
    elif not state.is_open:
        yield Reason("site open", NO, f"{ask.where} is not open for release", "whoever closed it opens it")
    else:
        yield Reason("site open", YES, f"{ask.where} is open for release")
    if state.shut_month:
        yield Reason("season", NO, f"{ask.where} receives no fish in month {ask.on.month}", "another month")
    if state.is_dry:
        yield Reason(
            "water there", NO, f"{ask.where} is dry (depth 0 m)", "water, and its depth in the record"
        )
    if state.work:
        yield Reason("renovation", NO, state.work, state.work_change)
    yield from _site_room(ask, state)
    yield from _length(ask, state)


def _unit_room(ask: _Ask) -> Iterator[Reason]:
    if pd.isna(ask.unit.capacity_fish):
        yield Reason("room", LOOK, f"{ask.where} has no capacity on record", "its capacity")
        return
    everyone = [*fish_movers(ask.programme), *stock_movers(ask.programme)]
    here = sum(m.unit == ask.where and m.status in IN_CARE for m in everyone)
    room = int(ask.unit.capacity_fish) - here
    says = YES if ask.number <= room else NO
    yield Reason("room", says, f"{here} of {int(ask.unit.capacity_fish)} fish in {ask.where}, {ask.number} to come",
                 "" if says == YES else f"at most {max(0, room)} fish")  # fmt: skip


def _site_room(ask: _Ask, state: WaterState) -> Iterator[Reason]:
    if state.room is not None:
        says = YES if ask.number <= state.room else NO
        yield Reason("room", says, f"{state.residents} of {state.capacity} fish at {ask.where}, {ask.number} to come",
                     "" if says == YES else f"at most {state.room} fish")  # fmt: skip
    if not pd.isna(ask.site.max_receive) and ask.number > int(ask.site.max_receive) - state.received:
        most = int(ask.site.max_receive)
        had = f", {state.received} came" if state.received else ""
        yield Reason("room", NO, f"{ask.where} may receive {most} fish this autumn{had}, {ask.number} to come",
                     f"at most {max(0, most - state.received)} fish")  # fmt: skip


def _length(ask: _Ask, state: WaterState) -> Iterator[Reason]:
    least, unsafe = state.least_mm, state.predators != "none"
    why = state.predator_words + (", connected water" if ask.site.connection in CONNECTED else "")
    short = tuple(m.name for m in ask.movers if m.length_mm < least)
    unknown = tuple(m.name for m in ask.movers if pd.isna(m.length_mm))
    if short:
        yield Reason("length", NO, f"{len(short)} fish shorter than {least:g} mm ({why})",
                     "longer fish" + (", or a new survey that finds no predators" if unsafe else ""), short)  # fmt: skip
    if unknown:
        yield Reason("length", LOOK, f"{len(unknown)} fish or lots of unknown length; {least:g} mm are asked",
                     "measure them", unknown)  # fmt: skip
    if not short and not unknown:
        yield Reason("length", YES, f"all of {least:g} mm or more ({why})")


RULES = (_alive, _holds, _species, _certificate, _withdrawal, _quarantine, _water, _permit, _place)
