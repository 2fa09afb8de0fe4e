"""Compiled loops over genotype tables with fixed allele counts.

The probability of a table given its allele counts is proportional to 2 to the number of heterozygotes divided
by the product of the factorials of its cells (Levene 1949).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_LOG2 = math.log(2.0)
_SLACK = 1e-7


@njit(cache=True)
def log_table(table: np.ndarray) -> float:
    """Log of the unnormalised probability of an upper-triangular genotype table."""
    out = 0.0
    for i in range(table.shape[0]):
        for j in range(i, table.shape[0]):
            out -= math.lgamma(table[i, j] + 1.0)
            if i != j:
                out += table[i, j] * _LOG2
    return out


@njit(cache=True)
def log_of_all_tables(genes: np.ndarray) -> float:
    """Log of the sum of unnormalised probabilities over every table with these allele counts."""
    total = 0
    out = 0.0
    for count in genes:
        total += count
        out -= math.lgamma(count + 1.0)
    n = total // 2
    return out + math.lgamma(total + 1.0) - math.lgamma(n + 1.0)


@njit(cache=True)
def enumerate_tables(genes: np.ndarray, log_found: float, most: int) -> tuple[float, bool]:
    """Sum the probabilities of all tables no more likely than the one found.

    Returns the sum, and False if more than `most` tables exist, or if walking through them takes more than 12
    steps for each of `most` (many alleles); the sum is then meaningless. Cells are filled row by row, diagonal
    first, between bounds that always leave a table to complete.
    """
    k = genes.shape[0]
    cells = k * (k + 1) // 2
    row = np.empty(cells, np.int64)
    column = np.empty(cells, np.int64)
    at = 0
    for i in range(k):
        for j in range(i, k):
            row[at], column[at] = i, j
            at += 1
    left = genes.copy()
    value = np.zeros(cells, np.int64)
    high = np.zeros(cells, np.int64)
    log_p = np.zeros(cells + 1)
    scale = log_of_all_tables(genes)
    total, tables, steps = 0.0, 0, 0
    at, entering = 0, True
    while at >= 0:
        steps += 1
        if steps > 12 * most + 1000:
            return 0.0, False
        i, j = row[at], column[at]
        if entering:
            later = 0
            for m in range(j + 1, k):
                later += left[m]
            short = left[i] - later
            if i == j:
                value[at] = (short + 1) // 2 if short > 0 else 0
                high[at] = left[i] // 2
            else:
                value[at] = short if short > 0 else 0
                high[at] = min(left[i], left[j])
            left[i] -= value[at]
            left[j] -= value[at]
        else:
            value[at] += 1
            left[i] -= 1
            left[j] -= 1
        if value[at] > high[at]:
            left[i] += value[at]
            left[j] += value[at]
            at -= 1
            entering = False
            continue
        log_p[at + 1] = log_p[at] - math.lgamma(value[at] + 1.0)
        if i != j:
            log_p[at + 1] += value[at] * _LOG2
        if at == cells - 1:
            tables += 1
            if tables > most:
                return 0.0, False
            if log_p[cells] <= log_found + _SLACK:
                total += math.exp(log_p[cells] - scale)
            entering = False
        else:
            at += 1
            entering = True
    return total, True


@njit(cache=True)
def shuffle_tables(genes: np.ndarray, log_found: float, shuffles: int, rng: np.random.Generator) -> int:
    """Count the random pairings of the genes whose table is no more likely than the one found."""
    total = genes.shape[0]
    k = genes.max() + 1
    table = np.zeros((k, k), np.int64)
    log_of = np.zeros(total + 2)
    for count in range(1, total + 2):
        log_of[count] = math.log(count)
    hits = 0
    for _ in range(shuffles):
        for i in range(total - 1, 0, -1):
            j = int(rng.random() * (i + 1))
            genes[i], genes[j] = genes[j], genes[i]
        log_p = 0.0
        for s in range(0, total, 2):
            a, b = min(genes[s], genes[s + 1]), max(genes[s], genes[s + 1])
            table[a, b] += 1
            log_p -= log_of[table[a, b]]
            if a != b:
                log_p += _LOG2
        for s in range(0, total, 2):
            table[min(genes[s], genes[s + 1]), max(genes[s], genes[s + 1])] = 0
        if log_p <= log_found + _SLACK:
            hits += 1
    return hits
