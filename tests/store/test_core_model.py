"""The register beside a plain dictionary with history: the same steps, the same records, past and present."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from planner.store.errors import KeyTaken, NameUnknown, NothingChanged, RecordInUse, UndoRefused
from planner.store.register import Register
from planner.store.undo import undo

NAMES = [f"F{i}" for i in range(6)]
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
name = st.sampled_from(NAMES)
weight = st.one_of(st.none(), st.sampled_from([0.01, 1.5, 30000.0]))


class Model(RuleBasedStateMachine):
    """One register and what it should hold: records by number, every state after every change."""

    template: Path

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="kinshoal-model-", dir=MEMORY))
        place = self.folder / "register.kinshoal"
        shutil.copy(self.template, place)
        self.register = Register.open(place)
        self.now: dict[int, dict[str, object]] = {}
        self.past: list[dict[int, dict[str, object]]] = [{}]
        self.touched: list[set[int]] = [set()]
        self.names_of: dict[int, set[str]] = {}

    def teardown(self) -> None:
        report = self.register.verify()
        self.register.close()
        shutil.rmtree(self.folder)
        assert report.ok, report.problems

    def current(self, one: str) -> int | None:
        return next((r for r, v in self.now.items() if v["fish_id"] == one), None)

    def holder(self, one: str) -> int | None:
        """The record that a name belongs to for ever."""
        return next((r for r, names in self.names_of.items() if one in names), None)

    def dangling(self, state: dict[int, dict[str, object]]) -> bool:
        there = {v["fish_id"] for v in state.values()}
        return any(v["dam"] is not None and v["dam"] not in there for v in state.values())

    def done(self, state: dict[int, dict[str, object]], touched: set[int]) -> None:
        self.now = state
        self.past.append({r: dict(v) for r, v in state.items()})
        self.touched.append(touched)
        for record, values in state.items():
            self.names_of.setdefault(record, set()).add(str(values["fish_id"]))

    @rule(one=name, dam=st.one_of(st.none(), name), weight=weight)
    def add(self, one: str, dam: str | None, weight: float | None) -> None:
        values = {"fish_id": one, "dam": dam, "weight_g": weight}
        holder = self.holder(one)
        row = {**values, "sex": "female", "origin": "unknown", "status": "hold"}
        if holder is not None and holder in self.now:
            with pytest.raises(KeyTaken, match=one), self.register.writing("a", "add") as w:
                w.add("fish", [row])
            return
        number = holder if holder is not None else max(self.names_of, default=0) + 1
        state = {**self.now, number: values}
        if self.dangling(state):
            with pytest.raises(NameUnknown, match=str(dam)), self.register.writing("a", "add") as w:
                w.add("fish", [row])
            return
        with self.register.writing("a", "add") as w:
            assert w.add("fish", [row]) == [number]
        self.done(state, {number})

    @precondition(lambda self: self.now)
    @rule(data=st.data(), column=st.sampled_from(["fish_id", "dam", "weight_g"]))
    def change(self, data: st.DataObject, column: str) -> None:
        number = data.draw(st.sampled_from(sorted(self.now)))
        value = data.draw({"fish_id": name, "dam": st.one_of(st.none(), name), "weight_g": weight}[column])
        state = {**self.now, number: {**self.now[number], column: value}}
        if value == self.now[number][column]:
            expected: type[Exception] | None = NothingChanged
        elif column == "fish_id" and self.holder(value) not in (None, number):
            expected = KeyTaken
        elif self.dangling(state):
            expected = NameUnknown if column == "dam" else RecordInUse
        else:
            expected = None
        if expected is not None:
            kinds = (NameUnknown, RecordInUse) if expected is RecordInUse else expected
            with pytest.raises(kinds, match="fish"), self.register.writing("b", "change") as w:
                w.change("fish", number, {column: value})
            return
        with self.register.writing("b", "change") as w:
            w.change("fish", number, {column: value})
        self.done(state, {number})

    @precondition(lambda self: self.now)
    @rule(data=st.data())
    def withdraw(self, data: st.DataObject) -> None:
        number = data.draw(st.sampled_from(sorted(self.now)))
        state = {r: v for r, v in self.now.items() if r != number}
        if self.dangling(state):
            with pytest.raises(RecordInUse, match="still uses"), self.register.writing("c", "away") as w:
                w.withdraw("fish", number)
            return
        with self.register.writing("c", "away") as w:
            w.withdraw("fish", number)
        self.done(state, {number})

    @precondition(lambda self: len(self.past) > 1)
    @rule(data=st.data())
    def undo(self, data: st.DataObject) -> None:
        number = data.draw(st.integers(1, len(self.past) - 1))
        touched = self.touched[number]
        if any(touched & later for later in self.touched[number + 1 :]):
            with pytest.raises(UndoRefused, match="changed again"):
                undo(self.register, number, "d", "undo")
            return
        state = {r: v for r, v in self.now.items() if r not in touched}
        state |= {r: dict(v) for r, v in self.past[number - 1].items() if r in touched}
        if self.dangling(state):
            with pytest.raises((RecordInUse, NameUnknown), match="fish"):
                undo(self.register, number, "d", "undo")
            return
        undo(self.register, number, "d", "undo")
        self.done(state, touched)

    @invariant()
    def same_records(self) -> None:
        assert seen(self.register, None) == self.now
        assert self.register.data_version().change_id == len(self.past) - 1

    @rule(data=st.data())
    def same_past(self, data: st.DataObject) -> None:
        number = data.draw(st.integers(0, len(self.past) - 1))
        assert seen(self.register, number) == self.past[number]


def seen(register: Register, at: int | None) -> dict[int, dict[str, object]]:
    columns = ("record_id", "fish_id", "dam", "weight_g")
    rows = register.rows("fish", columns=columns, as_known_on=at)
    return {int(r.pop("record_id")): r for r in rows}


@pytest.mark.parametrize("examples", [10, pytest.param(300, marks=pytest.mark.slow)])
def test_register__is_a_dictionary_with_history(tmp_path: Path, examples: int) -> None:
    Model.template = tmp_path / "template.kinshoal"
    Register.create(Model.template).close()
    run_state_machine_as_test(
        Model,
        settings=settings(
            max_examples=examples,
            stateful_step_count=25,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
