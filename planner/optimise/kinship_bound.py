"""Mean kinship as a sum of squares that linear rows can bound from below, exactly at whole numbers.

Kinship from a pedigree is ``K = T D T'`` with T the gene flow from ancestor to descendant and D the Mendelian
variance. For contributions c of the candidates therefore ``c'Kc = sum_i d_i y_i^2``, where the flow y_i through
ancestor i is its own contribution plus half the flow through each of its offspring. Each flow is one sparse row
over few variables, where ``c'Kc`` written out is a dense matrix.

A linear programme bounds every square by rows ``t_i >= (a + b) y_i - a b``. With a = b this is the tangent at
a. When c holds whole numbers, y_i can only take multiples of a step (1 for a candidate, 1/2 for its parent,
...): with a and b two neighbouring multiples no possible value lies between them, so the row cuts deeper than
any tangent and still removes nothing. That is what brings bound and value together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import gcd

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BoolArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError

FINEST_STEP = 1 / 64
"""Steps finer than this are treated as no step: the deeper cut is not worth its rounding errors."""

_UNIT = 1 << 24
_ON_POINT = 1e-7


@dataclass(frozen=True)
class SquareForm:
    """A quadratic form ``c'Kc = constant + sum over nodes of weight x flow^2``.

    Parameters
    ----------
    n_candidates : int
        Length of c.
    weights : ndarray, float64, shape (n_nodes,)
        Weight of the squared flow of each node, 0 or more.
    candidate_inputs, node_inputs : tuple of tuple of (int, float)
        For each node its inputs: positions in c, and earlier nodes, each with the factor that multiplies it.
    constant : float
        Added to the sum of squares.
    """

    n_candidates: int
    weights: FloatArray
    candidate_inputs: tuple[tuple[tuple[int, float], ...], ...]
    node_inputs: tuple[tuple[tuple[int, float], ...], ...]
    constant: float = 0.0

    @property
    def n_nodes(self) -> int:
        """Number of nodes."""
        return len(self.weights)

    def flows(self, c: npt.ArrayLike) -> FloatArray:
        """Return the flow through every node.

        Parameters
        ----------
        c : array_like, float64, shape (n_candidates,)
            Contributions.

        Returns
        -------
        ndarray, float64, shape (n_nodes,)

        Raises
        ------
        ShapeError
            If `c` has another shape.
        """
        given = np.asarray(c, dtype=np.float64)
        if given.shape != (self.n_candidates,):
            raise ShapeError(
                f"contributions: found shape {given.shape}. Expected one per candidate, ({self.n_candidates},)."
            )
        of_candidate = given.tolist()
        y = [0.0] * self.n_nodes
        for node, (own, earlier) in enumerate(zip(self.candidate_inputs, self.node_inputs, strict=True)):
            y[node] = sum(f * of_candidate[i] for i, f in own) + sum(f * y[j] for j, f in earlier)
        return np.array(y)

    def value(self, c: npt.ArrayLike) -> float:
        """Return c'Kc; parameters and errors are those of `flows`."""
        return self.constant + float(self.weights @ self.flows(c) ** 2)

    def single_candidate(self, node: int) -> int | None:
        """Return the candidate whose contribution is the flow through `node`, or None."""
        own = self.candidate_inputs[node]
        if self.node_inputs[node] or len(own) != 1 or own[0][1] != 1.0:
            return None
        return own[0][0]

    def scaled(self, factor: float) -> SquareForm:
        """Return the form multiplied by a factor of 0 or more."""
        return replace(self, weights=self.weights * factor, constant=self.constant * factor)

    def plus(self, other: SquareForm) -> SquareForm:
        """Return the sum of two forms over the same candidates.

        Raises
        ------
        ShapeError
            If the numbers of candidates differ.
        """
        if other.n_candidates != self.n_candidates:
            raise ShapeError(
                f"sum of forms: found {self.n_candidates} and {other.n_candidates} candidates. Expected the same."
            )
        n = self.n_nodes
        shifted = tuple(tuple((j + n, f) for j, f in inputs) for inputs in other.node_inputs)
        return SquareForm(
            self.n_candidates,
            np.concatenate([self.weights, other.weights]),
            self.candidate_inputs + other.candidate_inputs,
            self.node_inputs + shifted,
            self.constant + other.constant,
        )


