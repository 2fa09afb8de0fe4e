"""Check chosen numbers against every rule with numpy only."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.selection.data import NO_LIMIT, SelectionData


def breaches(data: SelectionData, numbers: BigIntArray) -> list[str]:
    """Return every rule that chosen numbers break, in words.

    Parameters
    ----------
    data : SelectionData
        Kinds and rules.
    numbers : ndarray, int64, shape (n_kinds,)
        Fish of each kind.

    Returns
    -------
    list of str
        Empty when all rules hold.
    """
    n = np.asarray(numbers)
    if n.shape != (data.n_kinds,) or n.dtype.kind not in "iu":
        return [f"numbers: found shape {n.shape} and type {n.dtype}. Expected whole numbers, one per kind."]
    out = []
    if n.sum() != data.number:
        out.append(f"{int(n.sum())} fish chosen instead of {data.number}")
    out += [
        f"{data.kind_names[i]}: {int(n[i])} chosen, {int(data.least[i])} to {int(data.most[i])} allowed"
        for i in np.flatnonzero((n < data.least) | (n > data.most)).tolist()
    ]
    out += [f"{r.words}: found {r.value(n):.6g}" for r in data.rules if not r.holds(n)]
    t = data.family_numbers(n)
    per = data.families
    for f in np.flatnonzero(t > 0).tolist():
        if t[f] < per.least or t[f] > per.most:
            most = "any number" if per.most >= NO_LIMIT else str(per.most)
            out.append(f"{data.family_names[f]}: {int(t[f])} fish chosen, {per.least} to {most} allowed")
        if per.sexes_apart and len(set(data.sex[(data.family == f) & (n > 0)].tolist())) > 1:
            out.append(f"{data.family_names[f]}: fish of both sexes chosen")
    if (t > 0).sum() < per.families:
        out.append(f"{int((t > 0).sum())} families take part instead of at least {per.families}")
    return out
