"""Defects at one place become one span, which the rulebook screens as one.

Damage is joined where its coded stations or stretches touch, never because one sleeve
might reach both: placement decides that. Conditions and defects at joints all along stay
spans of their own and lend their figures to the damage that lies in them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.coded_text import Coded, Columns, taken
from planner.contracts import (
    DEFECTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    PIPES,
    SPAN_ROWS,
    SPANS,
)
from planner.distinct import numbers_at
from planner.ground.ids import KnownIds, fresh_ids, ids_of
from planner.held import Held, held
from planner.order import order_by
from planner.screening.coverage import overtaken_by, seen_again, seen_parts, with_rows
from planner.screening.joints import REPEATED
from planner.screening.match import Flags
from planner.screening.places import InOrder, Members, gather, joined
from planner.screening.scattered import Scattered, WithFigures
from planner.screening.span_kernel import LATERAL, SOIL, VOID, Codes
from planner.screening.span_taps import Known, Taps, connect
from planner.screening.walk_rows import DAMAGE, OF_DN, is_whole, kinds_of, step_of, takes
from planner.settings import Survey
from planner.tables import conform

STEP = "spans"
DAYS_PER_MONTH = 365.25 / 12.0
_ROLES = ("damage", "condition", "flag")
_EXTENTS = ("coded", "quantity", "assumed")  # as the walks number them

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Places = npt.NDArray[np.intp]
Texts = Any  # a text column
Figures = dict[str, Scattered]


@dataclass(frozen=True)
class Spanned:
    """What `make_spans` gives: `rows` holds `SPANS`; `lost_ids` are earlier ids without an heir.

    Which rows speak for each span is told to whoever asks, and once.
    """

    rows: Held
    say_rows: Callable[[], pd.DataFrame] = field(repr=False)
    flags: pd.DataFrame
    left_over: pd.DataFrame
    lost_ids: pd.DataFrame

    @property
    def spans(self) -> pd.DataFrame:
        """`SPANS`, made once, for whoever reads the frame."""
        return self.rows.frame

    @cached_property
    def span_rows(self) -> pd.DataFrame:
        """`SPAN_ROWS`, made once, for whoever reads the frame."""
        return self.say_rows()


def make_spans(  # noqa: PLR0913  four tables, and what decides
    pipes: pd.DataFrame | Held,
    inspections: pd.DataFrame | Held,
    defects: pd.DataFrame | Held,
    laterals: pd.DataFrame | Held,
    settings: Survey,
    known: KnownIds,
    *,
    first_day: str,
    seen: Columns | None = None,
) -> Spanned:
    """Join defects at one place into spans.

    Parameters
    ----------
    pipes, inspections, defects, laterals
        As `locate` gave them; laterals in any order, named or not.
    settings
        How close stations are one place.
    known
        Ids of earlier runs: a span at an earlier one's place keeps its id.
    first_day
        YYYY-MM-DD, the day to which the age of surveys counts; "" = unknown.
    seen
        What the runs of the defects saw of the pipes; None = it is asked here.

    Returns
    -------
    Spanned
        `SPANS` with each figure as an interval (the worst of its rows), `SPAN_ROWS`,
        `FLAGS`, and `LEFT_OVER`: rows that a newer survey has overtaken.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    heads = held(inspections, INSPECTIONS)
    network, taps = held(pipes, PIPES), held(laterals, LATERALS)
    rows, flags = held(defects, DEFECTS), Flags()
    if seen is None:
        filmed = rows.coded("inspection_id").used()
        seen = with_rows(seen_parts(network.frame, heads.frame, settings), filmed)
    newer = np.array([], dtype=object)
    if seen_again(seen).any():
        newer = overtaken_by(rows.frame, seen)
    old = newer != ""
    in_order = InOrder.of(rows.taken(~old) if old.any() else rows)
    members, counted = gather(in_order, network, settings, flags), in_order.defects
    spans, figures = _spans_of(members, counted), members.figures()
    spans |= _of_pipe(members, figures, network, taps)
    spans["survey_age_months"] = _ages(Coded(members.measured.day, members.laid.days), first_day)
    held_spans, order, lost = _span_table(members, spans, figures, known)
    said = [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(flags.rows)]
    return Spanned(
        rows=held_spans,
        say_rows=lambda: _span_rows(members, counted, held_spans, order),
        flags=conform(said, FLAGS),
        left_over=_overtaken(rows, newer),
        lost_ids=lost,
    )


