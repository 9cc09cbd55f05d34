"""One part of a city, from its rows to its tables; run anywhere, again and again.

A task reads files, writes a folder aside and renames it, and gives back a few figures: one
that dies takes nothing with it but its own time, and two that do the same do no harm.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from planner.city.code import same_code
from planner.city.columns import array_of, arrow_table, frame_of
from planner.city.filing import (
    CityError,
    by_pipe,
    fill_aside,
    link_file,
    read_frame,
    read_held,
    read_record,
    read_shared,
    write_frame,
    write_held,
    write_json,
    write_record,
    write_table,
)
from planner.city.memory import plain_memory
from planner.city.numbers import free_base, fresh_of, renumbered
from planner.city.rows import read_rows
from planner.city.ruled import keep_ruled, kept_ruled
from planner.city.split import known_digest
from planner.city.whole import KEPT, part_inputs, read_whole
from planner.collecting import rarely
from planner.contracts import (
    FLAGS,
    GROWTH,
    PRICE_QUANTITIES,
    TABLES,
)
from planner.contracts.books import IDS
from planner.distinct import is_among
from planner.ground.ids import KnownIds
from planner.inputs.inputs import Inputs
from planner.marks import row_marks
from planner.once import Once, within
from planner.order import rises
from planner.owned import PRICES_STEP
from planner.propose import Proposal, count_wanted, propose
from planner.repairs.quantity_bands import in_force, tally, tally_chosen
from planner.rule_spans import READ, Ruled, Whole, book_of, rule_spans, screen_spans
from planner.screening.axis import Listed
from planner.screening.doubts import told_zeros, unsure_zeros
from planner.screening.rulebook import Rulebook
from planner.tables import Table, conform, rows_in

JOB = "job.json"
LOST, KNOWN = "lost.parquet", "known.parquet"
"""Earlier ids of a part without an heir, and all that are known after it."""
WAITING = "waiting.arrow"
"""Tables of a part that name spans and sleeves, before the city's ids."""
WITHOUT_IDS = ("pipes", "inspections", "laterals", "defects", "growth", "grades", "pipe_totals")
"""Tables in which no span or sleeve is named: they stand as they were proposed."""
_CONTRACTS = {table.name: table for table in (*TABLES, GROWTH, IDS)}
Summary = dict[str, Any]


def read_job(home: Path) -> dict[str, Any]:
    """Read what is to be done; `CityError` where there is nothing."""
    return read_shared(home / JOB)


def part_folder(home: Path, job: dict[str, Any], number: int) -> Path:
    """Give the folder of one part."""
    return home / "parts" / str(job["parts"][number]["rows"])


@rarely
@plain_memory()
def part_work(folder: str, number: int) -> Summary:
    """Propose one part and write what comes of it, with ids that hold in the part only.

    Parameters
    ----------
    folder
        ``.city`` of the project, seen by every host under the same path.
    number
        Of the part in ``job.json``.

    Returns
    -------
    summary
        Figures of the part, as in its ``record.json``.

    Raises
    ------
    PlannerError
        If the part cannot be read, or the code is of another version than the run's.
    """
    home = Path(folder)
    job = read_job(home)
    same_code(job["code"])
    place = part_folder(home, job, number)
    with _remembering(home, job) as book:
        inputs, known, decisions, whole, base = _read_part(home, job, number)
        local = KnownIds(known, {"span": base, "sleeve": base})
        ruled = kept_ruled(
            place,
            job["parts"][number],
            lambda located, spans: screen_spans(inputs, decisions, located, spans, book)[0],
        )
        made = propose(inputs, local, decisions, book=book, whole=whole, ruled=ruled)
    summary = _summary(job, number, inputs, made) | {"base": base}
    tables = _own_tables(made, summary, whole)

    def fill(part: Path) -> None:
        for name in WITHOUT_IDS:
            write_table(part / f"{name}.parquet", by_pipe(arrow_table(tables[name])))
        # What waits for the city's ids is sorted by pipe once it has them.
        waiting = {name: arrow_table(f) for name, f in tables.items() if name not in WITHOUT_IDS}
        write_held(part / WAITING, {**waiting, IDS.name: arrow_table(made.known.table)})
        write_frame(part / "fresh.parquet", fresh_of(made, base))
        write_frame(part / LOST, pd.concat(made.lost_ids))
        write_record(part, summary)

    fill_aside(place / "raw", fill)
    return summary


def rule_part(home: Path, job: dict[str, Any], number: int) -> tuple[Inputs, pd.DataFrame, Ruled]:
    """Read one part and let the book speak; give its rows, decisions on it and what was said."""
    with _remembering(home, job) as book:
        inputs, known, decisions, whole, base = _read_part(home, job, number)
        local = KnownIds(known, {"span": base, "sleeve": base})
        return inputs, decisions, rule_spans(inputs, local, decisions, book, whole)


@rarely
@plain_memory()
def count_work(folder: str, number: int) -> Summary:
    """Count what one part could order of each price that holds for a range of quantity.

    What the book said is kept aside for `part_work`.
    """
    home = Path(folder)
    job = read_job(home)
    same_code(job["code"])
    inputs, decisions, ruled = rule_part(home, job, number)
    wanted = count_wanted(inputs, decisions, ruled)
    part, place = job["parts"][number], part_folder(home, job, number)
    keep_ruled(place, ruled, part)
    counted = {"asked": part["asked"], "known": part["known"],
               "wanted": tally(wanted, inputs.prices)}  # fmt: skip
    write_json(place / "wanted.json", counted)
    return counted


