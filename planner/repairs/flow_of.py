"""Dry-weather flow of every pipe at once: persons upstream, peak, depth, and what is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import ADDRESSES, NODES, PIPES
from planner.contracts.facts import Tables
from planner.distinct import numbers_at, places_in
from planner.ground.flow import average_flow_l_s, infiltration_by_length_l_s, peak_factors
from planner.ground.hydraulics import depth_ratio_of, full_flow_m3_s, manning_full_m_s
from planner.ground.upstream import sum_upstream
from planner.settings import Flow
from planner.tables import check

if TYPE_CHECKING:
    from planner.ground.sewer import SewerGraph

Numbers = npt.NDArray[np.float64]
Texts = npt.NDArray[np.str_]


def flows_of(tables: Tables, graph: SewerGraph, settings: Flow) -> pd.DataFrame:
    """Reckon the flow of every pipe.

    Parameters
    ----------
    tables
        Of it: pipes, nodes, addresses.
    graph
        Of these pipes, as made by `planner.ground.sewer.make_graph`.
    settings
        Persons, litres, factors, roughness.

    Returns
    -------
    flows
        A row for each pipe, in the order of `PIPES`: persons, addresses, guessed
        (addresses that state no persons), pipes_count and length_m with the pipe itself,
        loops_count, in_loop; low_l_s, high_l_s, floor (the depth is that of
        ``least_flow_l_s``); diameter_m, own_m, slope, us_invert_m, ds_invert_m;
        low_depth, high_depth (share of the height, 1 = full); and ``unknown``, why the
        flow or its depth is not known, ``""`` if it is. Unknown figures are NaN.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    pipes, addresses = check(tables["pipes"], PIPES), check(tables["addresses"], ADDRESSES)
    check(tables["nodes"], NODES)
    out = pd.DataFrame({"pipe_id": pipes["pipe_id"]})
    out["own_m"] = pipes["length_m"].fillna(pipes["stated_m"]).fillna(pipes["drawn_m"])
    sums = sum_upstream(graph, _own(out, addresses, settings))
    at = places_in(out["pipe_id"], sums.index.to_series())
    for name in ("persons", "addresses", "guessed", "length_m", "pipes_count", "loops_count"):
        out[name] = numbers_at(sums[name], at)
    out["unmeasured"] = numbers_at(sums["unmeasured"], at)
    out["in_loop"] = numbers_at(sums["in_loop"], at) == 1.0
    out["us_invert_m"], out["ds_invert_m"] = pipes["us_invert_m"], pipes["ds_invert_m"]
    flow_why = _flow_unknown(out, pipes)
    figures = ["persons", "length_m"]
    out.loc[flow_why != "", figures] = np.nan
    _add_peaks(out, settings)
    depth_why = _add_depths(out, pipes, settings)
    out["unknown"] = pd.array(np.where(flow_why != "", flow_why, depth_why), dtype="str")
    return out


def _own(pipes: pd.DataFrame, addresses: pd.DataFrame, settings: Flow) -> pd.DataFrame:
    """Give persons, addresses and length that each pipe has of its own."""
    stated = addresses["population"]
    persons = stated.fillna(settings.persons_per_address)
    on = addresses["pipe_id"]
    ids = pd.Index(pipes["pipe_id"])
    length_m = pipes["own_m"].to_numpy(dtype=float)
    return pd.DataFrame(
        {
            "persons": persons.groupby(on).sum().reindex(ids, fill_value=0.0),
            "addresses": on.groupby(on).size().reindex(ids, fill_value=0),
            "guessed": stated.isna().groupby(on).sum().reindex(ids, fill_value=0),
            "length_m": np.nan_to_num(length_m),
            "unmeasured": np.isnan(length_m).astype(float),
        },
        index=ids,
    )


def _flow_unknown(out: pd.DataFrame, pipes: pd.DataFrame) -> Texts:
    """Say why the flow of a pipe is not known; no address upstream never means no flow."""
    cases = [
        (out["pipes_count"].isna(), "it names no node at one end: what lies upstream is unknown"),
        (pipes["use"] == "storm", "it takes storm water, which persons do not tell"),
        (out["addresses"] == 0, "no address hangs on it or on a pipe upstream"),
        (out["unmeasured"] > 0, "it or a pipe upstream has no length"),
    ]
    conditions = [case.to_numpy(dtype=bool) for case, _ in cases]
    return np.select(conditions, [np.array(why) for _, why in cases], default=np.array(""))


def _add_peaks(out: pd.DataFrame, settings: Flow) -> None:
    """Add the least and the greatest dry-weather peak [l/s]."""
    persons = out["persons"].to_numpy(dtype=float)
    average = average_flow_l_s(persons, settings.litres_per_person_day, settings.return_ratio)
    low, high = peak_factors(persons, settings.peak_least_ratio)
    leaks = infiltration_by_length_l_s(out["length_m"], settings.infiltration_l_s_per_km)
    out["low_factor"], out["high_factor"] = low, high
    out["low_l_s"], out["high_l_s"] = average * low, average * high + leaks
    out["floor"] = out["high_l_s"] < settings.least_flow_l_s


def _add_depths(out: pd.DataFrame, pipes: pd.DataFrame, settings: Flow) -> Texts:
    """Add depths by Manning; say why one is not known.

    Only the pipe's own inverts give its slope: that of a manhole may lie below the
    pipe's end, which would make the slope too steep and the depth too small.
    """
    inside = pipes["inside_mm"].fillna(pipes["dn_mm"]).to_numpy(dtype=float)
    round_ = (pipes["shape"] == "circular").to_numpy(dtype=bool) & (inside > 0.0)
    wide = np.where(round_, inside, np.nan) / 1000.0
    fall = (out["us_invert_m"] - out["ds_invert_m"]).to_numpy(dtype=float)
    own = out["own_m"].to_numpy(dtype=float)
    slope = fall / np.where(own > 0.0, own, np.nan)
    out["diameter_m"], out["slope"] = wide, slope
    most = out["high_l_s"].to_numpy(dtype=float)
    most = np.maximum(most, settings.least_flow_l_s)
    for name, flow, rough in (
        ("low_depth", out["low_l_s"].to_numpy(dtype=float), settings.manning_low_n),
        ("high_depth", most, settings.manning_high_n),
    ):
        full = full_flow_m3_s(wide, manning_full_m_s(wide, slope, rough))
        depth = depth_ratio_of(flow / 1000.0 / full)
        # More than the pipe carries: it stands full.
        out[name] = np.where(np.isnan(depth) & ~np.isnan(flow / full), 1.0, depth)
    cases = [
        (~round_, "it is not known to be round, or its size is not known"),
        (np.isnan(own) | ~(own > 0.0), "its length is not known"),
        (np.isnan(fall), "its inverts are not known"),
        (slope <= 0.0, "it lies level or rises by its inverts"),
    ]
    whys = [np.array(text) for _, text in cases]
    return np.select([case for case, _ in cases], whys, default=np.array(""))
