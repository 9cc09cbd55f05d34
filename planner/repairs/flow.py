"""Flow at each sleeve's place, and how it could be controlled while the sleeve cures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import FLOWS, LATERALS, PACKERS, PROCESS, SLEEVES
from planner.contracts.facts import Tables
from planner.contracts.repairs import FLOW_STATES
from planner.distinct import places_in
from planner.ground.flow import hold_back_s
from planner.ground.packers import carried_m
from planner.ground.process import durations
from planner.ground.sewer import make_graph
from planner.ground.temperatures import temperatures
from planner.repairs.flow_of import flows_of
from planner.repairs.flow_why import Town, why_lines
from planner.repairs.hold_back import Upstream, room_above
from planner.settings import Flow
from planner.tables import check, conform

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class _Held:
    """Seconds a plug can stand, and why that is not known; one for each sleeve."""

    seconds: npt.NDArray[np.float64]
    depth_m: npt.NDArray[np.float64]
    why: list[str]


def find_flows(tables: Tables, settings: Flow, wall_c: float | None) -> pd.DataFrame:
    """Reckon the dry-weather flow at each sleeve and propose a control of it.

    Up to ``depth_most_pct`` of the height none is needed; else a packer that fits and
    lets flow through takes it, up to ``through_flow_most_pct``; else a plug, if the room
    upstream lasts longer than cure and finish; else a bypass. The greatest peak counts.
    Where flow or depth is not known, the state says so and a bypass is assumed. What is
    proposed changes no work and no plan.

    Parameters
    ----------
    tables
        Of it: pipes, nodes, addresses, laterals, sleeves, systems, process, packers, conditions.
    settings
        Section ``[flow]``.
    wall_c
        Coldest pipe wall [degC] where the conditions state none; None = not stated.

    Returns
    -------
    flows
        Obeys `FLOWS`; one row for each sleeve.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    sleeves = check(tables["sleeves"], SLEEVES)
    check(tables["laterals"], LATERALS), check(tables["process"], PROCESS)
    graph = make_graph(tables["pipes"], tables["nodes"])
    flows = flows_of(tables, graph, settings)
    at = places_in(sleeves["pipe_id"], flows["pipe_id"])
    rows = flows.iloc[at].reset_index(drop=True)
    rows["sleeve_id"] = sleeves["sleeve_id"].to_numpy()
    upstream = Upstream.of(graph, flows, tables["pipes"], tables["nodes"], tables["laterals"])
    nodes = tables["pipes"]["us_node"].take(at).tolist()
    held = _held(rows, nodes, upstream, settings)
    rows["hold_back_s"], rows["held_m"], rows["held_why"] = held.seconds, held.depth_m, held.why
    cold_c = temperatures(tables.get("conditions"), wall_c).cold_c
    rows["needed_s"] = _needed(sleeves, tables["process"], cold_c)
    rows["control"] = _control(rows, _through(sleeves, rows, tables), settings)
    rows["state"] = np.where(rows["unknown"] == "", FLOW_STATES[0], FLOW_STATES[1])
    rows["standing"] = np.where(
        (rows["guessed"] == 0) & (rows["addresses"] > 0), "practice", "assumed"
    )
    rows["why"] = why_lines(rows, _town(tables, flows), settings)
    return conform(_columns(rows), FLOWS)


def _columns(rows: pd.DataFrame) -> pd.DataFrame:
    names = {
        "persons": "population",
        "addresses": "addresses_count",
        "slope": "slope_ratio",
        "low_l_s": "peak_l_s_low",
        "high_l_s": "peak_l_s_high",
    }
    # The pipe itself is in the sums of `flows_of`.
    upstream_m = (rows["length_m"] - rows["own_m"]).clip(lower=0.0)
    count = (rows["pipes_count"] - 1.0).astype("Int64")
    out = rows.drop(columns=["pipes_count", "length_m"]).rename(columns=names)
    return out.assign(
        pipes_count=count,
        upstream_m=upstream_m,
        addresses_count=out["addresses_count"].astype("Int64"),
        depth_pct_low=rows["low_depth"] * 100.0,
        depth_pct_high=rows["high_depth"] * 100.0,
    )


