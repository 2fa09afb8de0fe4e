"""Run the benchmarks and, with `--write`, put the results into DEVELOPERS.md.

    python -m tests.benchmarks.run [NAME ...] [--write]

A benchmark module is `tests/benchmarks/bench_NAME.py` with a function `rows()` that returns a list of
dictionaries: work, size, seconds, bar (what we hold ourselves to), note (how it compares, what was proven).
"""

from __future__ import annotations

import argparse
import datetime as dt
import importlib
import platform
from pathlib import Path

HERE = Path(__file__).resolve().parent
GUIDE = HERE.parents[1] / "DEVELOPERS.md"
START, END = "<!-- benchmarks -->", "<!-- end of benchmarks -->"


def names() -> list[str]:
    """Names of all benchmark modules."""
    return sorted(p.stem.removeprefix("bench_") for p in HERE.glob("bench_*.py"))


def measure(name: str) -> list[dict[str, object]]:
    """Run one benchmark module."""
    return importlib.import_module(f"tests.benchmarks.bench_{name}").rows()


def as_markdown(results: list[dict[str, object]]) -> str:
    """Return the results as a table."""
    head = f"Measured {dt.date.today().isoformat()}, Python {platform.python_version()}, 2 cores.\n\n"
    lines = ["| work | size | seconds | bar | note |", "|---|---|---|---|---|"]
    for row in results:
        seconds = row["seconds"]
        shown = f"{seconds:.2f}" if isinstance(seconds, float) else str(seconds)
        lines.append(
            f"| {row['work']} | {row['size']} | {shown} | {row.get('bar') or ''} | {row.get('note', '')} |"
        )
    return head + "\n".join(lines)


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", choices=[*names(), []], help="which benchmarks; default all")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    chosen = parser.parse_args()
    results: list[dict[str, object]] = []
    for name in chosen.names or names():
        print(f"== {name}", flush=True)
        for row in measure(name):
            results.append(row)
            print(
                f"{row['work']} | {row['size']} | {row['seconds']} | {row.get('bar') or ''} | {row.get('note', '')}",
                flush=True,
            )
    if chosen.write:
        text = GUIDE.read_text(encoding="utf-8")
        before, rest = text.split(START)
        after = rest.split(END)[1]
        GUIDE.write_text(f"{before}{START}\n{as_markdown(results)}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
