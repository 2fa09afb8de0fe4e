"""The architecture, enforced: who may import whom, what the numerical core may not touch, file sizes."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MOST_LINES = 520
SOURCES = sorted([*ROOT.glob("broodstock/**/*.py"), *ROOT.glob("planner/**/*.py")])
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "broodstock",
    "planner",
    "tests",
    "data_examples",
}
# Which first-level parts of the two packages a part may import (itself always).
BROODSTOCK_ROOT = {"arrays", "errors", "estimates", "findings", "findings_catalogue", "fields", "tags"}
SCIENCE = {"genotypes", "diversity", "effective_size", "pedigree", "parentage", "relatedness", "lots"}
MAY_IMPORT = {
    "broodstock.intake": BROODSTOCK_ROOT | SCIENCE | {"checks"},
    "broodstock.checks": BROODSTOCK_ROOT | SCIENCE,
    **{f"broodstock.{part}": BROODSTOCK_ROOT | SCIENCE for part in SCIENCE},
}
PLANNER_MAY_IMPORT = {
    "planner.optimise": set(),
    "planner.store": set(),
    "planner.monitor": set(),
    "planner.project": set(),
    "planner.demo": set(),
    "planner.reports": {"provenance"},
    "planner.provenance": set(),
    "planner.tasks": {"optimise", "reports", "demo", "provenance", "store", "monitor", "project"},
    "planner.cli": {"tasks"},
    "planner.web": {"tasks", "provenance"},
}
ONLY_IN = {
    "pulp": "planner/optimise/",
    "highspy": "planner/optimise/",
    "altair": "planner/reports/",
    "typst": "planner/reports/",
    "vl_convert": "planner/reports/",
    "click": ("planner/cli/", "planner/web/command.py"),
    "sqlalchemy": "planner/store/",
    "alembic": "planner/store/",
    "psycopg": "planner/store/",
    "distributed": "planner/tasks/",
    "dask": "planner/tasks/",
    "fastapi": "planner/web/",
    "starlette": "planner/web/",
    "uvicorn": "planner/web/",
    "jinja2": "planner/web/",
    "python_calamine": "broodstock/intake/",
    "xlsxwriter": "broodstock/intake/",
}
FILES_AND_CLOCKS = {"pathlib", "io", "gzip", "csv", "shutil", "tempfile", "sqlite3", "time", "random"}
CORE = [p for p in SOURCES if p.parts[len(ROOT.parts)] == "broodstock" and "intake" not in p.parts] + [
    p for p in SOURCES if {"optimise", "monitor", "project"} & set(p.parts[:-1])
]


def imported(path: Path) -> set[str]:
    """All modules a file imports, TYPE_CHECKING and function bodies too."""
    out: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out.update(a.name for a in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write the full name"
            module = node.module or ""
            out.add(module)
            out.update(f"{module}.{a.name}" for a in node.names if module in ("broodstock", "planner"))
    return out


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def part_of(module: str) -> str:
    return ".".join(module.split(".")[:2])


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_layers__arrows_point_one_way(path: Path) -> None:
    relative = path.relative_to(ROOT)
    package = relative.parts[0]
    here = part_of(".".join(relative.with_suffix("").parts))
    for module in imported(path):
        top = module.split(".")[0]
        if package == "broodstock":
            assert top != "planner", f"{relative} imports {module}: broodstock never imports planner"
            if top == "broodstock" and here in MAY_IMPORT and part_of(module) != here:
                part = part_of(module).removeprefix("broodstock.")
                assert part in MAY_IMPORT[here] | {"broodstock"}, f"{relative} imports {module}"
            if top == "broodstock" and here.removeprefix("broodstock.") in BROODSTOCK_ROOT:
                part = part_of(module).removeprefix("broodstock.")
                assert part in BROODSTOCK_ROOT | {"broodstock"}, f"{relative} imports {module}"
        elif top == "planner" and here in PLANNER_MAY_IMPORT and part_of(module) not in (here, "planner"):
            part = part_of(module).removeprefix("planner.")
            assert part in PLANNER_MAY_IMPORT[here], f"{relative} imports {module}"


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_layers__libraries_stay_in_their_place(path: Path) -> None:
    relative = name_of(path)
    for module in imported(path):
        place = ONLY_IN.get(module.split(".")[0])
        assert place is None or relative.startswith(place), f"{relative} imports {module}: only in {place}"


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_core__knows_no_file_clock_or_global_random_state(path: Path) -> None:
    relative = name_of(path)
    allowed = {"time"} if "optimise" in path.parts else set()  # time limits are measured with perf_counter
    assert not (imported(path) & (FILES_AND_CLOCKS - allowed)), f"{relative} imports a file or clock module"
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called != "open", f"{relative}: opens a file"
            assert not called.endswith((".today", ".now", ".utcnow")), (
                f"{relative}: reads the clock: {called}"
            )
            assert called not in ("time.time", "print"), f"{relative}: calls {called}"
            assert not called.startswith("os.") or called == "os.cpu_count", f"{relative}: calls {called}"
            if called.startswith(("np.random.", "numpy.random.")):
                name = called.split("random.", 1)[1].split("(")[0].split(".")[0]
                inside_kernel = _in_numba_kernel(path, node.lineno)
                assert inside_kernel or name in ("default_rng", "Generator", "SeedSequence", "PCG64"), (
                    f"{relative}: global random state: {called}"
                )


def _in_numba_kernel(path: Path, line: int) -> bool:
    """Whether a line stands in a compiled kernel (numba seeds its own generator inside the kernel)."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.lineno <= line <= (node.end_lineno or 0):
            return any("njit" in ast.unparse(d) for d in node.decorator_list)
    return False


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_files__stay_short_and_named(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MOST_LINES, f"{name_of(path)}: {lines} lines. Expected at most {MOST_LINES}. Split it."
    assert path.stem not in ("utils", "util", "helpers", "common", "misc"), "say what the module is about"


def test_top_level__is_the_design_card() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    if not tracked:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0].strip('"') for line in tracked}
    assert {t for t in top if not t.startswith(".")} <= TOP_LEVEL


def test_files__hold_no_package_registry_address() -> None:
    words = [
        a + b
        for a, b in (
            ("pypi", ".org"),
            ("registry", ".npmjs"),
            ("deb", ".debian.org"),
            ("pythonhosted", ".org"),
        )
    ]
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    for name in tracked:
        path = ROOT / name.strip('"')
        if path.is_file() and path.suffix not in (".gz", ".ttf", ".woff2", ".png", ".xlsx", ".vcf"):
            text = path.read_text(encoding="utf-8", errors="replace")
            assert not [w for w in words if w in text], name
