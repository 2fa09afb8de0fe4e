"""Files from elsewhere are what their record says."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

ASSETS = Path(__file__).resolve().parents[2] / "planner" / "reports" / "assets"


def test_vendored_files__match_their_recorded_hashes() -> None:
    rows = re.findall(r"^\| (\S+) \| .* \| ([0-9a-f]{64}) \|$", (ASSETS / "VENDOR.md").read_text(), re.M)
    assert len(rows) >= 4
    for name, expected in rows:
        assert hashlib.sha256((ASSETS / name).read_bytes()).hexdigest() == expected, name
