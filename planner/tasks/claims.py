"""When a parent claim by DNA stands in for the recorded parent."""

from __future__ import annotations

DNA_CLAIM_MIN = 0.95
"""A DNA parent claim at least this sure stands in for the recorded parent when kinship is computed."""