class _Drafted:
    """Nodes under construction: equal nodes are kept once, a node with one input joins that input."""

    def __init__(self) -> None:
        self.weights: list[float] = []
        self.inputs: list[tuple[tuple[int, float], ...]] = []
        self._number: dict[tuple[tuple[int, float], ...], int] = {}

    def add(self, weight: float, inputs: dict[int, float]) -> tuple[int, float]:
        """Add a node (keys below 0: candidate ``-1 - key``); return the node and factor that give its flow."""
        if len(inputs) == 1:
            ((source, factor),) = inputs.items()
            if source >= 0:
                self.weights[source] += weight * factor * factor
                return source, factor
        key = tuple(sorted(inputs.items()))
        if key in self._number:
            node = self._number[key]
            self.weights[node] += weight
        else:
            node = self._number[key] = len(self.weights)
            self.weights.append(weight)
            self.inputs.append(key)
        return node, 1.0


def pedigree_form(
    parents: npt.ArrayLike, candidates: npt.ArrayLike, F: npt.ArrayLike | None = None
) -> SquareForm:
    """Return c'Kc over candidates as weighted squares of sparse gene flows.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    candidates : array_like, integer, shape (n_candidates,)
        Row numbers of the candidates, each once; c follows this order.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    SquareForm
        Only ancestors of candidates take part. The offspring of one pair of parents share a node, so that
        large families cost few terms; an ancestor with a single line of descent joins its descendant.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist or stands twice, or F is NaN or outside 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Henderson, C. R. (1976), Biometrics 32, 69-83 (K = T D T', with the inbreeding of parents in D).

    Examples
    --------
    >>> pedigree_form([[-1, -1], [-1, -1], [0, 1], [0, 1]], [2, 3]).value([1, 1]) / 4
    0.375
    """
    from broodstock.pedigree.inbreeding import checked_fish, checked_inbreeding, checked_parents
    from broodstock.pedigree.kernels import mark_ancestors, within_family_variance

    known = checked_parents(parents)
    rows = checked_fish(candidates, len(known), "candidates")
    if len(set(rows.tolist())) != rows.size:
        raise ValueRangeError("candidates: found a row number twice. Expected each candidate once.")
    wanted: BoolArray = np.zeros(len(known), dtype=np.bool_)
    wanted[rows] = True
    mark_ancestors(known, wanted)
    variance = within_family_variance(known, checked_inbreeding(F, known))
    position = {int(row): i for i, row in enumerate(rows)}
    taking_part = np.flatnonzero(wanted)
    pairs = [(int(a), int(b)) for a, b in known[taking_part]]
    waiting: dict[tuple[int, int], int] = {}
    for pair in pairs:
        waiting[pair] = waiting.get(pair, 0) + 1
    inputs: dict[int, dict[int, float]] = {int(i): {} for i in taking_part}
    of_family: dict[tuple[int, int], dict[int, float]] = {pair: {} for pair in waiting}
    drafted = _Drafted()
    for fish, pair in zip(taking_part[::-1].tolist(), pairs[::-1], strict=True):
        own = inputs.pop(fish)
        if fish in position:
            own[-1 - position[fish]] = 1.0
        node, factor = drafted.add(float(variance[fish]), own)
        if max(pair) < 0:
            continue
        family = of_family[pair]
        family[node] = family.get(node, 0.0) + factor
        waiting[pair] -= 1
        if waiting[pair] == 0:
            node, factor = drafted.add(0.0, family)
            for parent in pair:
                if parent >= 0:
                    inputs[parent][node] = inputs[parent].get(node, 0.0) + 0.5 * factor
    return SquareForm(
        rows.size,
        np.array(drafted.weights),
        tuple(tuple((-1 - k, f) for k, f in node if k < 0) for node in drafted.inputs),
        tuple(tuple((k, f) for k, f in node if k >= 0) for node in drafted.inputs),
    )


