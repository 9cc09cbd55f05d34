"""A crew's own order of work for a sleeve: lines of text with figures of the plan in them.

A line may hold ``{name}``, or ``{name:.Nf}`` where the name is a figure, with a name of
`FIGURES` or `WORDS` and N from 0 to 4, and no other brace. It is split once; what is
filled in is never read again, so a brace in a file's text stays a brace.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

FIGURES: dict[str, str] = {
    "sleeve": "length of the sleeve",
    "lit": "length that lamp or packer lights",
    "mark": "from the pipe's mouth where the packer goes in to the sleeve's near end",
    "mark_far": "the same to its far end",
    "wall": "wall of the cured sleeve",
    "resin": "mass of resin, net",
    "temperature": "temperature that the times are stated at",
}
"""Names of figures with a unit; they take ``:.Nf``."""

WORDS: dict[str, str] = {
    "size": "nominal size of the pipe",
    "stand": "manhole where the packer goes in",
    "other": "manhole at the other end",
    "counter": "where the sleeve lies by the counter",
    "packer": "packers of the van that carry the sleeve",
    "plies": "layers of mat",
    "steps": "the system's own pressure steps",
    "batch": "time from mixing to pressure",
    "pot_life": "how long the mixed resin keeps",
    "cure": "time of cure",
    "cooldown": "time to cool down under pressure",
    "drawdown": "time to draw the packer down by vacuum",
    "finish": "time to withdraw and film",
    "lamp_speed": "speed of the lamp",
    "lamp_power": "power of the lamp",
    "reopen": "how many connections are to be reopened",
}
"""Names that stand for words or times, printed as the sheet prints them."""

NOT_IN_PLAN = "(not in the plan)"

_FIELD = re.compile(r"\{([a-z_]+)(?::\.([0-4])f)?\}")


@dataclass(frozen=True)
class Field:
    """One name to be filled in; `decimals` None prints as many as the sheet does."""

    name: str
    decimals: int | None = None


@dataclass(frozen=True)
class Figure:
    """A value in the unit that the project prints, and how many decimals are usual."""

    value: float
    unit: str
    decimals: int

    def shown(self, decimals: int | None = None) -> str:
        """Write value and unit; `NOT_IN_PLAN` where it is not known."""
        if not math.isfinite(self.value):
            return NOT_IN_PLAN
        places = self.decimals if decimals is None else decimals
        return f"{self.value:.{places}f} {self.unit}"


Line = tuple[str | Field, ...]


def parse_line(text: str) -> Line:
    """Split a line into plain text and names to fill in.

    Raises
    ------
    ValueError
        For a name that is not known, decimals of words, or any other brace.

    Examples
    --------
    >>> parse_line("cut to {sleeve:.1f}")
    ('cut to ', Field(name='sleeve', decimals=1))
    """
    pieces: list[str | Field] = []
    at = 0
    for found in _FIELD.finditer(text):
        pieces += [text[at : found.start()], _field(found[1], found[2])]
        at = found.end()
    pieces.append(text[at:])
    if any("{" in piece or "}" in piece for piece in pieces if isinstance(piece, str)):
        message = "a brace may only hold {name} or {name:.Nf} with N from 0 to 4"
        raise ValueError(message)
    return tuple(piece for piece in pieces if piece)


def _field(name: str, decimals: str | None) -> Field:
    if name not in FIGURES and name not in WORDS:
        message = f"unknown name {{{name}}}; known are {', '.join([*FIGURES, *WORDS])}"
        raise ValueError(message)
    if decimals is not None and name not in FIGURES:
        message = f"{{{name}}} is no figure and takes no decimals"
        raise ValueError(message)
    return Field(name, None if decimals is None else int(decimals))


def fill_line(line: Line, values: Mapping[str, Figure | str]) -> str:
    """Fill in what the plan says.

    Parameters
    ----------
    line
        As `parse_line` gives it.
    values
        A `Figure` for each name of `FIGURES`, words for each of `WORDS`; '' = not known.

    Returns
    -------
    text
        The line as the sheet prints it; `NOT_IN_PLAN` stands for what is not known.
    """
    said = []
    for piece in line:
        if isinstance(piece, str):
            said.append(piece)
            continue
        value = values[piece.name]
        text = value.shown(piece.decimals) if isinstance(value, Figure) else value
        said.append(text or NOT_IN_PLAN)
    return "".join(said)
