"""Every finding code with its sentence, its levels and what a person does.

A code that is raised anywhere and not listed here fails a test, and so does a listed code that no test raises.
"""

from broodstock.findings_catalogue.entry import Entry
from broodstock.findings_catalogue.form import ENTRIES as _FORM
from broodstock.findings_catalogue.identity import ENTRIES as _IDENTITY
from broodstock.findings_catalogue.lots import ENTRIES as _LOTS
from broodstock.findings_catalogue.places import ENTRIES as _PLACES

__all__ = ["CATALOGUE", "Entry", "explain"]

CATALOGUE: dict[str, Entry] = {e.code: e for e in (*_FORM, *_IDENTITY, *_PLACES, *_LOTS)}
"""Entries by code, in order of topic."""


def explain(code: str) -> Entry:
    """Return what a code means.

    Parameters
    ----------
    code : str
        The code in square brackets at the end of a finding.

    Returns
    -------
    Entry
        Its sentence, levels and action.

    Raises
    ------
    KeyError
        If there is no such code; the message names the nearest.
    """
    if code in CATALOGUE:
        return CATALOGUE[code]
    import difflib

    near = difflib.get_close_matches(code, CATALOGUE, 1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    raise KeyError(f"no finding code {code!r}.{hint}")
