"""The store of a project: decisions, the journal, revisions, ids. Nothing else writes them.

A decision, a change of the week or of a price, and an event of the journal, is only ever
added, under a number of its own; none is changed or removed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pandas as pd

from planner.contracts import (
    DECISIONS,
    EVENTS,
    LEFT_OVER,
    PRICE_EDITS,
    REVISION_CHOICES,
    REVISIONS,
    WEEK_EDITS,
)
from planner.contracts.books import IDS, SETUP_IDS
from planner.errors import StaleError, StoreError
from planner.ground.ids import KnownIds, highest_by_kind, number_of
from planner.marks import rows_digest
from planner.store.geopackage import GeoPackage
from planner.store.keeping import Keeping
from planner.tables import Table, check, conform

STORE_TABLES = (
    DECISIONS, WEEK_EDITS, PRICE_EDITS, EVENTS, IDS, SETUP_IDS, REVISIONS, REVISION_CHOICES,
)  # fmt: skip
# What makes two rows of a form the same row; what was accepted is no part of it, so a
# form that is sent twice never accepts what has changed in between. What came by the page
# has an instant of its own.
_SAME = ("pipe_id", "span_id", "decision", "by", "on", "reason", "value", "at")


class Store:
    """The store of a project, wherever its tables are kept; made by `open_store`.

    It remembers what ids it last read, so that of two plans made at once the slower
    one cannot give an id that the other has given meanwhile.

    Parameters
    ----------
    keeping
        The file or database that keeps the tables.
    """

    def __init__(self, keeping: Keeping) -> None:
        self.keeping = keeping
        self._seen = _digest(*_no_ids())

    def stamp(self) -> object:
        """Give what differs once anything was written since; cheap to ask for."""
        return self.keeping.stamp()

    def read_decisions(self) -> pd.DataFrame:
        """Read all decisions in the order they were taken in; obeys `DECISIONS`.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        return self.keeping.read_tables([DECISIONS])[DECISIONS.name]

    def append_decisions(
        self, frame: pd.DataFrame, seen: Mapping[str, int] | None = None
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Add each row of `frame` once, in its order.

        Parameters
        ----------
        frame
            The columns of `DECISIONS`; its version is not looked at.
        seen
            The version of the last decision that a person saw on each pipe, 0 = none; None
            where nobody looked at what stands there.

        Returns
        -------
        taken, left_over
            The rows that were added, numbered above all earlier ones (`DECISIONS`);
            the rows that stand in the store already (`LEFT_OVER`).

        Raises
        ------
        StaleError
            If somebody decided on a pipe since it was seen; then no row was added.
        StoreError
            If the store cannot be written; then no row was added.
        """
        with self.keeping.transaction(STORE_TABLES) as change:
            stored = change.rows_of(DECISIONS, ("pipe_id", frame["pipe_id"]))
            refuse_stale(stored, "pipe_id", seen)
            known = dict(zip(_same_of(stored), stored["version"].astype(int), strict=True))
            highest = change.highest_in(DECISIONS, "version")
            positions, versions, left = [], [], []
            for position, same in enumerate(_same_of(frame)):
                if same in known:
                    left.append(_left_row(position, same, known[same]))
                    continue
                highest += 1
                known[same] = highest
                positions.append(position)
                versions.append(highest)
            taken = conform(frame.iloc[positions].assign(version=versions), DECISIONS)
            if len(taken):
                change.add_rows(DECISIONS, taken)
        return taken, conform(left, LEFT_OVER)

    def read_week_edits(self) -> pd.DataFrame:
        """Read all changes of the week in the order they were made in; obeys `WEEK_EDITS`.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        return self.keeping.read_tables([WEEK_EDITS])[WEEK_EDITS.name]

    def append_week_edits(self, frame: pd.DataFrame, seen: Mapping[str, int]) -> pd.DataFrame:
        """Add each row of `frame`, in its order.

        Parameters
        ----------
        frame
            The columns of `WEEK_EDITS`; its version is not looked at.
        seen
            The version of the last change that a person saw of each set-up, 0 = none.

        Returns
        -------
        taken
            The rows, numbered above all earlier ones; obeys `WEEK_EDITS`.

        Raises
        ------
        StaleError
            If somebody changed a set-up since it was seen; then no row was added.
        StoreError
            If the store cannot be written; then no row was added.
        """
        return self._append_edits(WEEK_EDITS, "setup_id", frame, seen)

    def read_price_edits(self) -> pd.DataFrame:
        """Read all changes of prices in the order they were made in; obeys `PRICE_EDITS`.

        Raises
        ------
        StoreError
            If the file cannot be read.
        """
        return self.keeping.read_tables([PRICE_EDITS])[PRICE_EDITS.name]

    def append_price_edits(
        self, frame: pd.DataFrame, seen: Mapping[str, int] | None = None
    ) -> pd.DataFrame:
        """Add each row of `frame`, in its order.

        Parameters
        ----------
        frame
            The columns of `PRICE_EDITS`; its version is not looked at.
        seen
            The version of the last change that a person saw of each price, 0 = none; None
            where nobody looked at what stands there.

        Returns
        -------
        taken
            The rows, numbered above all earlier ones; obeys `PRICE_EDITS`.

        Raises
        ------
        StaleError
            If somebody changed a price since it was seen; then no row was added.
        StoreError
            If the file cannot be written; then no row was added.
        """
        return self._append_edits(PRICE_EDITS, "price_id", frame, seen)

    def _append_edits(
        self, table: Table, by: str, frame: pd.DataFrame, seen: Mapping[str, int] | None
    ) -> pd.DataFrame:
        """Add rows of `table`, each about what its column `by` names, if none is stale."""
        with self.keeping.transaction(STORE_TABLES) as change:
            refuse_stale(change.rows_of(table, (by, frame[by])), by, seen)
            first = change.highest_in(table, "version") + 1
            numbers = range(first, first + len(frame))
            taken = conform(frame.assign(version=list(numbers)), table)
            change.add_rows(table, taken)
        return taken

    def read_events(self) -> pd.DataFrame:
        """Read the journal in the order in which it was taken in; obeys `EVENTS`.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        return self.keeping.read_tables([EVENTS])[EVENTS.name]

    def append_events(
        self, frame: pd.DataFrame, keys: Callable[[pd.DataFrame], Sequence[object]]
    ) -> pd.DataFrame:
        """Add each row of `frame` to the journal once, in its order.

        Parameters
        ----------
        frame
            The columns of `EVENTS`; its numbers are not looked at.
        keys
            Gives what makes two rows the same row.

        Returns
        -------
        taken
            The rows that were added, numbered above all earlier ones; obeys `EVENTS`.

        Raises
        ------
        StoreError
            If the store cannot be written; then no row was added.
        """
        with self.keeping.transaction(STORE_TABLES) as change:
            stored = change.rows_of(EVENTS)
            known = set(keys(stored))
            first = max([0, *(number_of(one) for one in stored["event_id"])]) + 1
            fresh = []
            for position, key in enumerate(keys(frame)):
                if key not in known:
                    known.add(key)
                    fresh.append(position)
            ids = [f"E-{first + n:06d}" for n in range(len(fresh))]
            taken = conform(frame.iloc[fresh].assign(event_id=ids), EVENTS)
            if len(taken):
                change.add_rows(EVENTS, taken)
        return taken

    def read_revisions(self) -> pd.DataFrame:
        """Read who signed what when; obeys `REVISIONS`.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        return self.keeping.read_tables([REVISIONS])[REVISIONS.name]

    def read_last_revision(self) -> tuple[int, pd.DataFrame]:
        """Give the number of the last revision (0 = none) and its choices.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        tables = [REVISIONS, REVISION_CHOICES]
        found = self.keeping.read_tables(tables)
        version = int(found[REVISIONS.name]["version"].max()) if len(found[REVISIONS.name]) else 0
        frozen = found[REVISION_CHOICES.name]
        return version, frozen[(frozen["version"] == version).to_numpy(bool)].reset_index(drop=True)

    def append_revision(self, revision: pd.DataFrame, choices: pd.DataFrame) -> None:
        """Add one revision with its choices; none is ever changed or removed.

        Parameters
        ----------
        revision
            One row of `REVISIONS`, its version the next one.
        choices
            Its rows of `REVISION_CHOICES`.

        Raises
        ------
        StoreError
            If the store cannot be written, or somebody signed meanwhile.
        """
        version = int(check(revision, REVISIONS)["version"].iloc[0])
        with self.keeping.transaction(STORE_TABLES) as change:
            stored = change.rows_of(REVISIONS)["version"]
            last = int(stored.max()) if len(stored) else 0
            if version != last + 1:
                message = f"{self.keeping.name}: revision {last} was signed meanwhile; sign again"
                raise StoreError(message)
            change.add_rows(REVISIONS, revision)
            change.add_rows(REVISION_CHOICES, check(choices, REVISION_CHOICES))

    def read_known(self) -> KnownIds:
        """Read the ids that were given so far.

        Raises
        ------
        StoreError
            If the store cannot be read.
        """
        found = self.keeping.read_tables([IDS, SETUP_IDS])
        ids, works = found[IDS.name], found[SETUP_IDS.name]
        self._seen = _digest(ids, works)
        return KnownIds(ids, highest_by_kind(ids), works)

    def write_known(self, known: KnownIds) -> bool:
        """Keep `known` in the place of what `read_known` gave.

        Returns
        -------
        written
            False where nothing changed: then the store is not touched.

        Raises
        ------
        StoreError
            If the store cannot be written, or another plan gave ids since they were read.
        """
        ids, works = check(known.table, IDS), check(known.setup_works, SETUP_IDS)
        if _digest(ids, works) == self._seen:
            return False
        with self.keeping.transaction(STORE_TABLES) as change:
            if _digest(change.rows_of(IDS), change.rows_of(SETUP_IDS)) != self._seen:
                message = f"{self.keeping.name}: another plan was made meanwhile; plan again"
                raise StoreError(message)
            change.replace_rows(IDS, ids)
            change.replace_rows(SETUP_IDS, works)
        self._seen = _digest(ids, works)
        return True


def open_store(path: Path) -> Store:
    """Open the store in the GeoPackage at `path`; the file is made when something is first written.

    Raises
    ------
    StoreError
        If there is a file that is no GeoPackage, or that is in use, or if it lies on a
        network share, where file locks do not hold.
    """
    keeping = GeoPackage(path)
    keeping.read_tables([])
    return Store(keeping)


def _same_of(frame: pd.DataFrame) -> list[tuple[str, ...]]:
    rows = frame.reindex(columns=list(_SAME), fill_value="")
    return [tuple(row) for row in rows.astype(str).to_numpy(dtype=object)]


def refuse_stale(stored: pd.DataFrame, by: str, seen: Mapping[str, int] | None) -> None:
    """Refuse what rests on an earlier state than that which is stored.

    Parameters
    ----------
    stored
        Rows with a version, who made them (by), and the column `by`.
    by
        Column that says what a row is about.
    seen
        Version that a person saw of each thing they want to change; None = nobody looked.

    Raises
    ------
    StaleError
        If a thing in `seen` has a row above that version; or none of that version, as where
        the store was put back from a copy while a page stood open: what was seen is not there.
    """
    if seen is None:
        return
    mine = stored[stored[by].isin(list(seen)).to_numpy(bool)]
    at = mine[by].map(lambda key: seen[str(key)]).astype(int)
    newer = mine[(mine["version"].astype(int) > at).to_numpy(bool)]
    if len(newer):
        names = ", ".join(sorted(set(newer[by])))
        message = f"{names}: changed meanwhile by {', '.join(sorted(set(newer['by'])))}"
        raise StaleError(message, tuple(int(one) for one in sorted(newer["version"])))
    there = {str(key): int(last) for key, last in mine.groupby(by)["version"].max().items()}
    gone = sorted(key for key, version in seen.items() if version > there.get(key, 0))
    if gone:
        message = f"{', '.join(gone)}: what was seen of it is in the store no more"
        raise StaleError(message, ())


def _left_row(position: int, same: tuple[str, ...], version: int) -> dict[str, object]:
    pipe_id, span_id, decision, by, on = same[:5]
    what = f"pipe {pipe_id}" + (f", span {span_id}" if span_id else "")
    return {
        "step": "decisions",
        "key": f"{what}, row {position + 1} of the form",
        "reason": f"'{decision}' by {by} on {on} is in the store already, as version {version}; "
        "to decide anew give a new date or reason",
    }


def _no_ids() -> tuple[pd.DataFrame, pd.DataFrame]:
    return conform([], IDS), conform([], SETUP_IDS)


def _digest(ids: pd.DataFrame, works: pd.DataFrame) -> str:
    """Give a digest of the ids as the store would give them back."""
    return rows_digest(conform(ids, IDS), conform(works, SETUP_IDS))
