"""Why each set-up that some crew could do has no place this week, with its rank by value."""

from __future__ import annotations

from collections.abc import Collection

from planner.contracts.crews import RANKED
from planner.crews.board import Board


def why_left(board: Board, candidates: Collection[int]) -> dict[str, str]:
    """Say of each stop without a place why, by setup_id.

    Parameters
    ----------
    board
        The week as it was dealt, over all stops that some crew can do on some day.
    candidates
        Positions of the stops that the search looked at.
    """
    served, listed = set(board.served), set(candidates)
    left = [n for n in range(len(board.stops)) if n not in served]
    order = sorted(left, key=lambda n: (-board.stops[n].value_s, board.stops[n].setup_id))
    found = {}
    for rank, n in enumerate(order, start=1):
        told = f"{RANKED}{rank} of {len(order)} left by value"
        if n in listed:
            why = board.why_left(n, told)
        else:
            why = f"not this week: what is worth more for its hours fills the list{told}"
        found[board.stops[n].setup_id] = why
    return found
