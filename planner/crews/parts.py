"""A part of a board on its own: some stops, some crew-days; and its routes put back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.crews.board import Board


def part_of(board: Board, stops: Sequence[int], days: Sequence[int]) -> Board:
    """Give a board of some stops and days alone, by position, without routes."""
    return Board(
        [board.stops[n] for n in stops],
        [board.days[d] for d in days],
        board.able[np.ix_(list(days), list(stops))],
        board.roads,
        board.shelf,
        board.ties.only(stops),
        board.overtime_cost_s,
    )


def part_start(
    start: Mapping[int, Sequence[int]], stops: Sequence[int], days: Sequence[int]
) -> dict[int, list[int]]:
    """Give routes to begin with by the positions of a part; what is not in it is left out."""
    at, day_at = ({one: n for n, one in enumerate(own)} for own in (stops, days))
    return {
        day_at[day]: [at[n] for n in order if n in at]
        for day, order in start.items()
        if day in day_at
    }


def put_back(board: Board, part: Board, stops: Sequence[int], days: Sequence[int]) -> None:
    """Write the routes of a part to the board that it was taken from."""
    board.routes |= {days[d]: [stops[n] for n in order] for d, order in part.routes.items()}
    board.floors |= {stops[n]: floor_s for n, floor_s in part.floors.items()}
    board.ceilings |= {stops[n]: ceiling_s for n, ceiling_s in part.ceilings.items()}
