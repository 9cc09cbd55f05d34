"""Which pipes to mend under a sum of money, in which year, and how near that is to the best."""

from __future__ import annotations

import difflib
import math
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import BUDGET, BUDGET_BOUND, CHOICES, OPTIONS, PIPES, VERDICTS
from planner.contracts.facts import Tables
from planner.contracts.repairs import WAYS
from planner.errors import SettingsError
from planner.ground.money import money
from planner.repairs.budget_kernel import NOTHING, Taken, Ways
from planner.repairs.budget_limits import Limits, take_under
from planner.repairs.budget_risk import risk_of
from planner.repairs.budget_solver import Wholes
from planner.settings import AreaMoney, Budget
from planner.tables import check, conform


def plan_budget(tables: Tables, settings: Budget) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Choose the pipes to mend so that the risk removed within the sum is greatest.

    A pipe whose choice is proposed may be mended by any option that is possible and has a
    cost; one whose choice is accepted, by that alone. A pipe that is held or refused keeps
    its risk. Nothing else in the plan changes by it.

    Parameters
    ----------
    tables
        Of it: pipes, nodes, verdicts, options, choices.
    settings
        Money, limits, and the figures of risk.

    Returns
    -------
    budget
        Obeys `BUDGET`: a row for each pipe with a choice; none where no sum is set.
    bound
        Obeys `BUDGET_BOUND`: one row.

    Raises
    ------
    SettingsError
        If a limit is for an area in which no pipe lies.
    TableError
        If a table breaks its contract.
    """
    for table in (PIPES, VERDICTS, OPTIONS, CHOICES):
        check(tables[table.name], table)
    total = settings.sum_cents or sum(settings.yearly_cents)
    if not total:
        unset = {"sum_cents": 0, "spent_cents": 0, "risk": 0.0, "risk_removed": 0.0,
                 "risk_bound": 0.0, "gap_ratio": 0.0, "reproducible": True,
                 "why": "no sum is set: [budget] sum_cents"}  # fmt: skip
        return conform([], BUDGET), conform([unset], BUDGET_BOUND)
    choices = tables["choices"].sort_values("pipe_id", ignore_index=True)
    risks = risk_of(tables, choices["pipe_id"], settings)
    rows = _ways(choices, tables["options"], settings)
    at = rows["at"].to_numpy(dtype=np.int64)
    share = rows["removes"].to_numpy(float)
    ways = Ways(
        len(choices),
        at,
        rows["cost_cents"].to_numpy(dtype=np.int64),
        risks["risk"].to_numpy(float)[at] * share,
    )
    limits = _limits(tables, choices, total, settings)
    taken = take_under(ways, limits, gap_ratio=settings.gap_ratio, time_s=settings.time_limit_s)
    budget = _budget(choices, rows, risks, taken, settings)
    return budget, _bound(total, taken, float(risks["risk"].sum()), settings)


def _ways(choices: pd.DataFrame, options: pd.DataFrame, settings: Budget) -> pd.DataFrame:
    """List what may be done: columns at (row of the choice), method, cost_cents, removes."""
    rank = {method: at for at, method in enumerate(WAYS)}
    own = choices[["pipe_id", "state", "method"]].rename(columns={"method": "chosen"})
    both = options.merge(own.assign(at=np.arange(len(own))), on="pipe_id")
    free = both["state"] == "proposed"
    settled = both["state"].isin(["accepted", "changed"]) & (both["method"] == both["chosen"])
    may = both["possible"].to_numpy(bool) & both["cost_cents"].notna() & (free | settled)
    rows = both.loc[may, ["at", "method", "cost_cents"]]
    # What ends in a liner removes what a liner does, whatever came first.
    removes = {
        method: getattr(settings, f"{'liner' if 'liner' in method else method}_removes_ratio")
        for method in rank
    }
    rows = rows.assign(removes=rows["method"].map(removes), rank=rows["method"].map(rank))
    return rows.sort_values(["at", "rank"], kind="stable", ignore_index=True)


def _limits(tables: Tables, choices: pd.DataFrame, total: int, settings: Budget) -> Limits:
    pipes = tables["pipes"].set_index("pipe_id")
    names = sorted(settings.areas)
    known = sorted(set(pipes["area"]) - {""})
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
            hint = f"; did you mean {near[0]}?" if near else ""
            message = f"budget.areas: no pipe lies in area {name!r}{hint}"
            raise SettingsError(message)
    place = {name: at for at, name in enumerate(names)}
    area = pipes["area"].reindex(choices["pipe_id"]).map(place).fillna(NOTHING)
    bounds = [settings.areas[name] for name in names]
    return Limits(
        sum_cents=total,
        year_cents=tuple(settings.yearly_cents),
        late_ratio=settings.late_ratio,
        area=np.asarray(area, dtype=np.int64),
        area_least=tuple(one.at_least_cents for one in bounds),
        area_most=tuple(_most(one, total) for one in bounds),
        street=_streets(tables, choices, settings),
    )


def _most(bounds: AreaMoney, total: int) -> int:
    return total if bounds.at_most_cents is None else bounds.at_most_cents


def _streets(tables: Tables, choices: pd.DataFrame, settings: Budget) -> Wholes:
    """Give each pipe a number of its street: its upper node's, else its lower's; -1 = none."""
    if not settings.whole_streets:
        return np.full(len(choices), NOTHING, dtype=np.int64)
    pipes = tables["pipes"].set_index("pipe_id").reindex(choices["pipe_id"])
    names = tables["nodes"].set_index("node_id")["street"]
    upper, lower = (pipes[end].map(names).fillna("").astype(str) for end in ("us_node", "ds_node"))
    codes, _ = pd.factorize(upper.where(upper != "", lower).replace("", None), sort=True)
    return np.asarray(codes, dtype=np.int64)


def _budget(
    choices: pd.DataFrame,
    rows: pd.DataFrame,
    risks: pd.DataFrame,
    taken: Taken,
    settings: Budget,
) -> pd.DataFrame:
    having = set(rows["at"])
    methods, costs = rows["method"].tolist(), rows["cost_cents"].tolist()
    shares = rows["removes"].tolist()
    found: list[dict[str, Any]] = []
    for at, (pipe_id, state, reason, wanted) in enumerate(
        choices[["pipe_id", "state", "reason", "method"]].itertuples(index=False)
    ):
        way, year, risk = int(taken.way[at]), int(taken.year[at]), float(risks["risk"].iloc[at])
        row = {"pipe_id": pipe_id, "year": year, "method": "", "cost_cents": 0, "risk": risk}
        if way == NOTHING:
            said = _left(state, reason, wanted, has_way=at in having, taken=taken)
            found.append({**row, "risk_removed": 0.0, "why": f"{said}; {risks['why'].iloc[at]}"})
            continue
        late = settings.late_ratio ** (year - 1)
        said = f"{methods[way]} in year {year} for {money(int(costs[way]))} removes {shares[way]:g}"
        said += f" x {late:.3g} for the year of it" if year > 1 else " of it"
        row |= {"method": methods[way], "cost_cents": int(costs[way])}
        removed = risk * shares[way] * late
        found.append({**row, "risk_removed": removed, "why": f"{said}; {risks['why'].iloc[at]}"})
    return conform(found, BUDGET)


def _left(state: str, reason: str, wanted: str, *, has_way: bool, taken: Taken) -> str:
    """Say why a pipe is not within the sum."""
    if state in ("held", "refused"):
        return f"not asked for: {state}, {reason}"
    if wanted not in WAYS:
        return f"nothing to mend on it ({wanted})"
    if not has_way:
        return "no way to mend it that has a cost"
    if taken.state == "impossible":
        return "no choice keeps all limits"
    return "not within the sum: the money removes more risk elsewhere"


def _bound(total: int, taken: Taken, risk: float, settings: Budget) -> pd.DataFrame:
    stopped = taken.state == "stopped"
    if taken.state == "impossible":
        why = "no choice keeps all limits: nothing is taken"
    else:
        why = f"within {percent(taken.gap_ratio)} % of the best possible"
        why += f"; stopped after {settings.time_limit_s:g} s: not reproducible" if stopped else ""
    row = {
        "sum_cents": total,
        "spent_cents": taken.spent_cents,
        "risk": risk,
        "risk_removed": taken.risk,
        "risk_bound": taken.bound,
        "gap_ratio": taken.gap_ratio,
        "reproducible": not stopped,
        "why": why,
    }
    return conform([row], BUDGET_BOUND)


def percent(ratio: float) -> str:
    """Print a gap in percent, rounded up, so that it is never told too small.

    >>> percent(3.02e-7), percent(0.0125), percent(0.0)
    ('0.000031', '1.25', '0')
    """
    text = f"{math.ceil(ratio * 1e8 - 1e-6) / 1e6:.6f}"
    return text.rstrip("0").rstrip(".")
