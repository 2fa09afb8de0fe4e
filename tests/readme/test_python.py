"""The README's section 'From Python' runs as it stands and prints what stands under each line."""

from __future__ import annotations

import doctest
import re
import shutil
from pathlib import Path

import pytest

from planner.tasks.register_state import import_into, new_register
from tests.readme.test_readme import TEXT

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
OWN = TEXT.split("## From your own CSV to a spawning sheet", 1)[1].split("\n## ", 1)[0]
SECTION = TEXT.split("## From Python", 1)[1].split("\n## ", 1)[0]


def test_python__section_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mine, _, foreign, _ = re.findall(r"```\w+\n(.*?)```", OWN, re.S)[:4]
    (tmp_path / "my-records").mkdir()
    (tmp_path / "my-records" / "fish.csv").write_text(mine, encoding="utf-8")
    (tmp_path / "list.csv").write_text(foreign, encoding="utf-8")
    shutil.copytree(TINY, tmp_path / "demo" / "records")
    new_register(tmp_path / "mine.kinshoal")
    report = import_into(
        tmp_path / "mine.kinshoal",
        tmp_path / "list.csv",
        who="T. Arden",
        write=True,
        table="fish",
        maps=["Fish No.=fish_id", "Mother=dam", "Father=sire", "Source=origin"],
        words=["sex:F=female", "sex:M=male"],
        fill=["status=brood"],
    )
    assert report.written
    monkeypatch.chdir(tmp_path)
    (code,) = re.findall(r"```python\n(.*?)```", SECTION, re.S)
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    test = doctest.DocTestParser().get_doctest(code, {}, "README", "README.md", 0)
    said: list[str] = []
    done = runner.run(test, out=said.append)
    assert done.attempted > 20
    assert done.failed == 0, "".join(said)
