"""What every desk is given: the project in memory, the week, long work, the templates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from planner.collecting import hold_still
from planner.review.jobs import Jobs
from planner.review.live import Live
from planner.review.pages import Pages
from planner.review.week_now import Weeks


@dataclass(frozen=True)
class Room:
    """One server's things, which all desks share.

    `ahead` is what desks would have made when somebody first looks; see `make_ready`.
    """

    live: Live
    weeks: Weeks
    jobs: Jobs
    pages: Pages
    ahead: list[Callable[[], object]] = field(default_factory=list)

    def make_ready(self) -> None:
        """Make what is slow in a large town before the first person looks."""
        for make in self.ahead:
            make()
        hold_still()