def dense_form(
    kinship: npt.ArrayLike,
    groups: Sequence[tuple[npt.ArrayLike, float]] = (),
    *,
    pedigree_part: tuple[SquareForm, FloatArray] | None = None,
) -> SquareForm:
    """Return c'Kc for a kinship matrix that has no pedigree behind it (markers, or blended).

    The matrix is split as ``K = share x pedigree part + diag(e) + B B'``: the first two parts are exact at whole
    numbers, the rest has one node per eigenvector.

    Parameters
    ----------
    kinship : array_like, float64, shape (n_candidates, n_candidates)
        Symmetric, no NaN; negative entries (marker estimates) are allowed.
    groups : sequence of (positions, total)
        Groups of candidates whose contributions always add up to `total` (the sexes). A multiple of a constant
        may then be added to the pairs within a group, which makes marker estimates with negative entries usable
        without changing any comparison.
    pedigree_part : (SquareForm, ndarray of shape (n_candidates, n_candidates)), optional
        Form and matrix of the pedigree kinship of the same candidates.

    Returns
    -------
    SquareForm

    Raises
    ------
    ShapeError
        If the matrix is not square, or not symmetric.
    ValueRangeError
        If an entry is NaN, or the matrix is not positive semidefinite for contributions with the given totals
        (pairwise estimates with missing genotypes can be so).
    """
    K = np.asarray(kinship, dtype=np.float64)
    if K.ndim != 2 or K.shape[0] != K.shape[1]:
        raise ShapeError(f"kinship: found shape {K.shape}. Expected a square matrix over the candidates.")
    if not np.isfinite(K).all():
        raise ValueRangeError(
            "kinship: found an entry that is not a number. Expected a kinship for every pair of candidates. "
            "Leave the fish out or estimate the missing pairs."
        )
    if not np.allclose(K, K.T, atol=1e-9):
        raise ShapeError("kinship: found a matrix that is not symmetric. Expected f(i, j) = f(j, i).")
    n = len(K)
    raised, constant = _raise_groups(0.5 * (K + K.T), groups)
    largest = float(np.abs(raised).max()) if n else 0.0
    lowest = float(np.linalg.eigvalsh(raised)[0]) if n else 0.0
    if lowest < -1e-8 * max(largest, 1.0):
        raise ValueRangeError(
            f"kinship: found a smallest eigenvalue of {lowest:.3g}. Expected 0 or more, so that mean kinship has a "
            "proven least value. Use kinship blended with the pedigree, or estimate it from loci without gaps."
        )
    rest = raised + max(0.0, -lowest) * np.eye(n)
    form = SquareForm(n, np.zeros(0), (), (), constant)
    if pedigree_part is not None:
        part, matrix = pedigree_part
        share = _largest_share(rest, matrix)
        if share > 0:
            form = form.plus(part.scaled(share))
            rest = rest - share * matrix
    own = _diagonal_part(rest)
    rest = rest - np.diag(own)
    form = form.plus(SquareForm(n, own, tuple(((i, 1.0),) for i in range(n)), ((),) * n))
    size, vectors = np.linalg.eigh(rest)
    keep = size > 1e-10 * max(largest, 1.0)
    factors = vectors[:, keep] * np.sqrt(size[keep])
    columns = tuple(
        tuple((i, float(x)) for i, x in enumerate(column) if abs(x) > 1e-12) for column in factors.T
    )
    return form.plus(SquareForm(n, np.ones(len(columns)), columns, ((),) * len(columns)))


def _raise_groups(K: FloatArray, groups: Sequence[tuple[npt.ArrayLike, float]]) -> tuple[FloatArray, float]:
    """Add a constant to the pairs within each group when K is not positive semidefinite as it stands.

    The constant is doubled until it is enough: a large one would drown the differences between plans in rounding.
    """
    lowest = float(np.linalg.eigvalsh(K)[0]) if groups and len(K) else 0.0
    if lowest >= 0:
        return K, 0.0
    inside = np.zeros(K.shape)
    squares = 0.0
    for positions, total in groups:
        rows = np.asarray(positions, dtype=np.int64)
        inside[np.ix_(rows, rows)] = 1.0
        squares += total * total
    most = 4.0 * float(np.abs(K).max()) * len(K)
    amount = -lowest / len(K)
    while amount < most and float(np.linalg.eigvalsh(K + amount * inside)[0]) < 0:
        amount *= 2.0
    amount = min(amount, most)
    return K + amount * inside, -amount * squares


def _largest_share(K: FloatArray, part: FloatArray) -> float:
    """Return the largest s for which K - s x part stays positive semidefinite, a little less to be safe."""
    size, vectors = np.linalg.eigh(part)
    if size[0] <= 1e-9:
        return 0.0
    half = vectors / np.sqrt(size)
    return max(0.0, float(np.linalg.eigvalsh(half.T @ K @ half)[0]) * (1 - 1e-9))


def _diagonal_part(K: FloatArray) -> FloatArray:
    """Return a diagonal e >= 0 with K - diag(e) positive semidefinite, as large as two simple guesses allow."""
    n = len(K)
    if n == 0:
        return np.zeros(0)
    size, vectors = np.linalg.eigh(K)
    lowest = max(0.0, float(size[0]))
    flat = np.full(n, lowest)
    if size[0] <= 1e-9:
        return flat * (1 - 1e-9)
    own = 1.0 / ((vectors**2) @ (1.0 / size))  # what is left of each fish when all others are known
    root = np.sqrt(own)
    share = float(np.linalg.eigvalsh(K / root[:, None] / root[None, :])[0])
    guess = own * max(0.0, share)
    return (guess if guess.sum() > flat.sum() else flat) * (1 - 1e-9)


