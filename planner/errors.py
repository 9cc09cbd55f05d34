"""The errors that stop a run, and the fault that does not.

A fault is one line about one cell of one file: it is collected, shown and the
run goes on. An error is raised only when nothing sensible can follow.
"""

from __future__ import annotations

from dataclasses import dataclass

UNKNOWN_FROM_HERE = "; the value counts as unknown"
"""Ends what a fault wanted where its row is kept and the value of the cell is not used."""
NO_COLUMN = "no column taken"
"""Found where rows are left out because their file is not seen to have a column."""
_SHOWN = 60  # letters of a text from a file that a message shows


def printable(text: str) -> str:
    r"""Give text as a line may print it: a file's text steers no terminal.

    Examples
    --------
    >>> printable("Mill\x1b[2J Lane\n")
    'Mill?[2J Lane?'
    """
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def shown(text: str) -> str:
    """Give text from a file as a message may print it: short, one line, no control characters."""
    clean = printable(text[: _SHOWN + 1])
    return clean if len(clean) <= _SHOWN else clean[: _SHOWN - 3] + "..."


class PlannerError(Exception):
    """Whatever stops a run; its text is one line that a user can act on."""


class TableError(PlannerError, ValueError):
    """A table breaks its contract; the text lists every fault at once."""


class SettingsError(PlannerError, ValueError):
    """A setting is unknown or out of bounds."""


class FileError(PlannerError, ValueError):
    """A file cannot be read at all, or must not be."""


class RulebookError(PlannerError, ValueError):
    """A rulebook cannot be loaded; the text names file, rule and key."""


class StoreError(PlannerError, ValueError):
    """The store of decisions and ids cannot be read or written."""


class StaleError(StoreError):
    """What a person wants to change was changed by another since they looked at it.

    `versions` are the numbers, in the store, of what the other did.
    """

    def __init__(self, message: str, versions: tuple[int, ...]) -> None:
        super().__init__(message)
        self.versions = versions


class UnknownIdError(PlannerError, LookupError):
    """Nothing in the plan has the id that was asked for."""


class UnitError(PlannerError, ValueError):
    """A value has no unit, or a unit of another dimension."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong in an input: where it stands, what was found, what was wanted.

    ``lost`` says that the row is kept out of the plan because of it.
    """

    file: str
    row: int
    column: str
    found: str
    wanted: str
    lost: bool = True

    def __str__(self) -> str:
        return self.told()

    def told(self, rows: str = "") -> str:
        """Write the fault as one line; `rows` names all rows that it stands for, if several."""
        where = self.file + (f", row {self.row}" if self.row and not rows else "")
        where += f", column {self.column}" if self.column else ""
        wanted = self.wanted.removesuffix(UNKNOWN_FROM_HERE)
        tail = "kept" if wanted == self.wanted else f"kept{UNKNOWN_FROM_HERE.replace(';', ',')}"
        if self.lost:
            tail = "rows left out" if rows else "row left out"
        found = f"{self.found or 'nothing'}{f' in {rows}' if rows else ''}"
        return f"{where}: found {found}; wanted {wanted} ({tail})"
