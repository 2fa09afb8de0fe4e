"""Files from elsewhere are what their record says."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = {"planner/reports/assets": 4, "planner/web/static": 3, "tests/web": 1}
"""Folders with files from elsewhere, and how many at least."""


@pytest.mark.parametrize("folder", FOLDERS)
def test_vendored_files__match_their_recorded_hashes(folder: str) -> None:
    text = (ROOT / folder / "VENDOR.md").read_text()
    rows = re.findall(r"^\| (\S+) \| .* \| ([0-9a-f]{64}) \|$", text, re.M)
    assert len(rows) >= FOLDERS[folder]
    for name, expected in rows:
        assert hashlib.sha256((ROOT / folder / name).read_bytes()).hexdigest() == expected, name
