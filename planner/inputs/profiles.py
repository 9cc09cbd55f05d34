"""Shape and size of each pipe, from a size as text, from numbers, or from both."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from planner.contracts import PIPES
from planner.errors import UNKNOWN_FROM_HERE
from planner.inputs.attributes import Reading
from planner.inputs.sizes import NO_SIZE, read_size

# Words for profiles in lists of networks; any other word is not guessed at.
SHAPES = {
    "circular": "circular", "circle": "circular", "circ": "circular", "round": "circular",
    "egg": "egg", "egg-shaped": "egg", "ovoid": "egg",
    "box": "box", "rect": "box", "rectangular": "box", "rect_closed": "box", "square": "box",
    "other": "other", "unknown": "unknown",
}  # fmt: skip
_FIGURES = ("height_mm", "width_mm", "dn_mm", "inside_mm")
_SIZED = ["height_mm", "width_mm", "dn_mm"]
_A_SIZE = 'a size such as DN 200, 8" or 300x450'


def read_profiles(reading: Reading) -> pd.DataFrame:
    """Read shape and sizes of every pipe.

    Parameters
    ----------
    reading
        Of the pipe layer; ``size`` is a column of free text, ``shape``, ``height_mm``,
        ``width_mm``, ``dn_mm`` and ``inside_mm`` are columns of their own. A figure of its
        own outranks the text.

    Returns
    -------
    profiles
        ``shape`` and the four figures [mm]; a size of 0 is unknown. A pipe is circular
        where the file says so, or where it gives one number only or two equal ones; only a
        circular pipe takes a nominal size from its height. What could not be read is blank
        and a fault.
    """
    frame = pd.DataFrame({name: reading.values(PIPES[name]) for name in _FIGURES})
    frame = frame.where(frame > 0)
    words = zip(reading.words("shape", SHAPES, ""), reading.texts("shape"), strict=True)
    said = [word or ("unknown" if text else "") for word, text in words]
    if reading.has("size"):
        _fill_from_text(reading, frame, said)
    shapes = []
    for place, (high, wide, nominal) in enumerate(
        zip(frame["height_mm"], frame["width_mm"], frame["dn_mm"], strict=True)
    ):
        shapes.append(said[place] or _shape_of(high, wide, nominal))
        if shapes[place] == "circular" and high > 0 and wide > 0 and high != wide:
            reading.fault(place, "size", f"{wide:g} x {high:g} mm", "one size if circular",
                          lost=False)  # fmt: skip
            shapes[place] = "unknown"
    frame.insert(0, "shape", pd.Series(shapes, dtype="str"))
    round_ = frame["shape"] == "circular"
    frame.loc[round_, "dn_mm"] = frame.loc[round_, "dn_mm"].fillna(frame.loc[round_, "height_mm"])
    for column in ("height_mm", "width_mm"):
        frame.loc[round_, column] = frame.loc[round_, column].fillna(frame.loc[round_, "dn_mm"])
    return frame


def _fill_from_text(reading: Reading, frame: pd.DataFrame, said: list[str]) -> None:
    cells = reading.texts("size")
    unit = reading.units.get("size", "mm")
    known = {text: read_size(text, unit) for text in sorted(set(cells))}
    figures = frame[_SIZED].to_numpy(dtype=np.float64, copy=True)
    given = np.isfinite(figures).any(axis=1)
    estimated = [False] * len(cells)
    for place, text in enumerate(cells):
        size = known[text]
        if given[place]:
            continue
        if size.reason:
            found = "" if size.reason == NO_SIZE else text
            wanted = _A_SIZE if size.reason == NO_SIZE else f"{_A_SIZE}: {size.reason}"
            reading.fault(place, "size", found, wanted + UNKNOWN_FROM_HERE, lost=False)
        elif size.shape == "circular" and said[place] not in ("", "circular", "unknown"):
            wanted = f"width x height, since the shape is {said[place]}{UNKNOWN_FROM_HERE}"
            reading.fault(place, "size", text, wanted, lost=False)
        else:
            figures[place] = (size.height_mm, size.width_mm, size.dn_mm)
            estimated[place] = size.estimated
            said[place] = said[place] or ("egg" if size.shape == "egg" else "")
            if size.note and not said[place]:
                what = f"width and height by name; {size.note}"
                reading.fault(place, "size", text, what, lost=False)
    frame[_SIZED] = figures
    frame["size_estimated"] = pd.array(estimated, dtype="boolean")


def _shape_of(high: float, wide: float, nominal: float) -> str:
    """Tell the shape from the figures alone: two different ones prove that it is not round."""
    if math.isfinite(high) and math.isfinite(wide) and not math.isclose(high, wide):
        return "other"
    return "circular" if any(map(math.isfinite, (high, wide, nominal))) else "unknown"
