"""The sentence behind a flow: persons, litres, factor, leaks, slope, roughness, what is unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from planner.ground.flow import HARMON_FROM_PERSONS
from planner.settings import Flow

Row = Any  # a row as `itertuples` gives it


@dataclass(frozen=True)
class Town:
    """Addresses read, those of them on no pipe that the network joins, pipes that have some."""

    addresses: int
    lost: int
    own: frozenset[str]


def why_lines(rows: pd.DataFrame, town: Town, settings: Flow) -> list[str]:
    """Say for each sleeve what its flow and control rest on.

    Parameters
    ----------
    rows
        Figures of `planner.repairs.flow_of.flows_of`, one row for each sleeve, with
        control, hold_back_s, held_m, held_why, needed_s.
    town
        What the addresses hold as a whole.
    settings
        The assumptions.
    """
    return [_why(row, town, settings) for row in rows.itertuples(index=False)]


def _why(row: Row, town: Town, settings: Flow) -> str:
    if not town.addresses:
        return "flow not known: there are no addresses, so nobody is counted"
    parts = [] if np.isnan(row.high_l_s) else _flow(row, settings)
    if row.unknown:
        what = "flow" if np.isnan(row.high_l_s) else "depth"
        parts.append(f"{what} not known: {row.unknown}")
    else:
        parts += [_depth(row, settings), _chosen(row, town, settings)]
    if row.loops_count > 0:
        where = "it lies in a loop" if row.in_loop else "there is a loop upstream"
        parts.append(f"{where}: each pipe round it counted once")
    if town.lost:
        parts.append(f"{town.lost} addresses of the town hang on no pipe that is joined: left out")
    return "; ".join(parts)


def _flow(row: Row, settings: Flow) -> list[str]:
    each = ""
    if row.guessed > 0:
        each = f", {settings.persons_per_address:g} persons taken for each of {row.guessed:.0f}"
    people = (
        f"{row.persons:g} persons on {row.addresses:.0f} addresses{each},"
        f" {settings.litres_per_person_day:g} l a day each,"
        f" {settings.return_ratio * 100.0:g} % returned"
    )
    one = f"peak factor {row.low_factor:.2f}"
    both = f"{one} to {row.high_factor:.2f} (Harmon, Babbitt)"
    factor = f"{one} (Harmon)" if row.persons < HARMON_FROM_PERSONS else both
    if row.persons < HARMON_FROM_PERSONS:
        factor += f", below the {HARMON_FROM_PERSONS:g} persons from which it is said to hold"
    leaks = (
        f"at most {settings.infiltration_l_s_per_km:g} l/s per km leaking in"
        f" over {row.length_m / 1000.0:.2f} km"
    )
    total = f"so {row.low_l_s:.2f} to {row.high_l_s:.2f} l/s in dry weather"
    return [people, factor, leaks, total]


def _depth(row: Row, settings: Flow) -> str:
    floor = f", judged on no less than {settings.least_flow_l_s:g} l/s" if row.floor else ""
    return (
        f"round, {row.diameter_m * 1000.0:g} mm, slope {row.slope * 100.0:.2f} % by its inverts,"
        f" Manning n {settings.manning_low_n:g} to {settings.manning_high_n:g}:"
        f" {row.low_depth * 100.0:.0f} to {row.high_depth * 100.0:.0f} % deep"
        f" against {settings.depth_most_pct:g} %{floor}"
    )


def _chosen(row: Row, town: Town, settings: Flow) -> str:
    if row.control == "none":
        return "no control needed"
    if row.control == "through_flow":
        most = settings.through_flow_most_pct
        return f"a packer lets it through, taken to do so up to {most:g} %"
    needed = "cure and finish not known"
    if not np.isnan(row.needed_s):
        needed = f"cure and finish take {row.needed_s / 60.0:.0f} min"
    if np.isnan(row.hold_back_s):
        return f"bypass: how long a plug holds is not known ({row.held_why or 'no flow'}), {needed}"
    holds = f"a plug holds {row.hold_back_s / 60.0:.0f} min, {row.held_m:.2f} m deep, {needed}"
    if row.control == "bypass":
        return f"bypass: {holds}"
    own = "; houses on the pipe itself must not let water off" if row.pipe_id in town.own else ""
    return f"{holds}{own}"
