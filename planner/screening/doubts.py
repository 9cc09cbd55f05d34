"""What is doubtful about camera runs and drawings, though their rows can be placed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, alike
from planner.distinct import is_among, places_of
from planner.ground.material_words import coded_material
from planner.held import Held
from planner.screening.bands import compiled
from planner.screening.match import Flags
from planner.screening.row_kernel import FALL_M
from planner.settings import Survey
from planner.shapes import LINE, POINT, RING, Ends

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Marks = npt.NDArray[np.bool_]

_UNSURE = ("unknown", "")


def flag_drawings(pipes: Held, filmed: Places, nodes: Held, settings: Survey, flags: Flags) -> None:
    """Flag pipes without a drawing, drawn away from their nodes, or laid uphill.

    Parameters
    ----------
    pipes
        Holds `PIPES`.
    filmed
        Places of those that are looked at.
    nodes
        Holds `NODES`.
    settings
        How far from its nodes a drawing may end.
    flags
        Doubts are added here.
    """
    names, us_node, ds_node = (pipes.column(name) for name in ("pipe_id", "us_node", "ds_node"))
    lines, points = pipes.ends(), nodes.ends()
    counts = lines.vertices[filmed]  # of what is missing or empty 0
    for at in filmed[counts == 0].tolist():
        flags.add(names[at], "no drawing: placed along its own length, but not on the map")
    at = filmed[counts > 0]
    if len(at):
        of_us, of_ds = places_of((us_node, ds_node), nodes.column("node_id"))
        nearest = np.full(len(at), np.nan)
        measure_ends(at, lines, of_us, of_ds, points, nearest)
        for i in np.flatnonzero(nearest > settings.snap_m):
            flags.add(
                names[at[i]],
                "the drawing ends at neither of its manholes in the order named: distances hold "
                f"from the manholes, places on the map are not proved ({nearest[i]:.1f} m away)",
            )
    us_invert, ds_invert = (pipes.floats(f"{end}_invert_m")[filmed] for end in ("us", "ds"))
    for at in filmed[us_invert < ds_invert].tolist():
        flags.add(
            names[at],
            f"its invert is lower at {us_node[at]} than at {ds_node[at]}: "
            "the order of its manholes counts",
        )


@compiled
def measure_ends(
    at: Places, lines: Ends, of_us: Places, of_ds: Places, points: Ends, out: Numbers
) -> None:
    """Measure how far the end of each of some lines that is nearer to its node lies from it [m].

    `of_us` and `of_ds` have the nodes of all lines, -1 = unknown; NaN where no distance is known.
    """
    for n in range(len(at)):
        line = at[n]
        if lines.kind[line] != LINE and lines.kind[line] != RING:
            continue
        for side in range(2):
            node = of_ds[line] if side else of_us[line]
            if node < 0 or points.kind[node] != POINT or not points.vertices[node]:
                continue
            dx = lines.xy[line, 2 * side] - points.xy[node, 0]
            dy = lines.xy[line, 2 * side + 1] - points.xy[node, 1]
            away = np.sqrt(dx * dx + dy * dy)
            if np.isnan(out[n]) or away < out[n]:
                out[n] = away


def flag_runs(
    runs: Held, used: Marks, told: Marks, sizes: Numbers, first_day: str, flags: Flags
) -> None:
    """Flag runs without rows, with an unknown zero, from the future, or of another height.

    Parameters
    ----------
    runs
        Holds `INSPECTIONS`.
    used, told
        Runs that are looked at, and those that have coded rows.
    sizes
        Height of each run's pipe in the network [mm].
    first_day
        YYYY-MM-DD or "".
    flags
        Doubts are added here.
    """
    names = runs.column("inspection_id")
    for at in np.flatnonzero(used & ~told).tolist():
        flags.add(names[at], "no coded rows: it proves nothing about its pipe")
    if first_day:
        for at in np.flatnonzero(used & runs.coded("date").marked(first_day.__lt__)).tolist():
            flags.add(names[at], f"survey of a day after {first_day}")
    unsure = used & runs.coded("zero_at").among(_UNSURE)
    file = runs.coded("file")
    counts = np.bincount(file.codes[unsure], minlength=len(file.words)).tolist()
    named = {name: count for name, count in zip(file.listed(), counts, strict=True) if count}
    for key, what in told_zeros(named):
        flags.add(key, what)
    coded = runs.floats("size_mm")
    for at in np.flatnonzero(used & (np.abs(coded - sizes) > 0.1 * sizes)).tolist():
        flags.add(
            names[at], f"coded height {coded[at]:g} mm, but the network says {sizes[at]:g} mm"
        )


def flag_filmed_twice(runs: Held, used: Marks, flags: Flags) -> None:
    """Flag each pipe that two whole runs, of those used, filmed on one day."""
    pipe, date = runs.coded("pipe_id"), runs.coded("date")
    whole = used & runs.marks("complete")
    both = pipe.codes[whole].astype(np.int64) * len(date.words) + date.codes[whole]
    unlike, counts = np.unique(both, return_counts=True)
    for both_of in unlike[counts > 1].tolist():
        day = date.words[both_of % len(date.words)].as_py() or "an unknown day"
        name = pipe.words[both_of // len(date.words)].as_py()
        flags.add(name, f"filmed more than once on {day}: all rows count")


def unsure_zeros(runs: pd.DataFrame) -> Counter[str]:
    """Count by file the runs of `INSPECTIONS` whose zero is not stated; counts of parts add up."""
    unsure = is_among(runs["zero_at"], _UNSURE)
    return Counter(runs["file"].array[unsure].tolist() if unsure.any() else ())


def told_zeros(unsure: Mapping[str, int]) -> list[tuple[str, str]]:
    """Give the flags, key and text, of what `unsure_zeros` counted."""
    return [
        (
            file or "inspections",
            f"zero of the counter not stated for {count} runs: taken at the manhole's wall",
        )
        for file, count in sorted(unsure.items())
    ]


def flag_materials(runs: Held, used: Marks, listed: Coded, flags: Flags) -> None:
    """Flag each used run whose coded material is not that of its pipe in the network, `listed`."""
    said = runs.coded("material")
    if said.holds("").all():
        return
    coded, known = alike([one.mapped(coded_material) for one in (said, listed)])
    unlike = (coded.codes != known.codes) & ~coded.holds("") & ~known.holds("") & used
    at = np.flatnonzero(unlike)
    names = runs.column("inspection_id")
    for i, word, other in zip(at.tolist(), coded[at].tolist(), known[at].tolist(), strict=True):
        flags.add(names[i], f"coded material {word}, but the network says {other}")


def flag_falls(runs: Held, rows: Held, falls: Places, flags: Flags) -> None:
    """Flag each run whose distances fall, at the first such row; `falls` as `falls_of` has it."""
    at = np.flatnonzero(falls >= 0)

    def say() -> Iterator[tuple[str, str]]:
        names, numbers = runs.texts("inspection_id", at), rows.wholes("row")[falls[at]]
        for name, row in zip(names.tolist(), numbers.tolist(), strict=True):
            yield (
                name,
                f"distances fall at row {row} of the file: counter set back, or rows out of order",
            )

    flags.later(say)


def falls_of(rows: Held, of_run: Places, used: Marks) -> Places:
    """Give of each run the first row at which its distances fall in the order of its file.

    Parameters
    ----------
    rows
        Holds `OBSERVATIONS`, in any order.
    of_run
        The run of each row, -1 = none.
    used
        Runs that are looked at.

    Returns
    -------
    places
        By run; -1 = they do not fall.
    """
    s_m, row = rows.floats("s_m"), rows.wholes("row")
    known = np.flatnonzero(np.append(used, False)[of_run] & ~np.isnan(s_m))
    known = known[np.lexsort((row[known], of_run[known]))]
    same = of_run[known][1:] == of_run[known][:-1]
    places = known[1:][same & (np.diff(s_m[known]) < -FALL_M)]
    out = np.full(len(used), -1, dtype=np.int64)
    out[of_run[places[::-1]]] = places[::-1]
    return out
