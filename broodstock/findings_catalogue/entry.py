"""What one finding code means."""

from __future__ import annotations

from dataclasses import dataclass

from broodstock.findings import Level


@dataclass(frozen=True, slots=True)
class Entry:
    """One finding code.

    Parameters
    ----------
    code : str
        The code in square brackets at the end of a finding.
    topic : str
        What it is about, for lists.
    levels : tuple of {'error', 'warning', 'note'}
        Levels it can have; an error stops an import.
    sentence : str
        What is wrong, in one sentence.
    action : str
        What a person does.
    """

    code: str
    topic: str
    levels: tuple[Level, ...]
    sentence: str
    action: str