def _control(rows: pd.DataFrame, through: Flags, settings: Flow) -> npt.NDArray[np.object_]:
    known = (rows["unknown"] == "").to_numpy(dtype=bool)
    depth_pct = rows["high_depth"].to_numpy(dtype=float) * 100.0
    holds = (rows["hold_back_s"] > rows["needed_s"]).to_numpy(dtype=bool)
    cases = [
        ~known,
        depth_pct <= settings.depth_most_pct,
        through & (depth_pct <= settings.through_flow_most_pct),
        holds,
    ]
    said = ["bypass", "none", "through_flow", "plug"]
    return np.select(cases, said, default="bypass").astype(object)


def _held(rows: pd.DataFrame, nodes: list[str], upstream: Upstream, settings: Flow) -> _Held:
    """Find the room above a plug at each sleeve's pipe, once for each pipe."""
    pipes = dict(zip(rows["pipe_id"].astype(str), nodes, strict=True))
    known = set(rows.loc[rows["unknown"] == "", "pipe_id"])
    rooms = {
        pipe: room_above(pipe, node, upstream, settings)
        for pipe, node in sorted(pipes.items())
        if pipe in known
    }
    found = [rooms.get(pipe) for pipe in rows["pipe_id"]]
    room = np.array([np.nan if one is None else one.storage_m3 for one in found], dtype=float)
    depth = np.array([np.nan if one is None else one.depth_m for one in found], dtype=float)
    why = ["" if one is None else one.why for one in found]
    return _Held(hold_back_s(room, rows["high_l_s"]), depth, why)


def _needed(
    sleeves: pd.DataFrame, process: pd.DataFrame, cold_c: float | None
) -> npt.NDArray[np.float64]:
    """Give the time from cure to finish [s] of each; NaN where the table does not say."""
    kinds = list(zip(sleeves["system"], sleeves["dn_mm"], sleeves["length_m"], strict=True))
    seconds = {}
    for system, dn, length in sorted(set(kinds)):
        shut_s = durations(process, str(system), float(dn), cold_c, float(length)).shut_s
        seconds[system, dn, length] = np.nan if shut_s is None else shut_s
    return np.array([seconds[kind] for kind in kinds], dtype=float)


def _through(sleeves: pd.DataFrame, rows: pd.DataFrame, tables: Tables) -> Flags:
    """Tell for which sleeves a packer that lets flow through fits and reaches the place."""
    packers = check(tables["packers"], PACKERS)
    packers = packers[packers["through_flow"].fillna(False).astype(bool)]  # noqa: FBT003
    cure_of = dict(zip(tables["systems"]["system"], tables["systems"]["cure"], strict=True))
    cures = sleeves["system"].map(cure_of).fillna("").to_numpy(dtype=object)
    end_m = rows["own_m"].to_numpy(dtype=float) - sleeves["from_m"].to_numpy(dtype=float)
    reach = np.fmin(sleeves["to_m"].to_numpy(dtype=float), end_m)
    dn, length = sleeves["dn_mm"].to_numpy(dtype=float), sleeves["length_m"].to_numpy(dtype=float)
    fits = np.zeros(len(sleeves), dtype=bool)
    by_cure = {cure: carried_m(packers, cure) for cure in sorted(set(cures))}
    for at, one in enumerate(packers.itertuples(index=False)):
        carried = np.array([by_cure[cure][at] for cure in cures], dtype=float)
        fits |= (
            (dn >= one.dn_from_mm)
            & (dn <= one.dn_to_mm)
            & (length <= carried)
            & (reach <= one.reach_m)
            & (carried > 0)
        )
    return fits


def _town(tables: Tables, flows: pd.DataFrame) -> Town:
    """Count the addresses that no sum holds, and name the pipes with houses of their own."""
    traced = flows.loc[flows["pipes_count"].notna(), "pipe_id"]
    on = tables["addresses"]["pipe_id"]
    return Town(len(on), int((~on.isin(traced)).sum()), frozenset(on))
