"""A mixed-integer programme of yes-or-no columns, given as arrays, solved by HiGHS."""

from __future__ import annotations

from dataclasses import dataclass

import highspy
import numpy as np
import numpy.typing as npt

Reals = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]

WORK = 5_000_000
"""Branches times columns searched at most: unlike a clock, it stops at the same place always."""
_TIGHT = 1e-9


@dataclass(frozen=True)
class Model:
    """Minimise ``cost @ x`` with each x 0 or 1 (or between, where `real`), rows within bounds.

    `row`, `column` and `entry` give the entries of the matrix, each place once.
    """

    cost: Reals
    real: npt.NDArray[np.bool_]
    upper: Reals
    row_low: Reals
    row_high: Reals
    row: Wholes
    column: Wholes
    entry: Reals


@dataclass(frozen=True)
class Solved:
    """What came out: `x` (None without a solution), a bound below every solution's cost.

    `state` is best, stopped (by the clock), cut (by the count of branches) or impossible.
    """

    x: Reals | None
    bound: float
    state: str


def solve(
    model: Model, *, time_s: float, gap_ratio: float = 0.0, gap: float = 0.0,
    start: Reals | None = None,
) -> Solved:  # fmt: skip
    """Solve a model on one thread.

    Parameters
    ----------
    model
        The model.
    time_s
        Clock time after which the search stops [s].
    gap_ratio, gap
        The search ends once the best found is proven this near, by ratio or by amount.
    start
        A solution to start from.

    Returns
    -------
    solved
        The same for the same arguments, unless its state is stopped.
    """
    # The class above this one in highspy prints a banner that no option holds back.
    highs = highspy._core._Highs()
    options = {
        "output_flag": False,
        "threads": 1,
        "random_seed": 0,
        "time_limit": max(time_s, 0.01),
        "mip_max_nodes": max(WORK // max(len(model.cost), 1), 100),
        "mip_rel_gap": gap_ratio,
        "mip_abs_gap": gap,
        "mip_feasibility_tolerance": _TIGHT,
        "primal_feasibility_tolerance": _TIGHT,
        "dual_feasibility_tolerance": _TIGHT,
    }
    for name, value in options.items():
        highs.setOptionValue(name, value)
    highs.passModel(_as_lp(model))
    if start is not None:
        first = highspy.HighsSolution()
        first.col_value = start.tolist()
        highs.setSolution(first)
    highs.run()
    status, info = highs.getModelStatus(), highs.getInfo()
    words = highspy.HighsModelStatus
    if status in (words.kInfeasible, words.kUnboundedOrInfeasible):
        return Solved(None, np.inf, "impossible")
    found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    x = np.asarray(highs.getSolution().col_value) if found else None
    state = {words.kOptimal: "best", words.kTimeLimit: "stopped"}.get(status, "cut")
    bound = float(info.mip_dual_bound)
    return Solved(x, bound if np.isfinite(bound) else -np.inf, state)


def _as_lp(model: Model) -> highspy.HighsLp:
    """Turn the arrays into what HiGHS takes, column by column."""
    order = np.lexsort((model.row, model.column))
    counts = np.bincount(model.column, minlength=len(model.cost))
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(model.cost), len(model.row_low)
    lp.col_cost_ = model.cost
    lp.col_lower_, lp.col_upper_ = np.zeros(len(model.cost)), model.upper
    lp.row_lower_, lp.row_upper_ = model.row_low, model.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
    lp.a_matrix_.index_ = model.row[order].astype(np.int32)
    lp.a_matrix_.value_ = model.entry[order]
    kinds = (highspy.HighsVarType.kInteger, highspy.HighsVarType.kContinuous)
    lp.integrality_ = [kinds[int(real)] for real in model.real]
    return lp
