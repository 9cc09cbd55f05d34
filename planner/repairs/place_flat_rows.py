"""Rows of `SLEEVES` of pipes placed at once, column by column; see `place_fit.row_of`."""

from __future__ import annotations

from typing import Any

import numpy as np

from planner.repairs.catalogue import Offers
from planner.repairs.place_figures_kernel import (
    ALLOWANCE,
    AT_WALLS,
    BARE_COST,
    COVERED,
    EDGE,
    OVERLAP_DS,
    OVERLAP_US,
    figures_flat,
)
from planner.repairs.place_fit import END, cents_of
from planner.repairs.place_flat import FlatPipes, Pipe
from planner.repairs.place_rows import Rows, sleeved_ratio
from planner.repairs.zones import Line, Offer, Spot
from planner.settings import load_settings


def rows_flat(flat: FlatPipes) -> Rows:
    """Give the rows of the sleeves that were chosen, with all that hangs on them."""
    laid, at = flat.laid, flat.sleeves_at
    chosen = [case for case in flat.chosen if case >= 0]
    if not chosen:
        return Rows()
    cases = [case for case in chosen for _ in range(at[case], at[case + 1])]
    which = np.array([one for case in chosen for one in range(at[case], at[case + 1])], np.int64)
    found = figures_flat(flat.flat, laid, np.array(cases, np.int64), which)
    served = _groups(laid.served_at[which], laid.served_at[which + 1], laid.served)
    covered = _groups(found.covered_at[:-1], found.covered_at[1:], found.covered)
    names, counters = flat.spots.span_ids, flat.spots.counter_nodes
    columns = _columns(flat, cases, laid.metres[which], [counters[some[0]] for some in served])
    offers = [flat.cases[case].offer for case in cases]
    lengths = (laid.metres[which, 1] - laid.metres[which, 0]).tolist()
    return Rows(
        [flat.pipes[flat.cases[case].pipe].number for case in cases],
        columns | _figures(found.metres) | _money(offers, lengths, found.wholes),
        [[names[one] for one in some] for some in served],
        [[flat.taps[one].lateral_id for one in some] for some in covered],
        _totals(flat, chosen),
    )


def warm_up() -> None:
    """Compile the kernels without laps, or load them from disk, so that no pipe pays for it."""
    spot = Spot("", 4.0, 4.1, 0.1, True, True, False, 4.0, 4.1, "")  # noqa: FBT003 - as listed
    line = Line("", "", 10.0, 200.0, 0.0, 10.0, (spot,), ())
    offer = Offer("", (1.0,), (100,), True, 0, True, 0.0, False, 6.0, 3)  # noqa: FBT003
    pipes = [Pipe(0, line, Offers((offer,), ()), {})]
    flat = FlatPipes(pipes, load_settings({}).sleeving)
    flat.left()
    rows_flat(flat)


def _groups(first: np.ndarray, last: np.ndarray, numbers: np.ndarray) -> list[list[int]]:
    """Give the numbers of each group, which lie from `first` to `last`."""
    flat: list[int] = numbers.tolist()
    return [flat[a:b] for a, b in zip(first.tolist(), last.tolist(), strict=True)]


def _columns(
    flat: FlatPipes, cases: list[int], metres: np.ndarray, counters: list[str]
) -> dict[str, Any]:
    """Give what follows from the pipe, the system and the place of each sleeve."""
    lines = [flat.pipes[flat.cases[case].pipe].line for case in cases]
    offers = [flat.cases[case].offer for case in cases]
    starts, ends = metres.T.tolist()
    length_m = np.array([line.length_m for line in lines])
    from_us = np.array([a == line.us_node for a, line in zip(counters, lines, strict=True)])
    known_from = np.array([line.known_from_m for line in lines])
    known_to = np.array([line.known_to_m for line in lines])
    unknown = ~((known_from <= metres[:, 0]) & (metres[:, 1] <= known_to))
    at_us, at_ds = metres[:, 0] == 0.0, metres[:, 1] == length_m
    nothing = [None] * len(cases)
    return {
        "pipe_id": [line.pipe_id for line in lines],
        "from_m": starts,
        "to_m": ends,
        "length_m": [round(end - start, 3) for start, end in zip(starts, ends, strict=True)],
        "lap_us_m": nothing,
        "lap_ds_m": nothing,
        "end": [END[both] for both in zip(at_us.tolist(), at_ds.tolist(), strict=True)],
        "dn_mm": [line.dn_mm for line in lines],
        "system": [offer.system for offer in offers],
        "wall_mm": [offer.wall_mm for offer in offers],
        "plies": [offer.plies for offer in offers],
        "counter_node": counters,
        "counter_m": np.where(from_us, metres[:, 0], length_m - metres[:, 1]).tolist(),
        "bend_deg": nothing,
        "laterals_unknown": unknown.tolist(),
        "placed_by": [""] * len(cases),
    }


def _figures(metres: np.ndarray) -> dict[str, Any]:
    """Give what the kernel found in metres."""
    return {
        "allowance_m": [round(one, 6) for one in metres[ALLOWANCE].tolist()],
        "overlap_us_m": metres[OVERLAP_US].tolist(),
        "overlap_ds_m": metres[OVERLAP_DS].tolist(),
        "lateral_edge_m": metres[EDGE].tolist(),
    }


def _money(offers: list[Offer], lengths: list[float], wholes: np.ndarray) -> dict[str, Any]:
    """Give what each sleeve costs, and what of that is for doubt."""
    covered, at_walls, bare = (wholes[at].tolist() for at in (COVERED, AT_WALLS, BARE_COST))
    rows = zip(offers, lengths, covered, at_walls, strict=True)
    cents = [cents_of(offer, length, many, walls) for offer, length, many, walls in rows]
    allowance = [
        None if cost is None else max(0, cost - less) if less >= 0 else 0
        for cost, less in zip(cents, bare, strict=True)
    ]
    return {"laterals_count": covered, "cost_cents": cents, "allowance_cents": allowance}


def _totals(flat: FlatPipes, chosen: list[int]) -> list[tuple[int, str, int, float]]:
    """Count the sleeves of each pipe, and their share of it."""
    totals, metres = [], flat.laid.metres[: flat.sleeves_at[-1]].tolist()
    for case in chosen:
        pipe = flat.pipes[flat.cases[case].pipe]
        sleeves = metres[flat.sleeves_at[case] : flat.sleeves_at[case + 1]]
        ratio = sleeved_ratio({(start, end) for start, end in sleeves}, pipe.line.length_m)
        totals.append((pipe.number, pipe.line.pipe_id, len(sleeves), ratio))
    return totals
