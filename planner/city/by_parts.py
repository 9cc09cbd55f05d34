"""The engineer's half for `plan` of a large project: in parts, and only those that changed.

What comes of it is what `propose.propose` gives for the project in one piece; nothing is
written but the working files in ``.city``.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from planner.city.filing import in_one_line, read_frame
from planner.city.gather import all_parts, central_tables
from planner.city.pool import Pool, Say
from planner.city.run import HOME, Job, alone, known_after, propose_parts, sweep
from planner.city.split import split_town
from planner.city.work import LOST
from planner.contracts import DECISIONS
from planner.ground.ids import LOST_COLUMNS, KnownIds
from planner.inputs.inputs import Inputs
from planner.propose import Proposed, propose
from planner.repairs.accept import accept_choices
from planner.rule_spans import READ, Tables, book_of
from planner.tables import empty


class ByParts:
    """Goes the engineer's half part by part where a project has many pipes, else in one piece."""

    def __init__(
        self, pool: Callable[[], Pool], most: int | None = None, say: Say = lambda _: None
    ) -> None:
        """Start nothing yet.

        Parameters
        ----------
        pool
            Gives who does the parts.
        most
            Pipes of one part at most; None = as `parts.most_of` has it.
        say
            Hears how far it is.
        """
        self._pool, self._most, self._say = pool, most, say

    def __call__(
        self, inputs: Inputs, known: KnownIds, decisions: pd.DataFrame, *, assume_accepted: bool
    ) -> Proposed:
        """Go from coded rows to one choice for each pipe, as `propose.propose` does.

        Raises
        ------
        PlannerError
            As for `city.run.run_city`.
        """
        if len(inputs.pipes) < inputs.settings.city.parts_from_count:
            return propose(inputs, known, decisions, assume_accepted=assume_accepted)
        place = inputs.folder.resolve() / HOME
        with self._pool() as pool, in_one_line(place), alone(place) as home:
            town = split_town(inputs, known, decisions, self._most)
            job = Job(home, inputs, town, pool, self._say)
            central = central_tables(inputs, job.town, propose_parts(job, known))
            folders = [place / "tables" for place in job.folders]
            own = all_parts(folders, central, inputs.pipes.crs)
            tables: Tables = {**{name: getattr(inputs, name) for name in READ}, **own}
            lost = pd.concat([read_frame(place / LOST) for place in folders], ignore_index=True)
            after = known_after(job, known)
            sweep(job, finished=False)
        if assume_accepted:
            # What people decided is in the choices already; this is about all the others.
            nobody = empty(DECISIONS)
            tables["choices"] = accept_choices(tables["choices"], nobody, assume_accepted=True)
        return Proposed(tables, after, _by_kind(lost), book_of(inputs))


def _by_kind(lost: pd.DataFrame) -> tuple[pd.DataFrame, ...]:
    """Give the lost ids of each kind in order, as a run in one piece does."""
    rows = lost[list(LOST_COLUMNS)].sort_values("id", kind="stable")
    return tuple(rows[rows["kind"] == kind].reset_index(drop=True) for kind in ("span", "sleeve"))
