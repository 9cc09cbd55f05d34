"""What ``sleeveplan check`` prints: every fault, every doubt, and the books of each file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts import DEFECTS, FLAGS, LEFT_OVER
from planner.errors import NO_COLUMN, Fault, printable
from planner.inputs.inputs import Inputs
from planner.inputs.order_of_work import count_lines
from planner.inputs.pressure import count_kept
from planner.tables import check

SHOWN = 6
"""So many of equal doubts are named; all stand in the tables of a plan."""


@dataclass(frozen=True)
class Book:
    """Where the rows of one file went; ``lost`` is not 0 only if the tool forgot rows."""

    file: str
    read: int
    used: int
    flagged: int
    refused: int
    left_over: int

    @property
    def lost(self) -> int:
        """Rows that are found nowhere."""
        return self.read - self.used - self.flagged - self.refused - self.left_over

    def __str__(self) -> str:
        line = (
            f"{self.file}: rows read {self.read} = used {self.used} + used with a flag "
            f"{self.flagged} + refused {self.refused} + left over {self.left_over}"
        )
        return line if not self.lost else f"{line}; THE BOOKS DO NOT BALANCE: {self.lost} missing"


def check_lines(
    inputs: Inputs, flags: pd.DataFrame, left_over: pd.DataFrame, defects: pd.DataFrame
) -> list[str]:
    """Say all that is wrong or doubtful with a project's inputs, one line each.

    Parameters
    ----------
    inputs
        As read.
    flags, left_over, defects
        What `screening.locate` gave; obey `FLAGS`, `LEFT_OVER`, `DEFECTS`.

    Returns
    -------
    lines
        What each survey file was read as, faults, rows left over, flags, steps that wait for
        a file, the shortest coded stretch of each survey file, the books of each file, and
        the counts.
    """
    check(flags, FLAGS)
    check(left_over, LEFT_OVER)
    check(defects, DEFECTS)
    faults = faults_of(inputs)
    doubts = pd.concat([inputs.flags, flags], ignore_index=True).drop_duplicates()
    lines = [f"form: {text}" for text in inputs.forms]
    lines += [f"fault: {line}" for line in fault_lines(faults)]
    lines += [f"left over: {line}" for line in _left_lines(left_over)]
    lines += _journal_lines(inputs)
    lines += [f"flag: {line}" for line in _flag_lines(doubts)]
    lines += [f"waits: {text}" for text in inputs.missing]
    lines += [f"stretches: {text}" for text in stretch_lines(inputs, defects)]
    lines += [f"books: {book}" for book in balance(inputs, doubts, left_over, defects)]
    lines.append(f"faults {len(faults)}, left over {len(left_over)}, flags {len(doubts)}")
    return [printable(line) for line in lines]


def _journal_lines(inputs: Inputs) -> list[str]:
    """Say what the journal holds."""
    if inputs.events.empty:
        return []
    kinds = inputs.events["kind"].value_counts()
    counts = ", ".join(f"{kinds[kind]} {kind}" for kind in sorted(kinds.index))
    return [f"journal: {len(inputs.events)} events ({counts}), last at {inputs.events['at'].max()}"]


def faults_of(inputs: Inputs) -> list[Fault]:
    """Give the faults of the inputs as they were found."""
    return [
        Fault(str(file), int(row), str(column), str(found), str(wanted), lost=bool(lost))
        for file, row, column, found, wanted, lost in inputs.faults.itertuples(index=False)
    ]


def fault_lines(faults: Sequence[Fault]) -> list[str]:
    """Write equal faults of one column once, with the first rows that they stand in.

    A column that was not found stands before the faults of its file's rows.
    """
    alike: dict[Fault, list[int]] = {}
    for fault in faults:
        alike.setdefault(replace(fault, row=min(fault.row, 1)), []).append(fault.row)
    files = {fault.file: place for place, fault in reversed(list(enumerate(faults)))}
    order = sorted(alike, key=lambda one: (files[one.file], one.found != NO_COLUMN))
    return [_fault_line(one, alike[one]) for one in order]


def _fault_line(fault: Fault, rows: list[int]) -> str:
    """Write a fault with all rows that it stands in."""
    if fault.found == NO_COLUMN:
        waits = "1 row waits" if len(rows) == 1 else f"{len(rows)} rows wait"
        return (
            f"{fault.file}: no column was taken for {fault.column}; {fault.wanted}; "
            f"{waits} for it (left out)"
        )
    if len(rows) == 1 or not fault.row:
        return str(replace(fault, row=rows[0]))
    return fault.told(f"{len(rows)} rows ({_first_of(pd.Series(rows))})")


def stretch_lines(inputs: Inputs, defects: pd.DataFrame) -> list[str]:
    """Give the shortest coded stretch of each survey file, and propose it where it is short.

    A firm that coded a stretch of 0.6 m would have coded as a stretch whatever is longer,
    so its points are shorter. A shortest stretch above the setting proves nothing.
    """
    now = inputs.settings.survey.point_extent_m
    coded = defects[(defects["kind"] == "stretch") & (defects["extent_from"] == "coded")]
    lengths = (coded["x_to_m"] - coded["x_from_m"]).round(3)
    lines = []
    for file, part in lengths[lengths > 0].groupby(coded["file"], sort=True):
        shortest = float(part.min())
        line = f"{file}: the shortest of {len(part)} coded stretches is {shortest:.2f} m"
        if shortest < now:
            line += f"; propose [survey] point_extent_m = {shortest:.2f} (now {now:.2f})"
        else:
            line += f"; no reason to change [survey] point_extent_m = {now:.2f}"
        lines.append(line)
    return lines


def balance(
    inputs: Inputs, flags: pd.DataFrame, left_over: pd.DataFrame, defects: pd.DataFrame
) -> list[Book]:
    """Find every row of every file again.

    Parameters
    ----------
    inputs
        As read.
    flags, left_over, defects
        As for `check_lines`.

    Returns
    -------
    books
        One for each file, by name. A row of a survey is used if its defect, or the stretch
        that it ends, lies on a pipe, or if it tells of a run and codes nothing.
    """
    refused = refused_count(faults_of(inputs))
    books = []
    for file, read in sorted(inputs.read_count.items()):
        if file in inputs.head_count:
            books.append(_survey_book(inputs, file, refused[file], (flags, left_over, defects)))
            continue
        lost = refused[file]
        used = _held(inputs).get(file, read - lost)
        flagged = _flagged_pipes(inputs, file, flags)
        books.append(Book(file, read, used - flagged, flagged, lost, 0))
    return books


def refused_count(faults: Iterable[Fault]) -> Counter[str]:
    """Count refused rows by file: a row with two bad cells is one, records of two lists are two.

    A shift is part of its crew's record, which stays though the shift is refused.
    """
    rows = set()
    for fault in faults:
        if not (fault.lost and fault.row) or fault.column.startswith("crew.shift"):
            continue
        part = ""
        if fault.file.endswith(".toml"):
            part = fault.column.rpartition(".")[0] or fault.column
        rows.add((fault.file, part, fault.row))
    return Counter(file for file, _, _ in rows)


def _survey_book(
    inputs: Inputs,
    file: str,
    refused: int,
    placed: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> Book:
    flags, left_over, defects = placed
    rows = inputs.observations[inputs.observations["file"] == file]
    on_pipe = set(defects["observation_id"]) | set(defects["close_id"])
    doubtful = set(flags["key"]) | set(defects.loc[defects["flags"] != "", "observation_id"])
    ids = rows["observation_id"]
    is_left = ids.isin(set(left_over["key"]))
    is_used = ids.isin(on_pipe) & ~is_left
    flagged = int((is_used & ids.isin(doubtful)).sum())
    used = int(is_used.sum()) - flagged + inputs.head_count[file]
    return Book(file, inputs.read_count[file], used, flagged, refused, int(is_left.sum()))


def _held(inputs: Inputs) -> dict[str, int]:
    """Count what the tables hold of files that fill tables of their own."""
    return {
        "systems.toml": sum(
            len(table)
            for table in (
                inputs.systems,
                inputs.system_sizes,
                inputs.materials,
                inputs.parts,
                inputs.process,
                inputs.packers,
            )
        )
        + count_kept(inputs.pressure_steps)
        + count_lines(inputs.order_of_work),
        "prices.toml": len(inputs.prices),
        "prices_changed.csv": len(inputs.price_changes),
        "crews.toml": len(inputs.crews),
        "stock.csv": len(inputs.stock),
        "lots.csv": len(inputs.lots),
        # Events of the journal stand in the same table; they are of no file.
        "done.csv": int((inputs.done["file"] != "").sum()),
    }


def _flagged_pipes(inputs: Inputs, file: str, flags: pd.DataFrame) -> int:
    own = inputs.pipes["file"] == file
    return int(inputs.pipes.loc[own, "pipe_id"].isin(flags["key"]).sum())


def _flag_lines(doubts: pd.DataFrame) -> list[str]:
    """Write each doubt once, with the first things that it is about."""
    lines = []
    for what, keys in doubts.groupby("what", sort=False)["key"]:
        lines.append(f"{keys.iloc[0]}: {what}" if len(keys) == 1 else f"{what}: {_first_of(keys)}")
    return lines


def _left_lines(left_over: pd.DataFrame) -> list[str]:
    """Write each reason of one file once, with the first rows that it took."""
    lines = []
    for (file, reason), part in left_over.groupby(["file", "reason"], sort=False):
        places = [f"row {row}, {key}" if not pd.isna(row) else str(key)
                  for key, row in part[["key", "row"]].itertuples(index=False)]  # fmt: skip
        where = f"{file}, " if file else ""
        lines.append(f"{where}{_first_of(pd.Series(places))}: {reason}")
    return lines


def _first_of(names: pd.Series) -> str:
    """Name the first few, and count the rest."""
    shown = ", ".join(str(name) for name in names.iloc[:SHOWN])
    more = len(names) - SHOWN
    return shown if more <= 0 else f"{shown} and {more} more"
