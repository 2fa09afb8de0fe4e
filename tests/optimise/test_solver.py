from __future__ import annotations

import itertools
import os
import subprocess
import sys
import tempfile
import threading

import numpy as np
import pulp
import pytest

from planner.optimise import solver
from planner.optimise.solver import (
    ModelError,
    NoSolutionError,
    Progress,
    Session,
    SolverError,
    numbered,
    read_counts,
    read_values,
    solve,
)
from planner.optimise.status import SolveReport, SolveStatus, relative_gap


def knapsack(n: int, rows: int, seed: int, sense: int = pulp.LpMaximize) -> tuple[pulp.LpProblem, list]:
    rng = np.random.default_rng(seed)
    problem = pulp.LpProblem("knapsack", sense)
    x = [problem.add_variable(numbered("x", i), 0, 1, cat=pulp.LpInteger) for i in range(n)]
    problem.setObjective(pulp.lpSum(int(a) * v for a, v in zip(rng.integers(10, 99, n), x, strict=True)) + 7)
    for k in range(rows):
        w = rng.integers(5, 95, n).tolist()
        total = pulp.lpSum(a * v for a, v in zip(w, x, strict=True))
        limit = sum(w) // 3
        row = total <= limit if sense == pulp.LpMaximize else total >= limit
        problem.addConstraint(row, numbered("row", k))
    return problem, x


