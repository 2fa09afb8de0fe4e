"""Words that differ from a known word by one slip, for 'did you mean'."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator

_MOST_COMPARED = 3000


def near_word(word: str, known: Collection[str], alphabet: str | None = None) -> str:
    """Return the known word nearest to a word, empty when none is near.

    A known word one slip away (one character wrong, missing or too many, two neighbours swapped, other
    capitals) comes first; among short lists then the most similar word.

    Parameters
    ----------
    word : str
        Word as found.
    known : set of str
        Known words.
    alphabet : str, optional
        Characters tried in place of others; default those of the known words.
    """
    if not word or not known:
        return ""
    if alphabet is None:
        alphabet = "".join(sorted({c for k in known for c in k}))
    tidy = "-".join(word.strip().lower().replace("_", " ").split())
    for candidate in (word.strip(), word.strip().upper(), word.strip().lower(), tidy, tidy.replace("-", "_")):
        if candidate in known and candidate != word:
            return candidate
    if len(word) > 2:
        for candidate in _one_slip(word, alphabet):
            if candidate in known:
                return candidate
    if len(known) <= _MOST_COMPARED:
        near = difflib.get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.72)
        if near:
            return next(k for k in known if k.lower() == near[0])
    return ""


def did_you_mean(word: str) -> str:
    """Return ``Did you mean 'word'? `` with a blank after it, empty for no word."""
    return f"Did you mean '{word}'? " if word else ""


def _one_slip(word: str, alphabet: str) -> Iterator[str]:
    for i in range(len(word) - 1):
        yield word[:i] + word[i + 1] + word[i] + word[i + 2 :]
    for i in range(len(word)):
        for c in alphabet:
            yield word[:i] + c + word[i + 1 :]
    for i in range(len(word)):
        yield word[:i] + word[i + 1 :]
    for i in range(len(word) + 1):
        for c in alphabet:
            yield word[:i] + c + word[i:]
