"""kill -9 at random moments of imports, merges and plan recording: whole changes or none, and the work goes on."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from planner.store.backup import backup
from planner.store.register import Register
from planner.tasks.register_import import plan_import, write_import
from planner.tasks.register_merge import merge

ROOT = Path(__file__).resolve().parents[2]
TINY = ROOT / "data_examples" / "tiny"
CAPTURES = 1500
WORK = """
import sys, time
from pathlib import Path
from planner.store.register import Register
kind, place, other = sys.argv[1:]
if kind == "import":
    from planner.tasks.register_import import plan_import, write_import
    with Register.open(place) as register:
        plan = plan_import(register, Path(other))
        print("ready", flush=True)
        write_import(register, plan, "ana", "captures")
elif kind == "merge":
    from planner.tasks.register_merge import merge
    with Register.open(place) as ours, Register.open(other, read_only=True) as theirs:
        print("ready", flush=True)
        merge(ours, theirs, "tess")
else:
    import datetime as dt
    from types import SimpleNamespace
    from planner.tasks.register_plans import record_plan
    lines = [{"what": f"dish {i}", "dam": "F-01", "sire": "M-01", "number": 1} for i in range(400)]
    print("ready", flush=True)
    for version in range(1, 9):
        made = SimpleNamespace(version=version, inputs="0" * 64, made_on="2025-02-14", seed=1, settings={}, mark="x")
        outcome = SimpleNamespace(provenance=made, day=dt.date(2025, 2, 14), as_dict=lambda: {"dishes": 400})
        record_plan(place, "spawning", outcome, lines, "tess")
print("done", flush=True)
"""


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A register, a large file of captures, and a copy of the register with twenty changes more."""
    folder = tmp_path_factory.mktemp("start")
    with Register.create(folder / "office.db") as register:
        write_import(register, plan_import(register, TINY), "tess", "first")
        backup(register, folder / "laptop.db")
    with (folder / "captures.csv").open("w") as out:
        out.write("capture_id,captured_on,site_id,length_mm,length_type,weight_g\n")
        out.writelines(f"N-{i},2024-10-19,QL,{400 + i % 90},TL,900\n" for i in range(CAPTURES))
    with Register.open(folder / "laptop.db") as laptop:
        for k in range(20):
            with laptop.writing("ana", f"day {k}") as writer:
                rows = [{"unit_id": f"K-{k}-{i}", "kind": "tank"} for i in range(80)]
                writer.add("units", rows)
    return {p.name: p for p in folder.iterdir()}


def killed(kind: str, place: Path, other: Path, seconds: float) -> bool:
    """Start the work, kill it after it is ready and some time more; return whether it was done by then."""
    worker = subprocess.Popen(
        [sys.executable, "-c", WORK, kind, str(place), str(other)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert worker.stdout is not None
    assert worker.stdout.readline() == "ready\n"
    time.sleep(seconds)
    worker.send_signal(signal.SIGKILL)
    rest = worker.stdout.read()
    worker.wait()
    worker.stdout.close()
    return "done" in rest


def once(kind: str, start: dict[str, Path], folder: Path, seconds: float) -> None:
    place = Path(shutil.copy(start["office.db"], folder / "r.db"))
    with Register.open(place) as register:
        before = register.changes()
    killed(kind, place, start["laptop.db" if kind == "merge" else "captures.csv"], seconds)
    with Register.open(place) as register:
        report = register.verify()
        assert report.ok, report.problems
        assert register.changes()[: len(before)] == before
        new = len(register.changes()) - len(before)
        if kind == "import":
            added = register.count("captures") - 40
            assert added in (0, CAPTURES)
            assert new == (1 if added else 0)
            assert register.count("imports", {"file": "captures.csv"}) == new
            write_import(register, plan_import(register, start["captures.csv"]), "ana", "again")
            assert register.count("captures") == 40 + CAPTURES
        elif kind == "merge":
            units = register.rows("units", columns=["unit_id"])
            assert sum(str(u["unit_id"]).startswith("K-") for u in units) == 80 * new
            with Register.open(start["laptop.db"], read_only=True) as laptop:
                merge(register, laptop, "tess")
                assert register.count("units") == laptop.count("units")
        else:
            plans = register.rows("plans")
            assert len(plans) == new
            assert register.count("plan_lines") == 400 * new
            assert [p["state"] for p in plans] == ["superseded"] * (new - 1) + ["proposed"] * (new > 0)
        assert register.verify().ok


@pytest.mark.parametrize(
    "number", [n if n < 5 else pytest.param(n, marks=pytest.mark.slow) for n in range(10)]
)
def test_killed__ten_times_leaves_whole_changes(number: int, start: dict[str, Path], tmp_path: Path) -> None:
    rng = random.Random(number)
    once(("import", "merge", "plan")[number % 3], start, tmp_path, rng.uniform(0.0, 0.6))


@pytest.mark.slow
@pytest.mark.parametrize("number", range(10, 210))
def test_killed__two_hundred_times_leaves_whole_changes(
    number: int, start: dict[str, Path], tmp_path: Path
) -> None:
    rng = random.Random(number)
    once(("import", "merge", "plan")[number % 3], start, tmp_path, rng.uniform(0.0, 1.2))
