"""From a counter reading to a place on the pipe's own axis, and how long a coded point is.

`x` counts from the inside wall at us_node. A reading past an end by a little is set to
the end and says so; further out it is refused, never wrapped round or clamped in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.coded_text import Coded
from planner.held import Held
from planner.screening.row_kernel import (
    ALIKE,
    ALL_ROUND,
    AT_JOINT,
    IS_LATERAL,
    IS_NODE,
    LENGTHWISE,
    LONG,
    MEASURED,
    PAST_END,
    Found,
    Limits,
    RowFigures,
    Runs,
    Walk,
    WordBits,
    walk_rows,
)
from planner.settings import Survey

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int32]
Bits = npt.NDArray[np.uint8]

# Damage that a joint has by its nature, wherever the joint flag was forgotten.
JOINT_MECHANISMS = ("joint_angle", "joint_gap", "joint_offset")
# Damage that is coded at the centre of a connection.
LATERAL_MECHANISMS = ("lateral_defective", "lateral_intruding")
# Damage that may sit in every joint of a stretch (roots, leaks); a crack from one joint to
# the next is one crack.
IN_JOINTS = ("exfiltration", "infiltration", "roots", "seal_intruding", "soil_ingress")
ROUND = "circumferential"
# Where the length of a row comes from, by the numbers of the walk.
ORIGINS = Coded.of(["coded", "quantity", "assumed"])
_SAID: dict[str, dict[str, int]] = {
    "mechanism": {
        **dict.fromkeys((*JOINT_MECHANISMS, *LATERAL_MECHANISMS), AT_JOINT),
        **dict.fromkeys(("node_start", "node_end"), IS_NODE),
        "lateral": IS_LATERAL | MEASURED,
        "existing_repair": LONG,
    },
    "role": dict.fromkeys(("damage", "condition", "flag"), LONG),
    "detail": {ROUND: AT_JOINT, "longitudinal": LENGTHWISE},
    "quantity": dict.fromkeys(("break_mm", "missing_mm"), MEASURED),
}


@dataclass
class Placed:
    """Rows on their pipes, one entry for each; `at` is the place of each in its table.

    x_from_m, x_to_m are as coded, from_m, to_m with the row's length, all from us_node [m];
    `origin` says by `ORIGINS` where that length comes from. `find_m` is the doubt of finding it
    again [m], `clock_h` the clock seen looking downstream and `arc_h` the hours it spans [h].
    `past_m` is how far the reading lay past an end [m], and `doubts` has the bits of the walk.
    """

    at: Places
    x_from_m: Numbers
    x_to_m: Numbers
    from_m: Numbers
    to_m: Numbers
    find_m: Numbers
    clock_h: Numbers
    arc_h: Numbers
    origin: Codes
    past_m: Numbers
    doubts: Bits

    def past_note(self, place: int) -> str:
        """Say that a row was set to the end of its pipe; "" where it was not."""
        if not self.doubts[place] & PAST_END:
            return ""
        return f"{self.past_m[place]:.2f} m past the end of the pipe: set to the end"

    def clock_note(self, place: int) -> str:
        """Say what is doubtful of a row's clock; "" where nothing is."""
        if self.doubts[place] & ALIKE:
            return "clock from and to are alike: one hour or all round"
        if self.doubts[place] & ALL_ROUND:
            return "lengthwise, yet coded all round the clock"
        return ""

    def taken(self, at: Any) -> Placed:  # noqa: ANN401 - places or marks
        """Give some of the rows."""
        return Placed(**{name: values[at] for name, values in vars(self).items()})


@dataclass(frozen=True)
class Left:
    """Rows without a place: where they stand in their table, why by the walk's numbers.

    `past_m` is how far one that lies too far out lies past an end [m]; NaN = unknown.
    """

    at: Places
    why: Bits
    past_m: Numbers


@dataclass(frozen=True)
class Walked:
    """What one walk found: rows with a place and without, runs that have rows, and falls.

    `falls` has of each run the first row at which its distances fall, -1 = none; None where the
    rows do not lie in the order of their runs and numbers.
    """

    placed: Placed
    left: Left
    told: Marks
    falls: Places | None


