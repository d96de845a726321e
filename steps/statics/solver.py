"""One linear programme through HiGHS."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from steps.model import Array

#: Entries this small are rounding of directions that lie across an axis; left in, they cost the simplex its
#: footing (a programme of 10,600 columns took 11.5 s with them and presolve, 0.2 s without either).
NOTHING = 1e-10

_ANSWERED = {
    highspy.HighsModelStatus.kOptimal: True,
    highspy.HighsModelStatus.kInfeasible: False,
    highspy.HighsModelStatus.kUnboundedOrInfeasible: False,
}

#: The simplex has done after so many iterations per row and column, or it cycles (a healthy one takes less
#: than one; a cycling one of 600 columns took 13 s before it gave up).
ITERATIONS_PER_LINE = 1
#: Ways to solve, tried in turn until one answers. These programmes are degenerate; scaling by powers of
#: two keeps the simplex on its feet (measured on the demo tug, 3,000 to 11,000 columns: 0.03-0.4 s, and
#: 0.02 s where no balance is possible, against 0.04-11 s without). Very large ones go the other way round.
_SIMPLEX: tuple[dict[str, Any], ...] = (
    {"simplex_scale_strategy": 4},
    {"simplex_scale_strategy": 0, "presolve": "off"},
    {},
)
_INTERIOR: tuple[dict[str, Any], ...] = (
    {"solver": "ipm", "run_crossover": "off"},
    {"solver": "ipm", "run_crossover": "on"},
)
#: What is left to try: looser tolerances (loads are scaled, so 1e-5 of the greatest load), primal simplex.
_LOOSE = {"primal_feasibility_tolerance": 1e-5, "dual_feasibility_tolerance": 1e-5}
_LAST: tuple[dict[str, Any], ...] = (
    {"simplex_strategy": 4, "presolve": "off", "simplex_iteration_limit": 20_000, **_LOOSE},
    {"simplex_scale_strategy": 4, "simplex_iteration_limit": 20_000, **_LOOSE},
)
#: Columns from which the interior point method is tried first (measured: 25,000 columns 2.3 s against
#: 7.3 s by simplex). No crossover: any balance will do.
INTERIOR_ABOVE = 16_000


def solve(cost: Array, unequal: Any, most: Array, equal: Any, right: Array, limits: Array) -> Array | None:
    """Least ``cost @ x`` with ``unequal @ x <= most``, ``equal @ x = right`` and ``limits`` (n, 2); None
    when no x will do.

    Where no way of solving gives an answer the result is None too: what cannot be shown to balance is
    taken to fall, which costs a held hand or a glued joint and never safety.
    """
    problem = _problem(cost, unequal, most, equal, right, limits)
    brief = {"simplex_iteration_limit": ITERATIONS_PER_LINE * (problem.num_col_ + problem.num_row_)}
    simplex = tuple({**manner, **brief} for manner in _SIMPLEX)
    large = len(cost) > INTERIOR_ABOVE
    for manner in (*_INTERIOR, *simplex, *_LAST) if large else (*simplex, *_INTERIOR, *_LAST):
        status, solution = _run(problem, manner)
        if status in _ANSWERED:
            return solution if _ANSWERED[status] else None
    return None


def _problem(
    cost: Array, unequal: Any, most: Array, equal: Any, right: Array, limits: Array
) -> highspy.HighsLp:
    matrix = sparse.vstack([equal, unequal]).tocsc()
    matrix.data[np.abs(matrix.data) < NOTHING] = 0.0
    matrix.eliminate_zeros()
    problem = highspy.HighsLp()
    problem.num_col_, problem.num_row_ = matrix.shape[1], matrix.shape[0]
    problem.col_cost_ = np.asarray(cost, dtype=float)
    problem.col_lower_, problem.col_upper_ = limits[:, 0].copy(), limits[:, 1].copy()
    problem.row_lower_ = np.concatenate([right, np.full(len(most), -np.inf)])
    problem.row_upper_ = np.concatenate([right, most])
    problem.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    problem.a_matrix_.start_ = matrix.indptr
    problem.a_matrix_.index_ = matrix.indices
    problem.a_matrix_.value_ = matrix.data
    return problem


def _run(problem: highspy.HighsLp, manner: Mapping[str, Any]) -> tuple[highspy.HighsModelStatus, Array]:
    # the class without callbacks, because setting those up prints a banner
    solver = highspy._Highs()  # type: ignore[attr-defined]
    for name, value in {"output_flag": False, "threads": 1, **manner}.items():
        solver.setOptionValue(name, value)
    solver.passModel(problem)
    solver.run()
    return solver.getModelStatus(), np.array(solver.getSolution().col_value)
