"""Compiled Gibbs sampling of networks of families.

The prior of a network follows Ewens' sampling formula twice: offspring fall into families, and families choose
their dams and sires. Likelihoods come from the beliefs in `_sibship_network`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from broodstock.parentage._sibship_network import FLOOR, Network, colours, find_family, insert, remove
from broodstock.parentage.sibship_model import SibshipTables

_LOG2 = math.log(2.0)


@njit(cache=True)
def block_cells(net: Network, tab: SibshipTables, block: np.ndarray) -> np.ndarray:
    """Likelihood of a block of full sibs for each pair of parental genotypes, largest of each locus 1."""
    out = np.zeros(net.cells.shape[1])
    for i in block:
        for k in range(len(tab.states)):
            r = tab.readings[i, k]
            if r >= 0:
                n = tab.states[k] * tab.states[k]
                at, start = tab.cell_at[k], tab.table_at[k] + r * n
                for c in range(n):
                    out[at + c] += tab.log_table[start + c]
    for k in range(len(tab.states)):
        lo, hi = tab.cell_at[k], tab.cell_at[k + 1]
        top = out[lo:hi].max()
        for c in range(lo, hi):
            out[c] = max(math.exp(out[c] - top), FLOOR)
    return out


@njit(cache=True)
def score_family(net: Network, tab: SibshipTables, cells: np.ndarray, f: int) -> float:
    """Log probability of a block given that it belongs to family f (up to the block's own constant)."""
    p, q = net.parent[f, 0], net.parent[f, 1]
    product, total = 1.0, 0.0
    for k in range(len(tab.states)):
        n, lo, at = tab.states[k], tab.state_at[k], tab.cell_at[k]
        top, bottom = 0.0, 0.0
        for g in range(n):
            left = net.belief[p, lo + g] / net.message[f, 0, lo + g]
            row_top, row_bottom = 0.0, 0.0
            for h in range(n):
                weight = net.cells[f, at + g * n + h] * net.belief[q, lo + h] / net.message[f, 1, lo + h]
                row_bottom += weight
                row_top += weight * cells[at + g * n + h]
            top += left * row_top
            bottom += left * row_bottom
        product *= top / bottom
        if product < 1e-200:
            total += math.log(max(product, 1e-300))
            product = 1.0
    return total + math.log(max(product, 1e-300))


@njit(cache=True)
def mixed_over(tab: SibshipTables, cells: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Sum a block's cells over the second parent, weighted."""
    out = np.zeros(len(weights))
    for k in range(len(tab.states)):
        n, lo, at = tab.states[k], tab.state_at[k], tab.cell_at[k]
        for g in range(n):
            for h in range(n):
                out[lo + g] += cells[at + g * n + h] * weights[lo + h]
    return out


@njit(cache=True)
def score_parent(tab: SibshipTables, weights: np.ndarray, mixed: np.ndarray) -> float:
    """Log probability of a block given one parent's belief and the block summed over the other parent."""
    product, total = 1.0, 0.0
    for k in range(len(tab.states)):
        value = 0.0
        for g in range(tab.state_at[k], tab.state_at[k + 1]):
            value += weights[g] * mixed[g]
        product *= value
        if product < 1e-200:
            total += math.log(max(product, 1e-300))
            product = 1.0
    return total + math.log(max(product, 1e-300))


@njit(cache=True)
def reassign(
    net: Network,
    tab: SibshipTables,
    block: np.ndarray,
    alpha: float,
    theta: float,
    temperature: float,
    mates: int,
    shortlist: int,
    joining: bool,
    tolerance: float,
    rng: np.random.Generator,
) -> None:
    """Draw a new place for a block of full sibs, given all others.

    The block joins a family (only if `joining`), takes one parent of the network and a new one, two parents of
    the network that have no family yet, or two new parents. Families follow Ewens' sampling formula with parameter
    alpha, counted in offspring; the dams and the sires of families follow it with parameter theta, counted in
    families. Joining two components fixes which sex of the one faces which of the other, hence the factor of
    one half; the two parents of a family that stands alone can be told apart only by their turn in the list.
    ``mates``: 0 pairs only, 1 one parent of a group may have several mates, 2 both sexes may.
    """
    if net.family_of[block[0]] >= 0:
        remove(net, tab, block, tolerance)
    s = len(block)
    n_families = 0
    for f in range(len(net.size)):
        n_families += net.size[f] > 0
    # A new family, the choice of its two parents still to be weighed.
    log_family = math.log(alpha) + math.lgamma(float(s)) - 2 * math.log(theta + n_families)
    log_new = math.log(theta)
    cells = block_cells(net, tab, block)
    half = mixed_over(tab, cells, tab.prior)
    component, colour, families = colours(net)
    n_parents = len(net.first)
    by_parent = np.full(n_parents, -np.inf)
    most = 1 + len(net.size) + n_parents + shortlist * shortlist
    family = np.full(most, -1)
    dam = np.full(most, -1)
    sire = np.full(most, -1)
    score = np.full(most, -np.inf)
    score[0] = score_parent(tab, tab.prior, half) + log_family + 2 * log_new
    n = 1
    for f in range(len(net.size)):
        if joining and net.size[f] > 0:
            family[n] = f
            size = float(net.size[f])
            score[n] = score_family(net, tab, cells, f) + math.lgamma(size + s) - math.lgamma(size)
            n += 1
    if mates > 0:
        for p in range(n_parents):
            if net.degree[p] == 0:
                continue
            by_parent[p] = score_parent(tab, net.belief[p], half) + math.log(float(net.degree[p]))
            if mates == 1 and families[component[p]] != net.degree[p]:
                continue
            dam[n] = p
            score[n] = by_parent[p] + log_family + log_new
            n += 1
    if mates == 2:
        best = _largest(by_parent, shortlist)
        for u in range(len(best)):
            p = best[u]
            mixed = mixed_over(tab, cells, net.belief[p])
            for v in range(u + 1, len(best)):
                q = best[v]
                together = component[p] == component[q]
                if together and (colour[p] == colour[q] or find_family(net, p, q) >= 0):
                    continue
                dam[n], sire[n] = p, q
                mates_so_far = math.log(float(net.degree[p] * net.degree[q]))
                score[n] = score_parent(tab, net.belief[q], mixed) + log_family + mates_so_far
                if not together:
                    score[n] -= _LOG2
                n += 1
    chosen = _draw(score, n, temperature, rng)
    insert(net, tab, block, family[chosen], dam[chosen], sire[chosen], tolerance)


@njit(cache=True)
def _largest(values: np.ndarray, most: int) -> np.ndarray:
    """Positions of the largest finite values, largest first."""
    out = np.empty(most, np.int64)
    taken = np.zeros(len(values), np.bool_)
    for n in range(most):
        best = -1
        for k in range(len(values)):
            if not taken[k] and values[k] > -np.inf and (best < 0 or values[k] > values[best]):
                best = k
        if best < 0:
            return out[:n]
        out[n] = best
        taken[best] = True
    return out


@njit(cache=True)
def _draw(log_weights: np.ndarray, n: int, temperature: float, rng: np.random.Generator) -> int:
    """Draw a position below n in proportion to the exponent of its log weight over the temperature."""
    best = 0
    for k in range(1, n):
        if log_weights[k] > log_weights[best]:
            best = k
    total = 0.0
    for k in range(n):
        total += math.exp((log_weights[k] - log_weights[best]) / temperature)
    u = rng.random() * total
    for k in range(n):
        u -= math.exp((log_weights[k] - log_weights[best]) / temperature)
        if u <= 0:
            return k
    return best


@njit(cache=True)
def sweep(
    net: Network,
    tab: SibshipTables,
    alpha: float,
    theta: float,
    temperature: float,
    mates: int,
    shortlist: int,
    merging: bool,
    tolerance: float,
    rng: np.random.Generator,
) -> None:
    """Move every offspring once, then every family of two or more as a whole, in random order.

    Families as a whole choose new parents. With `merging` they may also join another family; that finds good
    networks faster but cannot be undone by the same move, so it is for the burn-in only.
    """
    n = len(net.family_of)
    order = np.arange(n)
    for i in range(n - 1, 0, -1):
        j = int(rng.random() * (i + 1))
        order[i], order[j] = order[j], order[i]
    one = np.empty(1, np.int64)
    for i in order:
        one[0] = i
        reassign(net, tab, one, alpha, theta, temperature, mates, shortlist, True, tolerance, rng)
    for i in order:
        f = net.family_of[i]
        if net.size[f] < 2 or _first_member(net, f) != i:
            continue
        block = np.empty(net.size[f], np.int64)
        at = 0
        for j in range(n):
            if net.family_of[j] == f:
                block[at] = j
                at += 1
        reassign(net, tab, block, alpha, theta, temperature, mates, shortlist, merging, tolerance, rng)


@njit(cache=True)
def _first_member(net: Network, f: int) -> int:
    i = 0
    while net.family_of[i] != f:
        i += 1
    return i