def market_split(n: int, rows: int, seed: int) -> tuple[pulp.LpProblem, list]:
    """Hard to prove: deviations from halves of random weights (a known hard family of problems)."""
    rng = np.random.default_rng(seed)
    problem = pulp.LpProblem("split", pulp.LpMinimize)
    x = [problem.add_variable(numbered("x", i), 0, 1, cat=pulp.LpInteger) for i in range(n)]
    over = [problem.add_variable(numbered("over", k), 0) for k in range(rows)]
    under = [problem.add_variable(numbered("under", k), 0) for k in range(rows)]
    problem.setObjective(pulp.lpSum(over) + pulp.lpSum(under))
    for k in range(rows):
        w = rng.integers(0, 100, n).tolist()
        left = pulp.lpSum(a * v for a, v in zip(w, x, strict=True)) + over[k] - under[k]
        problem.addConstraint(left == sum(w) // 2, numbered("row", k))
    return problem, x


@pytest.mark.parametrize("sense", [pulp.LpMinimize, pulp.LpMaximize])
def test_solve__proven_optimum_equals_enumeration(sense: int) -> None:
    problem, x = knapsack(10, 4, 3, sense)
    report = solve(problem)
    values = []
    rows = problem.constraints()
    for code in range(2**10):
        point = {v: (code >> i) & 1 for i, v in enumerate(x)}
        sums = [sum(a * point[v] for v, a in row.items()) + row.constant for row in rows]
        if all(
            s <= 0 if row.sense == pulp.LpConstraintLE else s >= 0 for s, row in zip(sums, rows, strict=True)
        ):
            values.append(sum(a * point[v] for v, a in problem.objective.items()) + 7)
    best = max(values) if sense == pulp.LpMaximize else min(values)
    assert report.status is SolveStatus.PROVEN
    assert report.proven
    assert report.objective == pytest.approx(best)
    assert report.bound == pytest.approx(best)
    assert report.gap == pytest.approx(0.0)
    counts = read_counts(x, report)
    assert counts.dtype == np.int64
    assert sum(int(c) * problem.objective[v] for c, v in zip(counts, x, strict=True)) + 7 == pytest.approx(
        best
    )
    assert dict(report.solver_versions).keys() == {"pulp", "highspy"}


def test_solve__time_limit_is_not_called_proven() -> None:
    problem, _ = market_split(40, 5, 1)
    report = solve(problem, time_limit=0.4)
    assert report.status is SolveStatus.TIME_LIMIT
    assert report.has_solution
    assert not report.proven
    assert report.bound is not None
    assert report.objective is not None
    assert report.bound <= report.objective
    assert report.gap is None or report.gap > 0
    assert problem.status != pulp.LpStatusOptimal


def test_solve__time_limit_without_solution_leaves_no_values() -> None:
    problem, x = market_split(40, 5, 1)
    report = solve(problem, time_limit=0.0)
    assert report.status is SolveStatus.TIME_LIMIT
    assert not report.has_solution
    assert report.objective is None
    with pytest.raises(NoSolutionError, match="found status 'time limit' without a solution"):
        read_counts(x, report)


def test_solve__time_limit_below_zero_is_refused() -> None:
    with pytest.raises(ModelError, match=r"found -1\. Expected seconds"):
        solve(knapsack(4, 1, 1)[0], time_limit=-1)
    with pytest.raises(ModelError, match="found nan"):
        solve(knapsack(4, 1, 1)[0], time_limit=float("nan"))


def test_solve__node_limit_is_an_answer() -> None:
    problem, _ = market_split(40, 5, 1)
    report = solve(problem, node_limit=5, time_limit=20)
    assert report.status is SolveStatus.OTHER_LIMIT
    assert not report.proven


def test_solve__stops_when_the_bound_is_enough() -> None:
    full = solve(knapsack(35, 15, 3, pulp.LpMinimize)[0])
    assert full.objective is not None
    early = solve(knapsack(35, 15, 3, pulp.LpMinimize)[0], enough_bound=0.9 * full.objective)
    assert early.status is SolveStatus.OTHER_LIMIT
    assert early.bound is not None
    assert 0.9 * full.objective <= early.bound <= full.objective + 1e-6
    early = solve(knapsack(35, 15, 3)[0], enough_bound=1e9)
    assert early.status is SolveStatus.OTHER_LIMIT
    assert early.nodes <= solve(knapsack(35, 15, 3)[0]).nodes


def test_session__later_linear_runs_get_their_own_time() -> None:
    rng = np.random.default_rng(3)
    problem = pulp.LpProblem("cover", pulp.LpMinimize)
    x = [problem.add_variable(numbered("x", i), 0, 1) for i in range(300)]
    problem.setObjective(pulp.lpSum(float(c) * v for c, v in zip(rng.random(300), x, strict=True)))
    for k in range(200):
        chosen = rng.choice(300, 20, replace=False)
        problem.addConstraint(pulp.lpSum(float(rng.random()) * x[i] for i in chosen) >= 2, numbered("row", k))
    session = Session(problem)
    first = session.solve()
    session.add_rows([pulp.lpSum(x) >= 200])
    # a limit that the clock of the first run has used up already must not end the second run
    second = session.solve(time_limit=30.0)
    assert first.proven
    assert second.proven
    assert session._door._highs.getOptionValue("time_limit")[1] > 30.0


def test_solve__infeasible_leaves_no_values() -> None:
    problem = pulp.LpProblem("none", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 1, cat=pulp.LpInteger)
    problem.setObjective(a + 0.0)
    problem.addConstraint(a >= 2, "too_much")
    report = solve(problem)
    assert report.status is SolveStatus.INFEASIBLE
    assert report.no_plan_exists
    assert not report.has_solution
    assert report.objective is None
    assert report.bound is None
    assert report.gap is None
    assert a.varValue is None
    with pytest.raises(NoSolutionError, match="found status 'infeasible'"):
        read_values([a], report)


@pytest.mark.parametrize("cat", [pulp.LpInteger, pulp.LpContinuous])
def test_solve__unbounded_is_told_from_infeasible(cat: str) -> None:
    problem = pulp.LpProblem("open", pulp.LpMaximize)
    a = problem.add_variable(numbered("a", 0), 0, None, cat=cat)
    problem.setObjective(a + 0.0)
    problem.addConstraint(a >= 2, "floor")
    report = solve(problem)
    assert report.status is SolveStatus.UNBOUNDED
    assert not report.has_solution
    assert report.objective is None
    assert a.varValue is None


def test_solve__values_of_an_earlier_solution_do_not_survive_an_infeasible_run() -> None:
    problem = pulp.LpProblem("later", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 5)
    problem.setObjective(a + 0.0)
    problem.addConstraint(a >= 2, "floor")
    session = Session(problem)
    assert session.solve().objective == pytest.approx(2)
    assert a.varValue == pytest.approx(2)
    session.add_rows([a <= 1])
    assert session.solve().status is SolveStatus.INFEASIBLE
    assert a.varValue is None


def test_solve__no_objective_means_any_solution() -> None:
    problem = pulp.LpProblem("any", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 5, cat=pulp.LpInteger)
    problem.addConstraint(a >= 2, "floor")
    report = solve(problem)
    assert report.has_solution
    assert read_counts([a], report)[0] >= 2


def test_solve__objective_constant_counts() -> None:
    problem = pulp.LpProblem("constant", pulp.LpMaximize)
    a = problem.add_variable(numbered("a", 0), 0, 5)
    problem.setObjective(2 * a + 100)
    problem.addConstraint(a <= 4, "top")
    assert solve(problem).objective == pytest.approx(108)


def test_solve__duplicate_names_are_refused() -> None:
    problem = pulp.LpProblem("names", pulp.LpMinimize)
    a = problem.add_variable("x_F-1", 0, 1)
    b = problem.add_variable("x_F_1", 0, 1)
    problem.setObjective(a + b)
    with pytest.raises(ModelError, match="'x_F_1': found 2 variables with this name"):
        solve(problem)


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_solve__odd_coefficients_name_the_variable(bad: float) -> None:
    problem = pulp.LpProblem("nan", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 1)
    b = problem.add_variable(numbered("b", 7), 0, 1)
    problem.setObjective(pulp.LpAffineExpression([(a, 1.0), (b, bad)]))
    problem.addConstraint(a + b >= 1, "row")
    with pytest.raises(ModelError, match="objective, variable 'b_000007': found the coefficient"):
        solve(problem)
    problem = pulp.LpProblem("nan", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 1)
    b = problem.add_variable(numbered("b", 7), 0, 1)
    problem.setObjective(a + b)
    problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression([(a, 1.0), (b, bad)]), 1, rhs=1.0), "row")
    with pytest.raises(ModelError, match="a row, variable 'b_000007': found the coefficient"):
        solve(problem)