def place(rows: Held, of_run: Places, runs: Runs, settings: Survey) -> Walked:
    """Put counter readings on the pipe's own axis, and give coded points their length.

    Parameters
    ----------
    rows
        Holds `OBSERVATIONS`.
    of_run
        The run of each row, -1 = none of them.
    runs
        What their runs say.
    settings
        How far past an end a reading may lie, lengths of a point, doubt of the counter.

    Returns
    -------
    Walked
        ``x = s`` from us_node, ``x = length - s`` from the other end; s from the wall.
        At a joint, round the pipe or at a connection a point's length is centred. Else it runs
        forward in the direction of the survey. A coded length (broken or missing wall) replaces
        the assumed one; a coded "more than" only lengthens it. Nodes and remarks have none.
        A clock range runs clockwise, through 12 where it must, and 12 to 12 is all round; seen
        against the flow the dial is mirrored and its ends change places. Any other hour to
        itself is doubtful and spans an unknown arc.

    References
    ----------
    Doubt of finding again: City of Sunny Isles Beach FL, sec. 02762: 0.5 % or 1 ft, the larger
    governs; against us_node the pipe's length is doubtful too.
    """
    count = len(rows)
    words = {name: rows.coded(name) for name in _SAID}
    out = _room(count, len(runs.used))
    walk = Walk(
        _rows_of(rows, of_run, words),
        Runs(*map(_fixed, runs)),
        WordBits(**{name: _bits(one, _SAID[name]) for name, one in words.items()}),
        Limits(*(float(getattr(settings, name)) for name in Limits._fields)),
        out,
    )
    kept, left, ordered = walk_rows(walk)
    x_m = out.x_m[:kept]
    placed = Placed(
        out.at[:kept], x_m, x_m, out.from_m[:kept], out.to_m[:kept], out.find_m[:kept],
        out.clock_h[:kept], out.arc_h[:kept], out.origin[:kept], out.over_m[:kept],
        out.doubts[:kept],
    )  # fmt: skip
    without = Left(out.left[:left], out.why[:left], out.past_m[:left])
    return Walked(placed, without, out.told, out.falls if ordered else None)


def _rows_of(rows: Held, of_run: Places, words: dict[str, Coded]) -> RowFigures:
    """Lay out what the walk reads of rows."""
    return RowFigures(
        run=_fixed(of_run.astype(np.int64, copy=False)),
        number=_fixed(rows.wholes("row")),
        s_m=_fixed(rows.floats("s_m")),
        low=_fixed(rows.floats("quantity_low")),
        high=_fixed(rows.floats("quantity_high")),
        clock_from_h=_fixed(rows.floats("clock_from_h")),
        clock_to_h=_fixed(rows.floats("clock_to_h")),
        at_joint=_fixed(rows.marks("at_joint")),
        **{name: _fixed(one.codes.astype(np.int32, copy=False)) for name, one in words.items()},
    )


def _fixed(values: Any) -> Any:  # noqa: ANN401 - any array
    """Give an array as one that is only read, so that the walk is compiled for one kind of it."""
    found = np.ascontiguousarray(values).view()
    found.flags.writeable = False
    return found


def _bits(words: Coded, said: dict[str, int]) -> Codes:
    """Give what each word says."""
    return np.array([said.get(word, 0) for word in words.listed()], dtype=np.int32)


def _room(count: int, runs: int) -> Found:
    return Found(
        at=np.empty(count, dtype=np.int64),
        **{name: np.empty(count) for name in _FOUND},
        origin=np.empty(count, dtype=np.int32),
        doubts=np.empty(count, dtype=np.uint8),
        left=np.empty(count, dtype=np.int64),
        why=np.empty(count, dtype=np.uint8),
        told=np.zeros(runs, dtype=bool),
        falls=np.full(runs, -1, dtype=np.int64),
    )


_FOUND = ("x_m", "over_m", "from_m", "to_m", "find_m", "clock_h", "arc_h", "past_m")