def _span_table(
    members: Members, spans: Columns, figures: Figures, known: KnownIds
) -> tuple[Held, Places | None, pd.DataFrame]:
    """Give `SPANS`; the order of places in it, None = as they stand; and ids without an heir.

    Where no earlier id is known, new ones are written for who reads them: they stand in order.
    """
    places = {name: spans[name] for name in ("pipe_id", "from_m", "to_m", "find_m")}
    fresh = fresh_ids(places, known, "span")
    if fresh is not None:
        ids = fresh.written
        return WithFigures(SPANS, {**spans, "span_id": ids}, figures), None, fresh.lost
    steps = [step_of(name) for name in members.laid.names]
    step = Coded.of(steps)[members.measured.group]
    given, lost = ids_of({**places, "step": step}, known, "span")
    order = order_by([members.found.pipe, spans["from_m"], given])
    in_order = {**taken(spans, order), "span_id": given.take(order)}
    figures = {name: one.taken(order) for name, one in figures.items()}
    return WithFigures(SPANS, in_order, figures), order, lost


def _span_rows(members: Members, defects: Held, spans: Held, order: Places | None) -> pd.DataFrame:
    """Give `SPAN_ROWS`: each row once for each span, as what it is to it first."""
    place, row, part = members.links()
    count = len(defects)
    # What is its own comes before flags, and these before what is lent.
    pair = (place * count + row) * len(part.words) + part.codes
    first = np.sort(pair)
    new = np.ones(len(first), dtype=bool)
    new[1:] = first[1:] // len(part.words) != first[:-1] // len(part.words)
    first = first[new]
    both, part_of = np.divmod(first, len(part.words))
    place, row = np.divmod(both, max(count, 1))
    ids = spans.column("span_id")
    if order is not None:
        back = np.empty(len(order), dtype=np.intp)
        back[order] = np.arange(len(order))
        place = back[place]
    told = {
        "span_id": ids.take(place),
        "observation_id": defects.column("observation_id").take(row),
        "part": Coded(part_of.astype(np.int32), part.words),
    }
    return conform(told, SPAN_ROWS)


def id_rows(spans: pd.DataFrame) -> pd.DataFrame:
    """Give `spans` the column by which only things of one nature inherit an id.

    Damage is known again by its place alone; a condition, and what recurs along the pipe,
    by its mechanism too: a sag and a deposit on the same stretch must not swap what was
    decided on them.
    """
    names = ("role", "kind", "mechanisms")
    step = _steps({name: Coded.of(spans[name]) for name in names}).column()
    return pd.DataFrame(
        {**{name: spans[name].array for name in ("pipe_id", "from_m", "to_m")}, "step": step},
        index=spans.index,
    )


def _steps(spans: Columns) -> Coded:
    by_place = spans["role"].holds("damage") & ~spans["kind"].holds(REPEATED)
    return Coded.where(by_place, spans["role"], spans["mechanisms"])


