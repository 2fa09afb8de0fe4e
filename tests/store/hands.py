"""Programs that write into a register from a process of their own: ``python hands.py HOW PLACE [...]``."""

from __future__ import annotations

import os
import sys
import time

from planner.store.register import Register


def fish(name: str) -> dict[str, str]:
    return {"fish_id": name, "sex": "female", "origin": "hatchery", "status": "brood"}


def enter(place: str, who: str, n: int, start: float) -> None:
    """Add two fish in each of `n` changes and correct a unit all share, beginning at a given moment."""
    with Register.open(place) as register:
        time.sleep(max(0.0, start - time.time()))
        for i in range(n):
            with register.writing(who, f"round {i}") as w:
                w.add("fish", [fish(f"{who}-{i}-a"), fish(f"{who}-{i}-b")])
                unit = w.get("units", "T1")
                assert unit is not None
                w.change("units", unit["record_id"], {"capacity_fish": unit["capacity_fish"] + 1})


def pour(place: str, who: str) -> None:
    """Add fish in changes of 1, 40 and 700 until killed; say the number of each change once it is written."""
    with Register.open(place) as register:
        i = 0
        while True:
            size = (1, 40, 700)[i % 3]
            with register.writing(who, f"{size} fish") as w:
                w.add("fish", [fish(f"{who}-{i}-{k}") for k in range(size)])
                unit = w.get("units", "T1")
                assert unit is not None
                w.change("units", unit["record_id"], {"capacity_fish": unit["capacity_fish"] + size})
                number = w.change_id
            print(number, size, flush=True)
            i += 1


def nurse(place: str) -> None:
    """Start a new pouring process for every name read, in no time; say its number, and when it is dead."""
    for line in sys.stdin:
        child = os.fork()
        if not child:
            print("pid", os.getpid(), flush=True)
            pour(place, line.strip())
        os.waitpid(child, 0)
        print("dead", flush=True)


def hold(place: str) -> None:
    """Hold the register for writing until told to let go."""
    with Register.open(place) as register, register.writing("holder", "hold") as w:
        w.add("units", [{"unit_id": "HELD", "kind": "tank"}])
        print("held", flush=True)
        sys.stdin.readline()


if __name__ == "__main__":
    how, place, *rest = sys.argv[1:]
    if how == "enter":
        enter(place, rest[0], int(rest[1]), float(rest[2]))
    elif how == "pour":
        pour(place, rest[0])
    elif how == "nurse":
        nurse(place)
    else:
        hold(place)
