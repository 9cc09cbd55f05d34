"""Colours, line types, shapes and code letters of decisions and days, for every output.

Colour never stands alone: each class also has its own line type and its own
symbol, so that it survives colour blindness and a black-and-white printer.

References
----------
Decision colours: Okabe M., Ito K., Color Universal Design (2002, revised 2008).
Day colours: Tol P., Colour schemes, SRON/EPS/TN/09-002 issue 3.2 (2021), "muted".
Which of them are used for what, and the grey and the line types, are our own;
`tests/test_palette.py` measures the distances under simulated colour blindness.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.contracts.verdicts import DECIDE

INK = "#1D2730"
"""Dark edge of the yellow class, and the colour of text."""


@dataclass(frozen=True)
class Look:
    """How one class of verdict looks on every output.

    ``word`` is what a legend says, ``letter`` the code in tables, ``dash`` a line's
    on-off pattern [px] ("" = solid), ``width`` its width at street zoom [px], ``edge``
    the colour of a casing around the line ("" = none), ``shape`` the symbol of a defect.
    """

    word: str
    letter: str
    colour: str
    dash: str
    width: float
    edge: str
    shape: str
    meaning: str


LOOKS: dict[str, Look] = {
    "sleeve": Look("sleeve", "S", "#0072B2", "", 6, "", "bar", "over its damage"),
    "liner": Look("liner", "L", "#000000", "", 4, "", "long_bar", "over the full length"),
    "dig": Look("dig", "D", "#D55E00", "10 3", 6, "", "triangle", "open trench"),
    "refer": Look(DECIDE, "?", "#F0E442", "6 6", 4, INK, "diamond", "an engineer decides"),
    "watch": Look("watch", "W", "#56B4E9", "2 3", 3, "", "ring", "survey again later"),
    "maintain": Look("maintain", "M", "#56B4E9", "9 4", 3, "", "square", "clean, no repair"),
    "none": Look("none", "N", "#BBBBBB", "", 2, "", "dot", "filmed, nothing to do"),
    "unseen": Look("not filmed", "", "#BBBBBB", "1 4", 1.5, "", "dot", "no survey placed"),
}
"""Look of each word of ``VERDICTS.verdict``, and of a pipe that no survey covers."""

PLACING: dict[str, Look] = {
    "placed": Look("placed", "", "#009E73", "", 5, "", "ring", "every row lies on the pipe"),
    "doubt": Look("placed, in doubt", "", "#F0E442", "6 6", 4, INK, "diamond", "see its doubts"),
    "stopped": Look("not placed", "", "#D55E00", "10 3", 6, "", "triangle", "rows without a place"),
    "unseen": LOOKS["unseen"],
}
"""Look of a pipe by how its surveys could be placed, and of a placed row."""

PLACING_ORDER = ("unseen", "placed", "doubt", "stopped")

SLEEVE_COLOUR = LOOKS["sleeve"].colour
DAMAGE_COLOUR = LOOKS["dig"].colour
"""Sleeve and damage where only these two meet, as on a strip drawing."""

DRAW_ORDER = ("unseen", "none", "maintain", "watch", "sleeve", "liner", "dig", "refer")
"""From the bottom to the top: what is rarer and costs more lies above."""


@dataclass(frozen=True)
class DayLook:
    """Colour and dash pattern [px] of one day's routes, and the colour of text upon it.

    The day's number always stands beside.
    """

    colour: str
    dash: str
    text: str


DAYS: tuple[DayLook, ...] = (
    DayLook("#332288", "", "#FFFFFF"),
    DayLook("#117733", "12 5", "#FFFFFF"),
    DayLook("#882255", "3 5", "#FFFFFF"),
    DayLook("#CC6677", "14 4 3 4", "#000000"),
    DayLook("#44AA99", "7 4", "#000000"),
)

CREW_LETTERS = "ABCEFGHJKPQRTUVXYZ"
"""Letters for crews; those that are a code of `LOOKS`, and I and O, are left out."""


def day_look(day: int) -> DayLook:
    """Give the look of day `day`, counted from 1; the colours start over after the fifth.

    Raises
    ------
    ValueError
        If `day` is less than 1.
    """
    if day < 1:
        message = f"days are counted from 1, got {day}"
        raise ValueError(message)
    return DAYS[(day - 1) % len(DAYS)]


def crew_letter(index: int) -> str:
    """Give the letter of the crew at `index` [-] of the sorted list of crews.

    Past the last letter two are used, so no two crews share one.

    Examples
    --------
    >>> crew_letter(0), crew_letter(18)
    ('A', 'AA')
    """
    most = len(CREW_LETTERS)
    letters = ""
    index += 1
    while index > 0:
        index, place = divmod(index - 1, most)
        letters = CREW_LETTERS[place] + letters
    return letters


def stop_label(day: int, seq: int) -> str:
    """Give the number on a stop's badge: day, point, place in the day with two digits.

    Examples
    --------
    >>> stop_label(3, 7)
    '3.07'
    """
    return f"{day}.{seq:02d}"
