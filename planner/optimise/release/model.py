"""A linear model as plain arrays: columns, rows that know which rule they belong to, and its PuLP form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.solver import numbered

DEFINITION = ""
"""Code of a row that defines a column and belongs to no rule."""


@dataclass(frozen=True)
class Row:
    """One inequality: low <= sum of factor x column <= high.

    Parameters
    ----------
    code : str
        Code of the rule it belongs to; `DEFINITION` for a definition, which is never given up.
    place : str
        What it is about, in words: ``site 'Nine Posts'``.
    columns : ndarray, int64, shape (n_terms,)
        Column positions, each once.
    factors : ndarray, float64, shape (n_terms,)
        Factors.
    low, high : float
        Limits; infinite where there is none.
    price : float
        Cost of one unit of violation when the smallest relaxations are sought, in fish.
    """

    code: str
    place: str
    columns: BigIntArray
    factors: FloatArray
    low: float
    high: float
    price: float = 1.0


def row(
    code: str,
    place: str,
    columns: Sequence[int] | BigIntArray,
    factors: Sequence[float] | FloatArray | float,
    low: float = -np.inf,
    high: float = np.inf,
    price: float = 1.0,
) -> Row:
    """Return a `Row`; a single factor stands for every column."""
    index = np.asarray(columns, dtype=np.int64)
    factor = np.broadcast_to(np.asarray(factors, dtype=np.float64), index.shape)
    return Row(code, place, index, factor, float(low), float(high), price)


@dataclass
class LinearModel:
    """Columns and rows under construction; column 0 is always there and always 0.

    Parameters
    ----------
    low, high, cost : list of float
        Limits and cost of each column; limits are finite, so that a bound can be proven from dual prices.
    whole : list of bool
        True where a column takes whole numbers only.
    rows : list of Row
        Rows, in the order of the rules.
    """

    low: list[float] = field(default_factory=lambda: [0.0])
    high: list[float] = field(default_factory=lambda: [0.0])
    cost: list[float] = field(default_factory=lambda: [0.0])
    whole: list[bool] = field(default_factory=lambda: [False])
    rows: list[Row] = field(default_factory=list)

    def add(
        self,
        shape: tuple[int, ...],
        low: FloatArray | float,
        high: FloatArray | float,
        *,
        whole: bool = False,
        cost: FloatArray | float = 0.0,
    ) -> BigIntArray:
        """Add a block of columns.

        Parameters
        ----------
        shape : tuple of int
            Shape of the block.
        low, high, cost : float or ndarray of that shape
            Limits and costs.
        whole : bool
            Whole numbers only.

        Returns
        -------
        ndarray, int64, of that shape
            Positions of the new columns.
        """
        start = len(self.low)
        n = int(np.prod(shape, dtype=np.int64))
        self.low += np.broadcast_to(low, shape).ravel().astype(float).tolist()
        self.high += np.broadcast_to(high, shape).ravel().astype(float).tolist()
        self.cost += np.broadcast_to(cost, shape).ravel().astype(float).tolist()
        self.whole += [whole] * n
        return np.arange(start, start + n, dtype=np.int64).reshape(shape)

    @property
    def n_columns(self) -> int:
        """Number of columns."""
        return len(self.low)

    def value(self, one: Row, x: FloatArray) -> float:
        """Return the left-hand side of a row at the column values `x`."""
        return float(one.factors @ x[one.columns])


@dataclass
class LoadedModel:
    """A linear model in its PuLP form.

    Parameters
    ----------
    problem : pulp.LpProblem
        The problem, to be minimised.
    variables : list of pulp.LpVariable
        One per column, in order.
    row_of : list of int
        Position of the row in the linear model behind each PuLP row (a row with two different limits
        becomes two).
    whole : ndarray, bool, shape (n_columns,)
        Columns that take whole numbers in the end.
    """

    problem: pulp.LpProblem
    variables: list[pulp.LpVariable]
    row_of: list[int]
    whole: BoolArray

    def pick(self, columns: BigIntArray) -> list[pulp.LpVariable]:
        """Return the variables of columns."""
        return [self.variables[j] for j in columns.ravel()]


def load(model: LinearModel, name: str, *, relaxed: bool = False) -> LoadedModel:
    """Turn a linear model into a PuLP problem.

    Parameters
    ----------
    model : LinearModel
        The model.
    name : str
        Name of the problem.
    relaxed : bool
        Leave out the demand for whole numbers.

    Returns
    -------
    LoadedModel
        The problem with its variables.
    """
    problem = pulp.LpProblem(name, pulp.LpMinimize)
    variables = [
        problem.add_variable(
            numbered("v", j),
            None if np.isinf(a) else a,
            None if np.isinf(b) else b,
            cat=pulp.LpInteger if w and not relaxed else pulp.LpContinuous,
        )
        for j, (a, b, w) in enumerate(zip(model.low, model.high, model.whole, strict=True))
    ]
    # Every column stands in the objective, so that PuLP keeps those that no row uses.
    problem.setObjective(pulp.LpAffineExpression(list(zip(variables, model.cost, strict=True))))
    row_of: list[int] = []
    for i, one in enumerate(model.rows):
        for constraint in constraints(one, variables):
            constraint.name = numbered("r", len(row_of))
            problem.addConstraint(constraint)
            row_of.append(i)
    return LoadedModel(problem, variables, row_of, np.array(model.whole, dtype=np.bool_))


def constraints(one: Row, variables: list[pulp.LpVariable]) -> list[pulp.LpConstraint]:
    """Return the PuLP rows of a row: one, or two when it has two different limits.

    A row without columns that holds by itself gives none; one that cannot hold is kept over the column that
    is always 0, so that the solver reports it.
    """
    if one.columns.size == 0:
        if one.low <= 0.0 <= one.high:
            return []
        impossible = pulp.LpAffineExpression([(variables[0], 1.0)])
        return [_limit(impossible, one.low, one.high)]
    terms = [(variables[j], f) for j, f in zip(one.columns.tolist(), one.factors.tolist(), strict=True)]
    expression = pulp.LpAffineExpression(terms)
    if one.low == one.high or np.isinf(one.low) or np.isinf(one.high):
        return [_limit(expression, one.low, one.high)]
    return [_limit(expression, one.low, np.inf), _limit(expression.copy(), -np.inf, one.high)]


def _limit(expression: pulp.LpAffineExpression, low: float, high: float) -> pulp.LpConstraint:
    if low == high:
        return pulp.LpConstraint(expression, pulp.LpConstraintEQ, rhs=low)
    if np.isinf(high):
        return pulp.LpConstraint(expression, pulp.LpConstraintGE, rhs=low)
    return pulp.LpConstraint(expression, pulp.LpConstraintLE, rhs=high)
