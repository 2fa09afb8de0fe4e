"""Compiled belief propagation over networks of families.

A family joins two parents; a parent may stand in several families, so families and parents form a network.
Given the network the parents' genotypes at a locus are hidden variables. ``log_message[f, s]`` is what family f
says about the parent in its slot s, ``log_belief[p]`` the prior of parent p plus all that its families say
(Pearl 1988). On networks without loops these sums are exact; with loops (several dams crossed with several
sires) they are the loopy approximation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from broodstock.parentage.sibship_model import SibshipTables

FLOOR = 1e-30


class Network(NamedTuple):
    """Families and parents; unused rows have size or degree 0.

    Parameters
    ----------
    family_of : ndarray, int64, shape (n_offspring,)
        Family of each offspring; -1 while it is being moved.
    size : ndarray, int64, shape (n_families,)
        Offspring of each family.
    parent : ndarray, int64, shape (n_families, 2)
        Parents of each family; -1 unused.
    following : ndarray, int64, shape (n_families, 2)
        Next entry (2 * family + slot) in the list of a parent's families; -1 at the end.
    first : ndarray, int64, shape (n_parents,)
        First entry of that list; -1 if the parent has no family.
    degree : ndarray, int64, shape (n_parents,)
        Families of each parent.
    offset : ndarray, float64, shape (n_families,)
        Log of the constant taken out of the family's cells.
    log_cells, cells : ndarray, float64, shape (n_families, n_cells)
        Log-likelihood of the family's readings for each pair of parental genotypes; the same as numbers,
        largest of each locus 1.
    log_message, message : ndarray, float64, shape (n_families, 2, n_states)
        Messages, largest of each locus 0; the same as numbers.
    log_belief, belief : ndarray, float64, shape (n_parents, n_states)
        Beliefs; the same as numbers summing to 1 at each locus.
    """

    family_of: np.ndarray
    size: np.ndarray
    parent: np.ndarray
    following: np.ndarray
    first: np.ndarray
    degree: np.ndarray
    offset: np.ndarray
    log_cells: np.ndarray
    cells: np.ndarray
    log_message: np.ndarray
    message: np.ndarray
    log_belief: np.ndarray
    belief: np.ndarray


def empty_network(tables: SibshipTables, n_offspring: int) -> Network:
    """Return a network with room for every offspring in a family of its own."""
    n_cells, n_states = int(tables.cell_at[-1]), int(tables.state_at[-1])
    families, parents = n_offspring + 1, 2 * n_offspring + 2
    return Network(
        np.full(n_offspring, -1),
        np.zeros(families, np.int64),
        np.full((families, 2), -1),
        np.full((families, 2), -1),
        np.full(parents, -1),
        np.zeros(parents, np.int64),
        np.zeros(families),
        np.zeros((families, n_cells)),
        np.ones((families, n_cells)),
        np.zeros((families, 2, n_states)),
        np.ones((families, 2, n_states)),
        np.zeros((parents, n_states)),
        np.zeros((parents, n_states)),
    )


@njit(cache=True)
def _refresh_belief(net: Network, tab: SibshipTables, p: int, k: int) -> None:
    """Renew the belief numbers of parent p at locus k from their logarithms."""
    lo, hi = tab.state_at[k], tab.state_at[k + 1]
    top = -np.inf
    for g in range(lo, hi):
        top = max(top, net.log_belief[p, g])
    total = 0.0
    for g in range(lo, hi):
        net.log_belief[p, g] -= top
        net.belief[p, g] = math.exp(net.log_belief[p, g])
        total += net.belief[p, g]
    for g in range(lo, hi):
        net.belief[p, g] /= total


@njit(cache=True)
def _refresh_cells(net: Network, tab: SibshipTables, f: int) -> None:
    for k in range(len(tab.states)):
        lo, hi = tab.cell_at[k], tab.cell_at[k + 1]
        top = -np.inf
        for c in range(lo, hi):
            top = max(top, net.log_cells[f, c])
        net.offset[f] += top
        for c in range(lo, hi):
            net.log_cells[f, c] -= top
            net.cells[f, c] = max(math.exp(net.log_cells[f, c]), FLOOR)


@njit(cache=True)
def _add_reading(net: Network, tab: SibshipTables, f: int, i: int) -> None:
    for k in range(len(tab.states)):
        r = tab.readings[i, k]
        if r < 0:
            continue
        n = tab.states[k] * tab.states[k]
        at, start = tab.cell_at[k], tab.table_at[k] + r * n
        for c in range(n):
            net.log_cells[f, at + c] += tab.log_table[start + c]


@njit(cache=True)
def _send(net: Network, tab: SibshipTables, f: int, slot: int, k: int) -> float:
    """Renew what family f says at locus k about its parent in a slot; return the largest change."""
    p, q = net.parent[f, slot], net.parent[f, 1 - slot]
    n, lo, at = tab.states[k], tab.state_at[k], tab.cell_at[k]
    top = 0.0
    for g in range(n):
        total = 0.0
        for h in range(n):
            other = net.belief[q, lo + h] / net.message[f, 1 - slot, lo + h]
            total += net.cells[f, at + g * n + h] * other
        # The old message leaves the belief now, the new one enters when all states are known.
        net.log_belief[p, lo + g] -= net.log_message[f, slot, lo + g]
        net.log_message[f, slot, lo + g] = total
        top = max(top, total)
    change = 0.0
    for g in range(n):
        value = max(net.log_message[f, slot, lo + g] / top, FLOOR)
        change = max(change, abs(value - net.message[f, slot, lo + g]))
        net.message[f, slot, lo + g] = value
        net.log_message[f, slot, lo + g] = math.log(value)
        net.log_belief[p, lo + g] += net.log_message[f, slot, lo + g]
    _refresh_belief(net, tab, p, k)
    return change


@njit(cache=True)
def _propagate(net: Network, tab: SibshipTables, entries: np.ndarray, tolerance: float) -> None:
    """Send messages (2 * family + slot), and those that must follow, locus by locus until nothing changes."""
    capacity = 2 * len(net.size)
    queue = np.empty(capacity, np.int64)
    waiting = np.zeros(capacity, np.bool_)
    most = 60 + 12 * capacity
    for k in range(len(tab.states)):
        start, n_queued, sent = 0, len(entries), 0
        for s in range(n_queued):
            queue[s] = entries[s]
            waiting[entries[s]] = True
        while n_queued > 0:
            entry = queue[start]
            start = (start + 1) % capacity
            n_queued -= 1
            waiting[entry] = False
            f, slot = entry // 2, entry % 2
            sent += 1
            if sent > most or _send(net, tab, f, slot, k) <= tolerance:
                continue
            following = net.first[net.parent[f, slot]]
            while following >= 0:
                g, s = following // 2, following % 2
                turn = 2 * g + (1 - s)
                if g != f and not waiting[turn]:
                    queue[(start + n_queued) % capacity] = turn
                    waiting[turn] = True
                    n_queued += 1
                following = net.following[g, s]


@njit(cache=True)
def _unlink(net: Network, f: int, slot: int) -> None:
    p = net.parent[f, slot]
    entry = 2 * f + slot
    here = net.first[p]
    if here == entry:
        net.first[p] = net.following[f, slot]
    else:
        while net.following[here // 2, here % 2] != entry:
            here = net.following[here // 2, here % 2]
        net.following[here // 2, here % 2] = net.following[f, slot]
    net.following[f, slot] = -1
    net.degree[p] -= 1


@njit(cache=True)
def _drop_family(net: Network, tab: SibshipTables, f: int, tolerance: float) -> None:
    """Take an empty family out of the network and tell its parents' other families."""
    queue = np.empty(2 * len(net.size), np.int64)
    n_queued = 0
    for slot in range(2):
        p = net.parent[f, slot]
        _unlink(net, f, slot)
        for g in range(net.log_belief.shape[1]):
            net.log_belief[p, g] -= net.log_message[f, slot, g]
            net.log_message[f, slot, g] = 0.0
            net.message[f, slot, g] = 1.0
        if net.degree[p] > 0:
            for k in range(len(tab.states)):
                _refresh_belief(net, tab, p, k)
            entry = net.first[p]
            while entry >= 0:
                queue[n_queued] = 2 * (entry // 2) + 1 - entry % 2
                n_queued += 1
                entry = net.following[entry // 2, entry % 2]
        net.parent[f, slot] = -1
    _propagate(net, tab, queue[:n_queued], tolerance)


@njit(cache=True)
def _new_parent(net: Network, tab: SibshipTables) -> int:
    p = 0
    while net.degree[p] > 0:
        p += 1
    for g in range(net.log_belief.shape[1]):
        net.log_belief[p, g] = math.log(tab.prior[g])
    for k in range(len(tab.states)):
        _refresh_belief(net, tab, p, k)
    return p


@njit(cache=True)
def _new_family(net: Network, tab: SibshipTables, p: int, q: int) -> int:
    """Open a family of two parents, -1 for parents not seen so far; it has no offspring yet."""
    f = 0
    while net.size[f] > 0:
        f += 1
    net.log_cells[f, :] = 0.0
    net.offset[f] = 0.0
    for slot in range(2):
        wanted = p if slot == 0 else q
        parent = wanted if wanted >= 0 else _new_parent(net, tab)
        net.parent[f, slot] = parent
        net.following[f, slot] = net.first[parent]
        net.first[parent] = 2 * f + slot
        net.degree[parent] += 1
        net.log_message[f, slot, :] = 0.0
        net.message[f, slot, :] = 1.0
    return f


@njit(cache=True)
def find_family(net: Network, p: int, q: int) -> int:
    entry = net.first[p]
    while entry >= 0:
        f = entry // 2
        if net.parent[f, 1 - entry % 2] == q:
            return f
        entry = net.following[f, entry % 2]
    return -1


@njit(cache=True)
def insert(
    net: Network, tab: SibshipTables, block: np.ndarray, f: int, p: int, q: int, tolerance: float
) -> int:
    """Put a block of offspring into family f, or into the new family of p and q when f is -1."""
    if f < 0:
        f = _new_family(net, tab, p, q)
    for i in block:
        net.family_of[i] = f
        _add_reading(net, tab, f, i)
    net.size[f] += len(block)
    _refresh_cells(net, tab, f)
    _propagate(net, tab, np.array([2 * f, 2 * f + 1]), tolerance)
    return f


@njit(cache=True)
def remove(net: Network, tab: SibshipTables, block: np.ndarray, tolerance: float) -> None:
    """Take a block of offspring of one family out of the network."""
    f = net.family_of[block[0]]
    net.size[f] -= len(block)
    for i in block:
        net.family_of[i] = -1
    if net.size[f] == 0:
        _drop_family(net, tab, f, tolerance)
        return
    # Added up anew rather than subtracted, so that rounding never builds up.
    net.log_cells[f, :] = 0.0
    net.offset[f] = 0.0
    for i in range(len(net.family_of)):
        if net.family_of[i] == f:
            _add_reading(net, tab, f, i)
    _refresh_cells(net, tab, f)
    _propagate(net, tab, np.array([2 * f, 2 * f + 1]), tolerance)


@njit(cache=True)
def colours(net: Network) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Component of each parent, its colour there (parents of one family differ), families per component."""
    n = len(net.first)
    component = np.full(n, -1)
    colour = np.zeros(n, np.int64)
    families = np.zeros(n, np.int64)
    stack = np.empty(n, np.int64)
    for root in range(n):
        if net.degree[root] == 0 or component[root] >= 0:
            continue
        component[root] = root
        stack[0], depth = root, 1
        ends = 0
        while depth > 0:
            depth -= 1
            p = stack[depth]
            entry = net.first[p]
            while entry >= 0:
                f, s = entry // 2, entry % 2
                ends += 1
                q = net.parent[f, 1 - s]
                if component[q] < 0:
                    component[q] = root
                    colour[q] = 1 - colour[p]
                    stack[depth] = q
                    depth += 1
                entry = net.following[f, s]
        families[root] = ends // 2
    return component, colour, families


@njit(cache=True)
def log_likelihood(net: Network, tab: SibshipTables) -> float:
    """Log-likelihood of all readings given the network (Bethe form, exact without loops)."""
    total = 0.0
    for f in range(len(net.size)):
        if net.size[f] == 0:
            continue
        total += net.offset[f]
        p, q = net.parent[f, 0], net.parent[f, 1]
        for k in range(len(tab.states)):
            n, lo, at = tab.states[k], tab.state_at[k], tab.cell_at[k]
            left, right, both = 0.0, 0.0, 0.0
            top_p, top_q = 0.0, 0.0
            for g in range(n):
                top_p += net.belief[p, lo + g] / net.message[f, 0, lo + g]
                top_q += net.belief[q, lo + g] / net.message[f, 1, lo + g]
            for g in range(n):
                wp = net.belief[p, lo + g] / net.message[f, 0, lo + g] / top_p
                left += wp * net.message[f, 0, lo + g]
                right += net.belief[q, lo + g] / top_q
                for h in range(n):
                    wq = net.belief[q, lo + h] / net.message[f, 1, lo + h] / top_q
                    both += net.cells[f, at + g * n + h] * wp * wq
            total += math.log(both) - math.log(left) - math.log(right)
    for p in range(len(net.first)):
        if net.degree[p] == 0:
            continue
        for k in range(len(tab.states)):
            z = 0.0
            for g in range(tab.state_at[k], tab.state_at[k + 1]):
                term = tab.prior[g]
                entry = net.first[p]
                while entry >= 0:
                    term *= net.message[entry // 2, entry % 2, g]
                    entry = net.following[entry // 2, entry % 2]
                z += term
            total += math.log(max(z, 1e-300))
    return total
