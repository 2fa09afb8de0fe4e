"""Names in a sentence: the first few, and how many more there are."""

from __future__ import annotations

from collections.abc import Sequence


def few(names: Sequence[str], most: int) -> str:
    """Return names with commas between; beyond `most` of them the number that is left out."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