@dataclass(frozen=True)
class Lattice:
    """Which values the flow through each node can take when contributions are whole numbers.

    Parameters
    ----------
    steps : ndarray, float64, shape (n_nodes,)
        Every possible flow is a multiple of the step; 0 where any number is possible.
    firsts : ndarray, float64, shape (n_nodes,)
        Smallest possible flow above 0: more than one step where no fish is used less than twice, say.
    values : tuple of ndarray or None
        For nodes that carry one candidate only: all its possible values in rising order; else None.
    """

    steps: FloatArray
    firsts: FloatArray
    values: tuple[FloatArray | None, ...]

    def cells(self, node: int, y: float) -> tuple[tuple[float, float], ...]:
        """Return the neighbouring possible values around y, one pair, or two when y itself is possible.

        Parameters
        ----------
        node : int
            Node.
        y : float
            A flow.

        Returns
        -------
        tuple of (float, float)
            ``(y, y)`` where any number is possible.
        """
        listed = self.values[node]
        if listed is not None:
            if len(listed) < 2:
                return ((y, y),)
            above = int(np.searchsorted(listed, y - _ON_POINT))
            if above < len(listed) and abs(listed[above] - y) <= _ON_POINT:
                picks = [i for i in (above - 1, above) if 0 <= i < len(listed) - 1]
            else:
                picks = [min(max(above - 1, 0), len(listed) - 2)]
            return tuple((float(listed[i]), float(listed[i + 1])) for i in picks)
        step = float(self.steps[node])
        if step == 0.0:
            return ((y, y),)
        first = float(self.firsts[node])
        if 0.0 <= y < first - _ON_POINT:
            return ((0.0, first),)
        nearest = round(y / step)
        if abs(y - first) <= _ON_POINT:
            return ((0.0, first), (first, first + step))
        if abs(nearest * step - y) <= _ON_POINT:
            return (((nearest - 1) * step, nearest * step), (nearest * step, (nearest + 1) * step))
        low = int(np.floor(y / step))
        return ((low * step, (low + 1) * step),)


def lattice(form: SquareForm, possible: Sequence[IntArray | npt.NDArray[np.int64]]) -> Lattice:
    """Return the possible flows of every node.

    Parameters
    ----------
    form : SquareForm
        The quadratic form.
    possible : sequence of n_candidates ndarrays, integer
        All values each contribution may take, rising.

    Returns
    -------
    Lattice

    Raises
    ------
    ShapeError
        If there is not one list per candidate.
    """
    if len(possible) != form.n_candidates:
        raise ShapeError(
            f"possible values: found {len(possible)} lists. Expected one per candidate, {form.n_candidates}."
        )
    of_candidate = [int(np.gcd.reduce(values)) if len(values) else 0 for values in possible]
    first_of = [float(min((v for v in values if v > 0), default=np.inf)) for values in possible]
    units: list[int] = []
    firsts: list[float] = []
    values: list[FloatArray | None] = []
    for node in range(form.n_nodes):
        parts = [(f, of_candidate[i] * _UNIT) for i, f in form.candidate_inputs[node]]
        parts += [(f, units[j]) for j, f in form.node_inputs[node]]
        units.append(_common_step(parts))
        smallest = [f * first_of[i] if f > 0 else 0.0 for i, f in form.candidate_inputs[node]]
        smallest += [f * firsts[j] if f > 0 else 0.0 for j, f in form.node_inputs[node]]
        firsts.append(min(smallest, default=np.inf))
        single = form.single_candidate(node)
        values.append(None if single is None else np.asarray(possible[single], dtype=np.float64))
    steps = np.array(units, dtype=np.float64) / _UNIT
    steps[steps < FINEST_STEP] = 0.0
    first = np.array(firsts, dtype=np.float64)
    first[~np.isfinite(first)] = 0.0
    return Lattice(steps, first, tuple(values))


def _common_step(parts: Sequence[tuple[float, int]]) -> int:
    """Return the greatest common step of factor x step in units of 2^-24; 0 when there is none.

    A part that is always zero (step 0 from candidates that are not used) does not count; -1 marks flows
    without any step and passes on to all later nodes.
    """
    common = 0
    for factor, unit in parts:
        if unit < 0:
            return -1
        exact = factor * unit
        if exact != int(exact):
            return -1
        common = gcd(common, abs(int(exact)))
    return common


def cut(a: float, b: float) -> tuple[float, float]:
    """Return slope and intercept of the row ``t >= slope x y - intercept`` through a^2 at a and b^2 at b.

    Examples
    --------
    >>> cut(1.0, 2.0)
    (3.0, 2.0)
    """
    return a + b, a * b