@rarely
@plain_memory()
def number_work(folder: str, number: int) -> Summary:
    """Write the tables of one part with the ids that hold in the whole city."""
    home = Path(folder)
    job = read_job(home)
    same_code(job["code"])
    place = part_folder(home, job, number)
    raw = place / "raw"
    summary = read_record(raw)
    if not summary:
        message = f"{raw}: not there or damaged; delete it and run again"
        raise CityError(message)
    change = renumbered(read_frame(raw / "fresh.parquet"), read_frame(place / "numbers.parquet"),
                        int(summary["base"]))  # fmt: skip

    def fill(part: Path) -> None:
        for name in WITHOUT_IDS:
            link_file(raw / f"{name}.parquet", part / f"{name}.parquet")
        for name, held in read_held(raw / WAITING):
            table = _CONTRACTS[name]
            named = _in_order(change.table(held), table)
            if table is IDS:
                summary["after"] = known_digest(row_marks(frame_of(named, IDS)))
            write_table(part / (KNOWN if table is IDS else f"{name}.parquet"), named)
        link_file(raw / LOST, part / LOST)
        write_record(part, summary)

    summary["numbers"] = job["parts"][number]["numbers"]
    fill_aside(place / "tables", fill)
    return summary


def _in_order(held: pa.Table, table: Table) -> pa.Table:
    """Sort rows by the key of `table`, which new ids may have turned, and then by pipe."""
    if held.num_rows and table.key and not rises([array_of(held, name) for name in table.key]):
        held = arrow_table(frame_of(held, table))
    return by_pipe(held)


@lru_cache(maxsize=1)
def _told_prices(home: Path, digest: str, said: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the quantities and the prices in force that all parts of a run are told."""
    quantities = conform(json.loads(said), PRICE_QUANTITIES)
    return quantities, in_force(read_whole(home, digest).prices, quantities)


@lru_cache(maxsize=1)
def _told_book(home: Path, digest: str) -> tuple[Once, Rulebook]:
    return Once(), book_of(read_whole(home, digest))


@contextmanager
def _remembering(home: Path, job: dict[str, Any]) -> Iterator[Rulebook]:
    """Keep, from part to part, what follows from what all are told; give the rulebook."""
    once, book = _told_book(home, job["whole"])
    prices = _told_prices(home, job["whole"], json.dumps(job["quantities"]))
    whole = read_whole(home, job["whole"])
    try:
        with within(once):
            yield book
    finally:
        once.forget([*prices, *(getattr(whole, name) for name in KEPT)])


def _read_part(
    home: Path, job: dict[str, Any], number: int
) -> tuple[Inputs, pd.DataFrame, pd.DataFrame, Whole, int]:
    """Read a part's rows, the ids known on it, decisions on it, and what the whole says.

    Gives too a number above which no id stands in its texts.
    """
    place = part_folder(home, job, number)
    part = read_rows(place / "rows")
    inputs = part_inputs(read_whole(home, job["whole"]), part)
    quantities, prices = _told_prices(home, job["whole"], json.dumps(job["quantities"]))
    decisions = part.tables["decisions"]
    whole = Whole(Listed(**job["listed"]), quantities, prices, part.matched)
    known = read_frame(place / "known.parquet", IDS)
    return inputs, known, decisions, whole, free_base(inputs, decisions, part.free)


def _own_tables(made: Proposal, summary: Summary, whole: Whole) -> dict[str, pd.DataFrame]:
    """Leave out what is read, and what only all parts together can say."""
    out = {name: t for name, t in made.tables.items() if name not in READ}
    del out["price_quantities"]
    flags = out["flags"]
    central = {("listed lengths", whole.listed.told), *told_zeros(summary["zeros"])}
    said = zip(flags["key"], flags["what"], strict=True)
    drop = np.array([one in central for one in said], dtype=bool)
    drop |= (flags["step"] == PRICES_STEP).to_numpy(dtype=bool)
    out["flags"] = conform(flags[~drop], FLAGS) if drop.any() else flags
    return out


def _summary(job: dict[str, Any], number: int, inputs: Inputs, made: Proposal) -> Summary:
    t, part = made.tables, job["parts"][number]
    verdicts, choices = t["verdicts"]["verdict"], t["choices"]
    cost = choices.groupby("state")["cost_cents"].sum()
    return {
        "key": part["key"],
        "asked": part["asked"],
        "known": part["known"],
        "pipes": len(t["pipes"]),
        "rows": len(inputs.held["observations"]),
        "spans": len(t["spans"]),
        "sleeves": len(t["sleeves"]),
        "left_over": len(t["left_over"]),
        "verdicts": {str(k): int(v) for k, v in verdicts.value_counts().items()},
        "cost_cents": {str(k): int(v) for k, v in cost.items()},
        "wanted": tally(made.wanted, inputs.prices),
        "chosen": tally_chosen(t, inputs.prices),
        "zeros": dict(sorted(unsure_zeros(_used(t)).items())),
    }


def _used(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Give the runs that are not left over."""
    runs, left_over = tables["inspections"], tables["left_over"]
    used = ~is_among(runs["inspection_id"], left_over["key"])
    if used.all():
        return runs
    of_runs = left_over[is_among(left_over["key"], runs["inspection_id"])]
    left = set(rows_in(of_runs.astype({"row": "str"}), ["key", "file", "row"]))
    named = np.flatnonzero(~used)
    own = rows_in(runs.iloc[named].astype({"row": "str"}), ["inspection_id", "file", "row"])
    used[named] = [row not in left for row in own]
    return runs[used]