def _spans_of(members: Members, defects: Held) -> Columns:
    """Give one row for each place: where it is, and what its rows say."""
    found, said, laid = members.found, members.said, members.laid
    seen = said.measured
    count = len(members)
    known, kind = np.zeros(count, dtype=bool), seen.kind
    if any(map(is_whole, laid.names)):
        kind = np.where(members.of_group(is_whole), np.int32(2), kind)
    mechanisms = joined(said.mechanisms, laid.mechanisms)
    kinds = joined(said.details, laid.details, kinds_of)
    return {
        "pipe_id": members.pipes[found.pipe],
        "from_m": found.from_m,
        "to_m": found.to_m,
        "kind": Coded(kind, _words("point", "stretch", REPEATED)),
        "role": Coded(members.of_group(takes, np.int32), _words("condition", DAMAGE)),
        "mechanisms": mechanisms[seen.own],
        "lent": _said_by(mechanisms, seen.lent),
        "extent_from": Coded(seen.extent, _words(*_EXTENTS)),
        "state": Coded.one("open", count),
        "soil_visible": pd.arrays.BooleanArray(seen.seen & SOIL > 0, known),
        "void_visible": pd.arrays.BooleanArray(seen.seen & VOID > 0, known),
        "at_joint": pd.arrays.BooleanArray(seen.joint, ~seen.joint & ~seen.no_joint),
        "root_kind": _said_by(kinds, seen.roots),
        "deposit_kind": _said_by(kinds, seen.deposit),
        "arc_h": seen.arc_h,
        "find_m": seen.find_m,
        "counter_node": Coded(seen.node, defects.coded("counter_node").words),
    }


def _words(*words: str) -> pa.Array:
    """Give words as `Coded` has them; each row has the number of one."""
    return pa.array(words, pa.large_string())


def _said_by(texts: Coded, sets: Codes) -> Coded:
    """Give the texts of sets; no word that none of them has where all are empty."""
    return texts[sets] if sets.any() else Coded.one("", len(sets))


def _of_pipe(members: Members, figures: Figures, pipes: Held, laterals: Held) -> Columns:
    """Add what only the pipe can say: shares of its size to figures, and laterals close by."""
    found, find_m = members.found, members.measured.find_m
    at = members.pipes.rows_in(pipes.column("pipe_id"))
    dn, *told = (numbers_at(pipes.floats(name), at) for name in _TOLD_OF_PIPES)
    dn = np.where(dn > 0.0, dn, np.nan)
    for name, ratio in OF_DN:
        if name in figures:
            figures[ratio] = figures[name].over(dn[found.pipe[figures[name].at]])
    near, open_ = members.measured.seen & LATERAL > 0, np.empty(len(members), dtype=bool)
    connect(_taps(at, laterals, pipes), Known(*told), found, find_m, near, open_)
    return {"at_lateral": pd.arrays.BooleanArray(near, open_)}


_TOLD_OF_PIPES = ("dn_mm", "length_m", "laterals_known_from_m", "laterals_known_to_m")


def _taps(rows: Places, laterals: Held, pipes: Held) -> Taps:
    """Give the laterals of pipes with spans, which have these rows, from edge to edge."""
    numbers = np.full(len(pipes) + 1, -1)
    numbers[rows] = np.arange(len(rows))
    numbers[-1] = -1
    at = numbers[laterals.coded("pipe_id").rows_in(pipes.column("pipe_id"))]
    size, x = (laterals.floats(name) for name in ("size_mm", "x_m"))
    half = np.where(np.isnan(size), 0.0, size) / 2000.0
    there = at >= 0
    return Taps(at[there], (x - half)[there], (x + half)[there])


def _ages(oldest: Coded, first_day: str) -> Numbers:
    """Count the months from the oldest survey of each span to the first day; NaN if unknown."""
    if not first_day or not len(oldest):
        return np.full(len(oldest), np.nan)
    seen = np.array([day or "NaT" for day in oldest.listed()], dtype="datetime64[D]")
    days = (np.datetime64(first_day, "D") - seen).astype(float)
    ages = np.maximum(np.where(np.isnat(seen), np.nan, days) / DAYS_PER_MONTH, 0.0)
    return np.asarray(ages[oldest.codes], dtype=float)


def _overtaken(rows: Held, newer: npt.NDArray[np.object_]) -> pd.DataFrame:
    """List the rows that make no span because a newer survey saw their place."""
    if not (newer != "").any():
        return conform([], LEFT_OVER)
    old = (newer != "") & rows.coded("role").among(_ROLES)
    left = rows.frame.loc[old, ["observation_id", "file", "row"]]
    left = left.rename(columns={"observation_id": "key"})
    reason = [f"older survey: {name} saw the place again" for name in newer[old]]
    return conform(left.assign(step=STEP, reason=reason), LEFT_OVER)
