"""What the book says of a part's spans, kept aside from the count of quantities to the proposal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from planner.city.columns import arrow_table, frame_of
from planner.city.filing import fill_aside, read_held, read_record, write_held, write_record
from planner.contracts import (
    DEFECTS,
    FLAGS,
    GRADES,
    GROWTH,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    PIPES,
    SPAN_ROWS,
    SPANS,
    VERDICTS,
)
from planner.held import Held
from planner.rule_spans import Ruled
from planner.screening.locate import Located
from planner.screening.screen import Screened
from planner.screening.spans import Spanned
from planner.tables import Table

FOLDER = "ruled"
_FILE = "ruled.arrow"
_LOCATED = {"pipes": PIPES, "inspections": INSPECTIONS, "defects": DEFECTS, "laterals": LATERALS,
            "growth": GROWTH, "flags": FLAGS, "left_over": LEFT_OVER}  # fmt: skip
_SPANNED = {"spans": SPANS, "span_rows": SPAN_ROWS, "flags": FLAGS, "left_over": LEFT_OVER,
            "lost_ids": None}  # fmt: skip
_OWN = {"spans": SPANS, "verdicts": VERDICTS, "grades": GRADES,
        "found": FLAGS, "no_limits": FLAGS}  # fmt: skip
_TABLES: dict[str, Mapping[str, Table | None]] = {
    "located": _LOCATED, "spanned": _SPANNED, "own": _OWN,
}  # fmt: skip


def keep_ruled(place: Path, ruled: Ruled, part: dict[str, Any]) -> None:
    """Write it into the folder of a part; `part` says what it is of, as in ``job.json``."""

    def fill(folder: Path) -> None:
        homes = {"located": ruled.located, "spanned": ruled.spanned, "own": ruled}
        tables = {f"{of} {name}": arrow_table(getattr(homes[of], name))
                  for of, names in _TABLES.items() for name in names}  # fmt: skip
        write_held(folder / _FILE, tables)
        write_record(folder, _mark(part))

    fill_aside(place / FOLDER, fill)


def kept_ruled(
    place: Path, part: dict[str, Any], screened: Callable[[Located, Held], Screened]
) -> Ruled | None:
    """Read what was kept of the same rows by the same code; None where there is none.

    `screened` lets the book speak again of what was placed and its spans. Findings are not
    kept: to write and read them takes as long as to say them when they are asked for.
    """
    folder = place / FOLDER
    found, mark = read_record(folder), _mark(part)
    if {name: found.get(name) for name in mark} != mark:
        return None

    tables: dict[str, dict[str, pd.DataFrame]] = {of: {} for of in _TABLES}
    for words, held in read_held(folder / _FILE):
        of, name = words.split()
        tables[of][name] = frame_of(held, _TABLES[of][name])
    placed: dict[str, Any] = tables["located"]
    joined: dict[str, Any] = tables["spanned"]
    own: dict[str, Any] = tables["own"]
    located = Located(
        axes=Held.of(placed.pop("pipes"), PIPES),
        heads=Held.of(placed.pop("inspections"), INSPECTIONS),
        rows=Held.of(placed.pop("defects"), DEFECTS),
        taps=Held.of(placed.pop("laterals"), LATERALS),
        doubts=Held.of(placed.pop("flags"), FLAGS),
        left=Held.of(placed.pop("left_over"), LEFT_OVER),
        **placed,
    )
    rows, links = Held.of(joined.pop("spans"), SPANS), joined.pop("span_rows")
    spanned = Spanned(rows=rows, say_rows=lambda: links, **joined)
    spans, verdicts = Held.of(own.pop("spans"), SPANS), own.pop("verdicts")

    def findings() -> pd.DataFrame:
        return screened(located, spans).findings

    graded, said = Held.of(own.pop("grades"), GRADES), Screened(lambda: verdicts, findings)
    return Ruled(located, spanned, spans, graded, screened=said, **own)


def _mark(part: dict[str, Any]) -> dict[str, Any]:
    # What is asked of a part holds the digest of the code as well.
    return {"asked": part["asked"], "known": part["known"]}
