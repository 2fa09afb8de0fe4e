"""The audit's wild parents: how many adults the larvae of a year class come from."""

from __future__ import annotations

from planner.tasks.audit_part import AuditPart, not_made
from planner.tasks.audit_samples import AuditCalls
from planner.tasks.programme import Programme

TITLE = "Parents of the wild larvae"


def wild_parents_part(programme: Programme, calls: AuditCalls, year_class: int) -> AuditPart:
    """Report how many parents the wild larvae of a year class come from."""
    return not_made("wild_parents", TITLE, "families of wild larvae are not reconstructed yet")
