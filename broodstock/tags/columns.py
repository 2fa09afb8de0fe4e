"""Whole columns of PIT codes, read at once by their different values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.tags.codes import Tag, TagProblem, has_hidden_blank, parse_tag


@dataclass(frozen=True)
class TagColumn:
    """A column of codes after reading.

    Parameters
    ----------
    codes : ndarray, object, shape (n_rows,)
        Internal form; empty where the cell is empty or no code could be read.
    values : ndarray, object, shape (n_values,)
        The different texts.
    position : ndarray, int64, shape (n_rows,)
        Text of each row.
    problems : dict of int to TagProblem
        By position of the text.
    hidden_blank : ndarray, bool, shape (n_values,)
        Texts that were read after blanks were left out.
    converted : ndarray, bool, shape (n_values,)
        Texts written in another form than the internal one.
    """

    codes: np.ndarray
    values: np.ndarray
    position: np.ndarray
    problems: dict[int, TagProblem]
    hidden_blank: np.ndarray
    converted: np.ndarray


def read_column(texts: Sequence[str] | np.ndarray) -> TagColumn:
    """Read a whole column of PIT codes.

    Parameters
    ----------
    texts : sequence of str, shape (n_rows,)
        Cells as text; empty text for an empty cell.

    Returns
    -------
    TagColumn
        Codes and what was wrong, by different text.
    """
    position, values = pd.factorize(np.asarray(texts, dtype=object))
    codes = np.empty(len(values), dtype=object)
    problems: dict[int, TagProblem] = {}
    blank = np.zeros(len(values), dtype=bool)
    converted = np.zeros(len(values), dtype=bool)
    for i, text in enumerate(values):
        if text == "":
            codes[i] = ""
            continue
        tag = parse_tag(text)
        if isinstance(tag, Tag):
            codes[i] = tag.code
            if tag.code != text:
                blank[i] = has_hidden_blank(text)
                converted[i] = not blank[i]
        else:
            codes[i] = ""
            problems[i] = tag
    return TagColumn(codes[position], values, position, problems, blank, converted)
