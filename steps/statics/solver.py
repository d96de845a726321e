"""One linear programme through HiGHS."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from steps.model import Array
from steps.progress import tick

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
#: Presolve gains nothing where there is an answer for sure (measured on the demo tug's pieces: 0.38 s with it
#: off, 0.68 s with it on, for 45 programmes of 600 to 3,800 columns); where there may be none it finds that.
_FEASIBLE: tuple[dict[str, Any], ...] = ({"simplex_scale_strategy": 4, "presolve": "off"},)
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


#: A row or limit may be passed by this much: the loosest tolerance above, doubled for the unscaling.
MET = 2e-5


@dataclass(frozen=True, eq=False)
class Answer:
    """``value`` is the least cost, ``solution`` (columns,) where, ``price`` (rows,) the cost of one more of
    each row's right side, the rows of ``equal`` first."""

    value: float
    solution: Array
    price: Array


def solve(cost: Array, unequal: Any, most: Array, equal: Any, right: Array, limits: Array) -> Array | None:
    """Least ``cost @ x`` with ``unequal @ x <= most``, ``equal @ x = right`` and ``limits`` (n, 2); None
    when no x will do.

    Where no way of solving gives an answer the result is None too: what cannot be shown to balance is
    taken to fall, which costs a held hand or a glued joint and never safety.
    """
    rows = (np.concatenate([right, np.full(len(most), -np.inf)]), np.concatenate([right, most]))
    found = solve_priced(cost, sparse.vstack([equal, unequal]), *rows, limits)
    return None if found is None else found.solution


def solve_priced(
    cost: Array, matrix: Any, row_low: Array, row_high: Array, limits: Array, feasible: bool = False
) -> Answer | None:
    """Least ``cost @ x`` with ``row_low <= matrix @ x <= row_high`` and ``limits`` (n, 2), with the rows'
    prices; None as for :func:`solve`. ``feasible`` programmes have an answer for sure."""
    problem = _problem(cost, matrix.tocsc(), row_low, row_high, limits)
    brief = {"simplex_iteration_limit": ITERATIONS_PER_LINE * (problem.num_col_ + problem.num_row_)}
    simplex = tuple({**manner, **brief} for manner in (*_FEASIBLE[: int(feasible)], *_SIMPLEX))
    large = len(cost) > INTERIOR_ABOVE
    for manner in (*_INTERIOR, *simplex, *_LAST) if large else (*simplex, *_INTERIOR, *_LAST):
        status, answer = _run(problem, manner)
        if status not in _ANSWERED:
            continue
        if not _ANSWERED[status]:
            return None
        if _is_met(answer.solution, matrix, row_low, row_high, limits):
            return answer
    return None


def _is_met(x: Array, matrix: Any, row_low: Array, row_high: Array, limits: Array) -> bool:
    """Whether a solution is one. The solver has called one optimal that left rows of order one unmet by ten
    (a lift of the demo tug at 1x, with presolve), so none is believed unseen."""
    rows = matrix @ x
    worst = max(
        (row_low - rows).max(initial=0.0),
        (rows - row_high).max(initial=0.0),
        (limits[:, 0] - x).max(initial=0.0),
        (x - limits[:, 1]).max(initial=0.0),
    )
    return bool(worst <= MET)


def _problem(cost: Array, matrix: Any, row_low: Array, row_high: Array, limits: Array) -> highspy.HighsLp:
    matrix.data[np.abs(matrix.data) < NOTHING] = 0.0
    matrix.eliminate_zeros()
    problem = highspy.HighsLp()
    problem.num_col_, problem.num_row_ = matrix.shape[1], matrix.shape[0]
    problem.col_cost_ = np.asarray(cost, dtype=float)
    problem.col_lower_, problem.col_upper_ = limits[:, 0].copy(), limits[:, 1].copy()
    problem.row_lower_, problem.row_upper_ = row_low, row_high
    problem.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    problem.a_matrix_.start_ = matrix.indptr
    problem.a_matrix_.index_ = matrix.indices
    problem.a_matrix_.value_ = matrix.data
    return problem


def _run(problem: highspy.HighsLp, manner: Mapping[str, Any]) -> tuple[highspy.HighsModelStatus, Answer]:
    # the class without callbacks, because setting those up prints a banner
    solver = highspy._Highs()  # type: ignore[attr-defined]
    for name, value in {"output_flag": False, "threads": 1, **manner}.items():
        solver.setOptionValue(name, value)
    solver.passModel(problem)
    tick()
    solver.run()
    found = solver.getSolution()
    value = float(solver.getInfo().objective_function_value)
    return solver.getModelStatus(), Answer(value, np.array(found.col_value), np.array(found.row_dual))
