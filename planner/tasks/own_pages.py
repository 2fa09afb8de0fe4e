"""Tables that people decide on: each has a page and a command of its own, and nobody writes them by hand."""

from __future__ import annotations

from broodstock.errors import UsageError

OWN_PAGES = {
    "proposals": "/proposals",
    "merge_queue": "/records/queue",
    "finding_reviews": "/records/findings",
}
"""Tables that people decide on, on a page of their own: no entry by hand may write them past its rules."""
DECIDED_WITH = {
    "proposals": "kinshoal confirm",
    "merge_queue": "kinshoal register queue",
    "finding_reviews": "kinshoal register findings",
}
"""The command that decides the same."""


def check_own_page(table: str) -> None:
    """Refuse to enter or correct by hand what is decided on a page of its own.

    Raises
    ------
    UsageError
        If the table is one of `OWN_PAGES`.
    """
    if table in OWN_PAGES:
        raise UsageError(
            f"table '{table}': found an entry by hand. Expected a decision on the page {OWN_PAGES[table]} or with "
            f"'{DECIDED_WITH[table]}', which keep its rules."
        )
