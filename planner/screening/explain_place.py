"""How a coded row came to its place, written out: s, L, x, extent, doubts; flow at a sleeve."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import Tables

Row = Any  # a row as `itertuples` gives it: its columns are those of the contract

# Positions are printed to the centimetre; what rounds to nothing is not told [m].
_PRINTED_M = 0.005


def place_lines(defect: Row, tables: Tables) -> list[str]:
    """Write out the arithmetic of one placed row.

    Parameters
    ----------
    defect
        A row of `DEFECTS`.
    tables
        Of it: pipes and observations.
    """
    frame = tables["pipes"]
    pipes = frame[frame["pipe_id"] == defect.pipe_id].drop(columns="geometry", errors="ignore")
    if pipes.empty:
        return [f"pipe {defect.pipe_id} is not in the network"]
    return lines_on(next(pipes.itertuples(index=False)), defect, tables)


def lines_on(pipe: Row, defect: Row, tables: Tables) -> list[str]:
    """Write out the arithmetic of one row placed on a pipe.

    Parameters
    ----------
    pipe, defect
        Rows of `PIPES` and of `DEFECTS`, as `itertuples` gives them.
    tables
        Of it: observations; without them the end of a stretch is not told.
    """
    lines = [length_line(pipe), _counter(defect, pipe, tables), _extent(defect)]
    lines.append(_doubt(defect, pipe))
    drawn = _on_drawing(defect, pipe)
    lines += [drawn] if drawn else []
    return lines + ([f"doubtful: {defect.flags}"] if defect.flags else [])


def length_line(pipe: Row) -> str:
    """Say how long the pipe's own axis is, and where that comes from."""
    known = f"{pipe.length_m:.2f} m" if not np.isnan(pipe.length_m) else "not known"
    parts = [
        f"{name} {value:.2f} m"
        for name, value in (("stated", pipe.stated_m), ("drawn", pipe.drawn_m))
        if not np.isnan(value)
    ]
    beside = f" ({', '.join(parts)})" if parts else ""
    return f"length L = {known} from {pipe.length_from or 'nothing yet'}{beside}"


def _counter(defect: Row, pipe: Row, tables: Tables) -> str:
    """Write x = s or x = L - s, and what it was set to where a correction came on top."""
    readings = [defect.s_m, *_closing(defect, tables)]
    upwards = defect.counter_node == pipe.ds_node and defect.counter_node != pipe.us_node
    if upwards:
        sums = [f"{pipe.length_m:.2f} - {s:.2f} = {pipe.length_m - s:.2f}" for s in readings]
        plain = sorted(pipe.length_m - s for s in readings)
        rule = "L - s"
    else:
        sums, plain, rule = [f"{s:.2f}" for s in readings], sorted(readings), "s"
    line = f"counter from node {defect.counter_node}: x = {rule} = {', '.join(sums)} m"
    found = (defect.x_from_m, defect.x_to_m)
    if max(abs(found[0] - plain[0]), abs(found[1] - plain[-1])) > _PRINTED_M:
        line += (
            f"; corrected to {found[0]:.2f} to {found[1]:.2f} m (zero of the counter, or an end)"
        )
    return line


def _closing(defect: Row, tables: Tables) -> list[float]:
    if not defect.close_id or "observations" not in tables:
        return []
    frame = tables["observations"]
    return [float(s) for s in frame.loc[frame["observation_id"] == defect.close_id, "s_m"]]


def _extent(defect: Row) -> str:
    why = {
        "coded": "as coded",
        "quantity": f"lengthened by its figure {defect.q1}",
        "assumed": "lengthened by the assumed extent of a point",
    }[defect.extent_from]
    return f"extent {defect.from_m:.2f} to {defect.to_m:.2f} m, {defect.kind}, {why}"


def _doubt(defect: Row, pipe: Row) -> str:
    line = f"to be found again within {defect.find_m:.2f} m of the counter"
    doubt = pipe.length_doubt_m
    if defect.counter_node == pipe.ds_node and not pd.isna(doubt) and doubt > _PRINTED_M:
        line += f", {doubt:.2f} m of it because L is in doubt"
    return line


def _on_drawing(defect: Row, pipe: Row) -> str:
    if np.isnan(pipe.drawn_m) or np.isnan(pipe.length_m) or pipe.length_m <= 0:
        return ""
    on_map = defect.x_from_m * pipe.drawn_m / pipe.length_m
    return (
        f"on the drawing: x * drawn / L = {defect.x_from_m:.2f} * {pipe.drawn_m:.2f}"
        f" / {pipe.length_m:.2f} = {on_map:.2f} m"
    )


def flow_lines(sleeve_id: str, tables: Tables) -> list[str]:
    """Say what flows at a sleeve in dry weather, and what that rests on.

    Parameters
    ----------
    sleeve_id
        Of a sleeve.
    tables
        Of it: flows; without it nothing is said.
    """
    if "flows" not in tables:
        return []
    frame = tables["flows"]
    lines = []
    for row in frame[frame["sleeve_id"] == sleeve_id].itertuples(index=False):
        flow = _between(row.peak_l_s_low, row.peak_l_s_high, "l/s", 2)
        deep = _between(row.depth_pct_low, row.depth_pct_high, "% deep", 0)
        lines += [
            f"flow control: {row.control} ({row.state}); {flow}, {deep}",
            f"because: {row.why} ({row.standing})",
        ]
    return lines


def _between(low: Any, high: Any, unit: str, digits: int) -> str:  # noqa: ANN401 - a cell
    if np.isnan(low) or np.isnan(high):
        return f"not known {unit}" if np.isnan(high) else f"up to {high:.{digits}f} {unit}"
    return f"{low:.{digits}f} to {high:.{digits}f} {unit}"
