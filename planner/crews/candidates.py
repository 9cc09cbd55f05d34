"""The list of a week: what is worth most for its hours, as much of it as crews could ever do."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from planner.crews.board import Board
from planner.settings import Week


def pick_candidates(board: Board, promised: Collection[str], week: Week) -> list[int]:
    """Pick the stops that the search for routes looks at.

    Stops are taken by value (urgency and age) for each hour on site until each crew that can
    do them has `candidates_ratio` of its hours on the list. What must come before a stop comes
    with it, and counts with it. What is promised is always taken.

    Parameters
    ----------
    board
        All stops that some crew can do on some day.
    promised
        Set-ups of which a date is promised.
    week
        The ratio, the time to park.

    Returns
    -------
    picked
        Positions of stops, rising.
    """
    load = _Load.of(board, week)
    chains = {n: [*board.ties.chain(n), n] for n in range(len(board.stops))}
    ends = [n for n in chains if not board.ties.later[n]]
    picked: set[int] = set()
    told = {n for n in ends if any(board.stops[one].setup_id in promised for one in chains[n])}

    def rank(n: int) -> tuple[bool, float, str]:
        value_s = sum(board.stops[one].value_s for one in chains[n])
        hours = sum(load.time_s(one) for one in chains[n])
        return n not in told, -value_s / max(hours, 1), board.stops[n].setup_id

    for n in sorted(ends, key=rank):
        new = [one for one in chains[n] if one not in picked]
        if n in told or all(load.has_room(one) for one in new):
            picked.update(new)
            load.add(new)
    return sorted(picked)


@dataclass
class _Load:
    """Hours on the list by crew, against the hours that the crew plans."""

    board: Board
    week: Week
    crews: Sequence[str]
    most_s: Sequence[float]
    able: npt.NDArray[np.bool_]
    listed_s: list[float] = field(init=False)

    def __post_init__(self) -> None:
        self.listed_s = [0.0] * len(self.crews)

    @classmethod
    def of(cls, board: Board, week: Week) -> _Load:
        """Sum up the hours of each crew, and say which stop it can do on some day."""
        crews = sorted({day.crew for day in board.days})
        days = [[d for d, day in enumerate(board.days) if day.crew == crew] for crew in crews]
        most = [float(sum(board.days[d].most_s for d in own)) for own in days]
        able = np.array([board.able[own].any(axis=0) for own in days])
        return cls(board, week, crews, most, able.reshape(len(crews), len(board.stops)))

    def time_s(self, stop: int) -> int:
        """Give the time that a stop takes, but for the drive [s]."""
        return self.board.stops[stop].work_s + self.week.manoeuvre_s

    def has_room(self, stop: int) -> bool:
        """Say whether a crew that can do a stop has less on the list than it may have."""
        ratio = self.week.candidates_ratio
        return any(self.listed_s[c] < ratio * self.most_s[c] for c in self._crews(stop))

    def add(self, stops: Sequence[int]) -> None:
        """Count stops, each with the crew that has least on the list for its hours."""
        for stop in stops:
            own = self._crews(stop)
            if own:
                crew = min(own, key=lambda c: (self.listed_s[c] / max(self.most_s[c], 1.0), c))
                self.listed_s[crew] += self.time_s(stop)

    def _crews(self, stop: int) -> list[int]:
        return [int(c) for c in np.flatnonzero(self.able[:, stop])]
