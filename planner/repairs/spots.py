"""Spans and repairs of many pipes as columns, and each as a `zones.Spot` where it is asked for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import overload

import numpy as np
import numpy.typing as npt

from planner.repairs.zones import Spot

Floats = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]


class SpotColumns:
    """Columns of `Spot`; of one row there is only ever one `Spot`.

    Parameters
    ----------
    span_ids, counter_nodes
        Texts of each row.
    metres
        from_m, to_m, find_m, bare_from_m and bare_to_m [m], a row for each.
    flags
        wanted, unsound and closed, a row for each.
    """

    def __init__(
        self, span_ids: list[str], metres: Floats, flags: Marks, counter_nodes: list[str]
    ) -> None:
        """Hold the columns."""
        self.span_ids, self.metres, self.flags = span_ids, metres, flags
        self.counter_nodes = counter_nodes
        self._made: dict[int, Spot] = {}

    @classmethod
    def of(cls, spots: Iterable[Spot]) -> SpotColumns:
        """Lay out spots that are there already."""
        made = dict(enumerate(spots))
        each = made.values()
        metres = [(s.from_m, s.to_m, s.find_m, s.bare_from_m, s.bare_to_m) for s in each]
        flags = [(s.wanted, s.unsound, s.closed) for s in each]
        found = cls(
            [spot.span_id for spot in each],
            np.array(metres, dtype=float).reshape(-1, 5),
            np.array(flags, dtype=bool).reshape(-1, 3),
            [spot.counter_node for spot in each],
        )
        found._made = made
        return found

    def spot(self, row: int) -> Spot:
        """Give one row."""
        found = self._made.get(row)
        if found is None:
            metres, flags = self.metres[row].tolist(), self.flags[row].tolist()
            figures = (*metres[:3], *flags, *metres[3:])
            found = Spot._make((self.span_ids[row], *figures, self.counter_nodes[row]))
            self._made[row] = found
        return found

    def under(self, other: SpotColumns, order: npt.NDArray[np.intp]) -> SpotColumns:
        """Give these rows and below them those of `other`, then all in this order."""
        at = order.tolist()
        span_ids = [*self.span_ids, *other.span_ids]
        counters = [*self.counter_nodes, *other.counter_nodes]
        return SpotColumns(
            [span_ids[row] for row in at],
            np.concatenate([self.metres, other.metres])[order],
            np.concatenate([self.flags, other.flags])[order],
            [counters[row] for row in at],
        )


class Spots(Sequence[Spot]):
    """Some rows of columns."""

    def __init__(self, columns: SpotColumns, rows: Sequence[int]) -> None:
        """Hold the columns, and which rows."""
        self.columns, self.rows = columns, rows

    @classmethod
    def together(cls, some: Sequence[Sequence[Spot]]) -> Spots:
        """Put the spots of several pipes under each other."""
        first = some[0] if some else ()
        columns = first.columns if isinstance(first, Spots) else None
        rows: list[int] = []
        for spots in some:
            if not isinstance(spots, Spots) or spots.columns is not columns:
                every = SpotColumns.of(spot for own in some for spot in own)
                return cls(every, range(len(every.span_ids)))
            rows += spots.rows
        return cls(columns or SpotColumns.of(()), rows)

    @cached_property
    def span_ids(self) -> list[str]:
        """Give the names of the spans."""
        return [self.columns.span_ids[row] for row in self.rows]

    @cached_property
    def counter_nodes(self) -> list[str]:
        """Give the node from which the counter of each ran."""
        return [self.columns.counter_nodes[row] for row in self.rows]

    @property
    def metres(self) -> Floats:
        """Give figures as `SpotColumns.metres`."""
        return self.columns.metres[np.array(self.rows, dtype=np.intp)]

    @property
    def flags(self) -> Marks:
        """Give flags as `SpotColumns.flags`."""
        return self.columns.flags[np.array(self.rows, dtype=np.intp)]

    def __len__(self) -> int:
        """Count them."""
        return len(self.rows)

    def __iter__(self) -> Iterator[Spot]:
        """Give each."""
        return map(self.columns.spot, self.rows)

    @overload
    def __getitem__(self, at: int) -> Spot: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Spot]: ...
    def __getitem__(self, at: int | slice) -> Spot | Sequence[Spot]:
        """Give one, or some of them."""
        if isinstance(at, slice):
            return Spots(self.columns, self.rows[at])
        return self.columns.spot(self.rows[at])
