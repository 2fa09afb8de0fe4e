"""From records to a `Pedigree`: names become row numbers and every parent is put before its offspring."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from broodstock.arrays import MISSING, IntArray
from broodstock.errors import PedigreeError, ShapeError, ValueRangeError
from broodstock.pedigree.check import check_pedigree
from broodstock.pedigree.structure import DAM, SIRE, Pedigree

__all__ = ["build_pedigree", "check_pedigree", "sex_codes"]

_SEX = {"female": 0, "male": 1, "unknown": -1, "": -1}


def build_pedigree(
    ids: Sequence[str],
    dams: Sequence[str],
    sires: Sequence[str],
    sexes: Sequence[str] | Sequence[int] | None = None,
    *,
    add_unlisted: bool = False,
) -> Pedigree:
    """Build a pedigree from records in any order.

    Parameters
    ----------
    ids : sequence of str
        Identifier of each fish, unique, not empty.
    dams, sires : sequence of str
        Identifier of the mother and the father of each fish; empty when unknown.
    sexes : sequence of str or int, optional
        ``female``, ``male``, ``unknown`` or empty; or 0, 1, -1. Default all unknown. A fish of unknown sex that is
        somebody's dam or sire gets that sex.
    add_unlisted : bool
        True: a parent that is not in `ids` is added as a founder, before the others. False (default): that is an
        error.

    Returns
    -------
    Pedigree
        Rows in the order given, except that a parent recorded after its offspring moves up to stand just before
        it.

    Raises
    ------
    ShapeError
        If the lists differ in length.
    ValueRangeError
        If a sex is none of the words or numbers above.
    PedigreeError
        If an identifier is empty or repeated, a fish is its own parent, one fish is a dam and a sire, a parent is
        not listed (unless `add_unlisted`), or fish are their own ancestors. The message names the fish. For all
        faults at once with their rows use `check_pedigree`.

    Examples
    --------
    >>> pedigree = build_pedigree(["c", "a", "b"], ["a", "", ""], ["b", "", ""])
    >>> pedigree.ids
    ('a', 'b', 'c')
    >>> pedigree.parents.tolist()
    [[-1, -1], [-1, -1], [0, 1]]
    """
    n = len(ids)
    if len(dams) != n or len(sires) != n or (sexes is not None and len(sexes) != n):
        raise ShapeError(
            f"pedigree: found {n} fish, {len(dams)} dams, {len(sires)} sires"
            + ("" if sexes is None else f" and {len(sexes)} sexes")
            + ". Expected lists of one length."
        )
    _stop_at_bad_names(ids)
    sex = sex_codes(sexes, n)
    listed = list(ids)
    index = {fish: i for i, fish in enumerate(listed)}
    unlisted = [p for p in dict.fromkeys([*dams, *sires]) if p and p not in index]
    if unlisted:
        if not add_unlisted:
            raise PedigreeError(
                f"pedigree: found {len(unlisted)} parent(s) that are not listed: {_named(unlisted)}. Expected every "
                "parent among the fish. Add them, leave the parent empty, or ask for unlisted parents as founders.",
                unlisted,
            )
        listed = unlisted + listed
        index = {fish: i for i, fish in enumerate(listed)}
        sex = np.concatenate([np.full(len(unlisted), MISSING, np.int8), sex])
    index[""] = MISSING
    own = np.array([[index[d], index[s]] for d, s in zip(dams, sires, strict=True)], np.int32).reshape(n, 2)
    parents = np.concatenate([np.full((len(unlisted), 2), MISSING, np.int32), own])
    _stop_at_impossible_parents(parents, listed)
    sex = _sex_from_role(sex, parents)
    order = _parents_first_order(parents, listed)
    row = np.full(len(listed) + 1, MISSING, np.int32)
    row[order] = np.arange(order.size)
    return Pedigree(tuple(listed[i] for i in order), row[parents[order]], sex[order])


def sex_codes(sexes: Sequence[str] | Sequence[int] | None, n: int) -> np.ndarray:
    """Return sexes as int8: 0 female, 1 male, -1 unknown.

    Parameters
    ----------
    sexes : sequence of str or int, or None
        ``female``, ``male``, ``unknown`` or empty; or 0, 1, -1; None for all unknown.
    n : int
        Number of fish.

    Raises
    ------
    ValueRangeError
        If a sex is none of these.
    """
    if sexes is None:
        return np.full(n, MISSING, np.int8)
    codes = np.empty(n, np.int8)
    for i, sex in enumerate(sexes):
        code = _SEX.get(sex) if isinstance(sex, str) else (int(sex) if sex in (0, 1, -1) else None)
        if code is None:
            raise ValueRangeError(
                f"sex of fish number {i}: found {sex!r}. Expected 'female', 'male', 'unknown' or empty, or 0, 1, -1. "
                "Correct the sex."
            )
        codes[i] = code
    return codes


def _stop_at_bad_names(ids: Sequence[str]) -> None:
    if any(not fish for fish in ids):
        where = next(i for i, fish in enumerate(ids) if not fish)
        raise PedigreeError(
            f"pedigree, fish number {where}: found an empty identifier. Expected a name. Add it."
        )
    if len(set(ids)) != len(ids):
        twice = [fish for fish, count in Counter(ids).items() if count > 1]
        raise PedigreeError(
            f"pedigree: found fish listed more than once: {_named(twice)}. Expected each fish once. Remove or rename "
            "the repeated records.",
            twice,
        )


def _stop_at_impossible_parents(parents: IntArray, ids: Sequence[str]) -> None:
    own = np.flatnonzero((parents == np.arange(len(parents))[:, None]).any(axis=1))
    if own.size:
        names = [ids[i] for i in own]
        raise PedigreeError(
            f"pedigree: found fish recorded as their own parent: {_named(names)}. Expected another fish. Correct the "
            "parent or leave it empty.",
            names,
        )
    both = np.intersect1d(parents[:, DAM], parents[:, SIRE])
    both = both[both != MISSING]
    if both.size:
        names = [ids[i] for i in both]
        raise PedigreeError(
            f"pedigree: found fish that are a dam and a sire: {_named(names)}. Expected one role for each fish. "
            "Correct the crosses.",
            names,
        )


def _sex_from_role(sex: np.ndarray, parents: IntArray) -> np.ndarray:
    """Give fish of unknown sex the sex of their role as a parent."""
    known = sex.copy()
    for side, code in ((DAM, 0), (SIRE, 1)):
        used = np.unique(parents[:, side])
        used = used[used != MISSING]
        known[used[sex[used] == MISSING]] = code
    return known


def _parents_first_order(parents: IntArray, ids: Sequence[str]) -> IntArray:
    """Return the order that puts parents first and otherwise keeps the order of rows."""
    from broodstock.pedigree.kernels import parents_first_order

    order = np.asarray(parents_first_order(parents))
    if order.size == len(parents):
        return order
    from broodstock.pedigree.graph import loops

    cycle = [ids[i] for i in loops(parents)[0]]
    raise PedigreeError(
        f"pedigree: found a loop, each fish a parent of the next: {' -> '.join([*cycle, cycle[0]])}. Expected no fish "
        "among its own ancestors. Correct one of these parents or leave it empty.",
        cycle,
    )


def _named(fish: Sequence[str], most: int = 10) -> str:
    shown = ", ".join(repr(f) for f in fish[:most])
    return shown if len(fish) <= most else f"{shown} and {len(fish) - most} more"