def test_solve__odd_bounds_and_sides_are_refused() -> None:
    problem = pulp.LpProblem("nan", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 3), 0, 1)
    a.upBound = float("nan")
    problem.setObjective(a + 0.0)
    with pytest.raises(ModelError, match="'a_000003': found a limit that is not a number"):
        solve(problem)
    problem = pulp.LpProblem("nan", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 3), 0, 1)
    problem.setObjective(a + 0.0)
    row = a >= 1
    row.constant = float("nan")
    problem.addConstraint(row, "odd")
    with pytest.raises(ModelError, match="row 'odd': found a right-hand side that is not a number"):
        solve(problem)


def test_session__plain_true_is_not_a_row() -> None:
    session = Session(knapsack(4, 1, 1)[0])
    with pytest.raises(TypeError, match="LpConstraint"):
        session.add_rows([True])


def test_session__appended_rows_equal_a_fresh_build() -> None:
    rng = np.random.default_rng(5)
    for trial in range(10):
        problem, x = knapsack(12, 3, trial)
        session = Session(problem)
        session.solve()
        weights = rng.integers(1, 20, (4, 12)).tolist()
        rows = [pulp.lpSum(a * v for a, v in zip(w, x, strict=True)) <= sum(w) // 4 for w in weights]
        session.add_rows(rows[:2])
        session.solve()
        session.add_rows(rows[2:])
        continued = session.solve()
        fresh = solve(problem)
        assert continued.objective == pytest.approx(fresh.objective)


def test_session__relax_then_integer() -> None:
    problem, x = knapsack(15, 5, 2)
    session = Session(problem)
    session.set_integer(x, False)
    relaxed = session.solve()
    session.set_integer(x, True)
    whole = session.solve()
    assert relaxed.objective is not None
    assert whole.objective is not None
    assert relaxed.objective > whole.objective
    assert relaxed.nodes == 0
    assert whole.objective == pytest.approx(solve(knapsack(15, 5, 2)[0]).objective)


def test_session__new_bounds_are_used() -> None:
    problem = pulp.LpProblem("bounds", pulp.LpMaximize)
    a = problem.add_variable(numbered("a", 0), 0, 5)
    b = problem.add_variable(numbered("b", 0), 0, 5)
    problem.setObjective(a + 2 * b)
    problem.addConstraint(a + b <= 8, "row")
    session = Session(problem)
    assert session.solve().objective == pytest.approx(13)
    session.set_bounds([b], np.array([0.0]), np.array([1.0]))
    assert session.solve().objective == pytest.approx(7)
    session.set_bounds([b], np.array([0.0]), np.array([np.inf]))
    assert session.solve().objective == pytest.approx(16)


def test_session__row_with_an_unknown_variable_is_refused() -> None:
    problem, x = knapsack(4, 1, 1)
    session = Session(problem)
    session.solve()
    stranger = problem.add_variable(numbered("y", 0), 0, 1)
    session.add_rows([x[0] + stranger <= 1])
    with pytest.raises(ModelError, match="'y_000000', which is not in the loaded model"):
        session.solve()


def test_solve__warm_start_is_used() -> None:
    problem, x = knapsack(35, 15, 3)
    best = solve(problem)
    counts = read_counts(x, best)
    seen: list[Progress] = []
    problem, x = knapsack(35, 15, 3)
    report = solve(problem, start={v: float(c) for v, c in zip(x, counts, strict=True)}, progress=seen.append)
    assert report.objective == pytest.approx(best.objective)
    assert seen[0].best == pytest.approx(best.objective)


def test_solve__progress_bounds_close_in() -> None:
    seen: list[Progress] = []
    report = solve(knapsack(35, 15, 3)[0], progress=seen.append)
    assert seen
    assert report.bound is not None
    for before, after in itertools.pairwise(seen):
        assert after.seconds >= before.seconds
    assert all(p.bound is None or p.bound >= report.bound - 1e-6 for p in seen)


def test_solve__error_in_the_progress_handler_is_raised() -> None:
    def handler(_: Progress) -> None:
        raise RuntimeError("screen is gone")

    with pytest.raises(RuntimeError, match="screen is gone"):
        solve(knapsack(35, 15, 3)[0], progress=handler)


def test_solve__cancel_stops_a_search() -> None:
    cancel = threading.Event()
    timer = threading.Timer(0.3, cancel.set)
    timer.start()
    report = solve(market_split(40, 5, 1)[0], cancel=cancel, time_limit=60)
    timer.join()
    assert report.status is SolveStatus.STOPPED
    assert not report.proven


def test_solve__cancel_before_the_start_stops_a_linear_model() -> None:
    rng = np.random.default_rng(3)
    problem = pulp.LpProblem("cover", pulp.LpMinimize)
    x = [problem.add_variable(numbered("x", i), 0, 1) for i in range(600)]
    problem.setObjective(pulp.lpSum(float(c) * v for c, v in zip(rng.random(600), x, strict=True)))
    for k in range(400):
        chosen = rng.choice(600, 40, replace=False)
        problem.addConstraint(pulp.lpSum(float(rng.random()) * x[i] for i in chosen) >= 4, numbered("row", k))
    cancel = threading.Event()
    cancel.set()
    assert solve(problem, cancel=cancel).status is SolveStatus.STOPPED


def test_solve__callbacks_of_one_run_do_not_stay_for_the_next() -> None:
    problem, _ = knapsack(35, 15, 3)
    session = Session(problem)
    seen: list[Progress] = []
    session.solve(progress=seen.append)
    before = len(seen)
    session.solve()
    assert len(seen) == before


def test_solve__the_number_of_threads_stays_the_same() -> None:
    for seed in range(3):
        problem, _ = knapsack(12, 4, seed)
        session = Session(problem)
        assert session.solve().proven
        assert session._door._highs.getOptionValue("threads")[1] == solver.THREADS


def test_solve__refuses_when_another_thread_count_was_used() -> None:
    code = (
        "import sys; sys.path.insert(0, '.')\n"
        "import pulp\nfrom planner.optimise import highs_door, solver\n"
        "def go():\n"
        "    p = pulp.LpProblem('k', pulp.LpMaximize)\n"
        "    x = [p.add_variable(solver.numbered('x', i), 0, 1, cat='Integer') for i in range(9)]\n"
        "    p.setObjective(pulp.lpSum(x)); p.addConstraint(pulp.lpSum(x) <= 3.5, 'row')\n"
        "    return solver.solve(p)\n"
        "go(); highs_door.THREADS = 2\n"
        "try:\n    print('ran', go().status)\n"
        "except solver.SolverError as error:\n    print('refused', error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("refused solver: found no answer")


def test_solve__writes_nothing_on_standard_output() -> None:
    """At the level of the file descriptor: some versions of the solver print from C++."""
    code = (
        "import sys; sys.path.insert(0, '.')\n"
        "import pulp\nfrom planner.optimise import solver\n"
        "p = pulp.LpProblem('k', pulp.LpMaximize)\n"
        "x = [p.add_variable(solver.numbered('x', i), 0, 1, cat='Integer') for i in range(9)]\n"
        "p.setObjective(pulp.lpSum(x)); p.addConstraint(pulp.lpSum(x) <= 3.5, 'row')\n"
        "assert solver.solve(p).objective == 3\n"
        "q = pulp.LpProblem('none', pulp.LpMinimize)\n"
        "a = q.add_variable('a', 0, 1); q.setObjective(a + 0.0); q.addConstraint(a >= 2, 'row')\n"
        "assert solver.solve(q).status == 'infeasible'\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert done.stdout == b""
    saved = os.dup(1)
    with tempfile.TemporaryFile() as captured:
        os.dup2(captured.fileno(), 1)
        try:
            solve(knapsack(12, 4, 1)[0])
        finally:
            os.dup2(saved, 1)
            os.close(saved)
        captured.seek(0)
        assert captured.read() == b""


def test_solve__same_model_gives_same_values() -> None:
    answers = []
    for _ in range(2):
        problem, x = knapsack(25, 8, 4)
        report = solve(problem, relative_gap=0.02)
        answers.append(read_counts(x, report).tolist())
    assert answers[0] == answers[1]


def test_read_counts__refuses_fractions() -> None:
    problem = pulp.LpProblem("half", pulp.LpMaximize)
    a = problem.add_variable(numbered("a", 0), 0, 5)
    problem.setObjective(a + 0.0)
    problem.addConstraint(2 * a <= 5, "row")
    report = solve(problem)
    with pytest.raises(SolverError, match=r"'a_000000': found .*2\.5.*Expected a whole number"):
        read_counts([a], report)


def test_read_values__refuses_a_variable_outside_the_model() -> None:
    problem, _ = knapsack(4, 1, 1)
    stranger = problem.add_variable(numbered("y", 0), 0, 1)
    report = solve(problem)
    with pytest.raises(NoSolutionError, match="variable 'y_000000': found no value"):
        read_values([stranger], report)


def test_read_values__has_no_negative_zero() -> None:
    problem = pulp.LpProblem("zero", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 5)
    problem.setObjective(a + 0.0)
    report = solve(problem)
    a.varValue = -0.0
    assert not np.signbit(read_values([a], report)[0])


def test_solve__linear_model_gives_duals_to_pulp() -> None:
    problem = pulp.LpProblem("dual", pulp.LpMinimize)
    a = problem.add_variable(numbered("a", 0), 0, 4)
    b = problem.add_variable(numbered("b", 0), 0)
    problem.setObjective(a + b)
    problem.addConstraint(a + 2 * b >= 6, "need")
    report = solve(problem)
    assert report.objective == pytest.approx(3)
    assert problem.get_constraint_by_name("need").pi == pytest.approx(0.5)


def test_report__as_plain_values() -> None:
    report = solve(knapsack(6, 2, 1)[0])
    plain = report.as_dict()
    assert plain["status"] == "proven"
    assert plain["has_solution"] is True
    assert set(plain) == set(SolveReport.__slots__)


@pytest.mark.parametrize(
    ("value", "bound", "expected"),
    [
        (None, 1.0, None),
        (1.0, None, None),
        (0.0, 0.0, 0.0),
        (0.0, -1.0, None),
        (2.0, 1.5, 0.25),
        (-2.0, -2.5, 0.25),
    ],
)
def test_relative_gap(value: float | None, bound: float | None, expected: float | None) -> None:
    assert relative_gap(value, bound) == expected
