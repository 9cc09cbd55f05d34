"""What every desk is given: the project in memory, the week, long work, the templates."""

from __future__ import annotations

from dataclasses import dataclass

from planner.review.jobs import Jobs
from planner.review.live import Live
from planner.review.pages import Pages
from planner.review.week_now import Weeks


@dataclass(frozen=True)
class Room:
    """One server's things, which all desks share."""

    live: Live
    weeks: Weeks
    jobs: Jobs
    pages: Pages
