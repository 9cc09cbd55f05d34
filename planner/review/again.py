"""What a plan made again changes, as it is shown before anybody accepts it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.contracts import PLAN_CHANGES
from planner.outputs.read_back import read_table
from planner.outputs.routes import day_name
from planner.outputs.wording import clock
from planner.tables import records_in

WORDS = {"moved": "moved", "dropped": "dropped", "added": "added", "kept": "kept"}


@dataclass(frozen=True)
class ChangeLine:
    """One set-up: what became of it, where it was, where it is now, whom to tell, why."""

    setup_id: str
    pipe_id: str
    change: str
    was: str
    now: str
    notice: bool
    why: str


@dataclass(frozen=True)
class Again:
    """A plan made again: its run, what is to be signed, what a freer plan would save."""

    run: str
    head: str
    freer: str
    lines: tuple[ChangeLine, ...]
    kept: int
    freer_lines: tuple[ChangeLine, ...]


def again_view(run: Path) -> Again:
    """Read what a plan made again changes.

    Parameters
    ----------
    run
        Its folder.

    Raises
    ------
    FileError
        If its table of changes is damaged.
    """
    said = (run / "to_sign.txt").read_text("utf-8").splitlines()
    every = _lines(run / "tables" / f"{PLAN_CHANGES.name}.csv")
    freer = [one for one in _lines(run / "freer_changes.csv") if one.change != "kept"]
    # The line for who signs stands before what a freer plan would save.
    last = said[-1] if said and "free to change" in said[-1] else ""
    shown = tuple(one for one in every if one.change != "kept" or one.was != one.now)
    return Again(run.name, said[0] if said else "", last, shown, len(every) - len(shown),
                 tuple(freer))  # fmt: skip


def _lines(path: Path) -> list[ChangeLine]:
    rows = records_in(read_table(path, PLAN_CHANGES)) if path.is_file() else []
    lines = [
        ChangeLine(
            str(row["setup_id"]), str(row["pipe_id"]), WORDS[str(row["change"])],
            _place(row, "was_"), _place(row, ""), bool(row["notice"]), str(row["why"]),
        )
        for row in rows
    ]  # fmt: skip
    return sorted(lines, key=lambda one: (list(WORDS).index(one.change), one.setup_id))


def _place(row: dict[str, Any], prefix: str) -> str:
    if not row[f"{prefix}crew"]:
        return ""
    day = day_name(str(row[f"{prefix}date"]))
    return f"{row[f'{prefix}crew']}, {day} {clock(int(row[f'{prefix}start_s']))}"
