"""Defects at one place become one span, which the rulebook screens as one.

Damage is joined where its coded stations or stretches touch, never because one sleeve
might reach both: placement decides that. Conditions and defects at joints all along stay
spans of their own and lend their figures to the damage that lies in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.coded_text import Coded, Columns, alike, taken, under
from planner.contracts import (
    DEFECTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    PIPES,
    SPAN_QUANTITIES,
    SPAN_ROWS,
    SPANS,
)
from planner.distinct import first_rows, groups_of, numbers_at, pairs_of
from planner.ground.ids import KnownIds, ids_of
from planner.held import Held, held
from planner.order import order_by
from planner.screening.coverage import overtaken_by, seen_again, seen_parts, with_rows
from planner.screening.joints import JOINT, REPEATED
from planner.screening.match import Flags
from planner.screening.places import SAME_M, Places, gather, starts_of
from planner.settings import Survey
from planner.tables import check, conform

STEP = "spans"
DAYS_PER_MONTH = 365.25 / 12.0
_ROLES = ("damage", "condition", "flag")
_DEPOSITS = ("deposit_attached", "deposit_settled")
# Figures of a span that are shares of the nominal size.
_OF_DN = (
    ("offset_mm", "offset_dn_ratio"),
    ("missing_mm", "missing_dn_ratio"),
    ("break_mm", "break_dn_ratio"),
)

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]
Texts = Any  # a text column


@dataclass(frozen=True)
class Spanned:
    """What `make_spans` gives: `rows` holds `SPANS`; `lost_ids` are earlier ids without an heir."""

    rows: Held
    span_rows: pd.DataFrame
    flags: pd.DataFrame
    left_over: pd.DataFrame
    lost_ids: pd.DataFrame

    @property
    def spans(self) -> pd.DataFrame:
        """`SPANS`, made once, for whoever reads the frame."""
        return self.rows.frame


def make_spans(  # noqa: PLR0913  four tables, and what decides
    pipes: pd.DataFrame,
    inspections: pd.DataFrame,
    defects: pd.DataFrame | Held,
    laterals: pd.DataFrame,
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
        As `locate` gave them.
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
    for frame, table in ((pipes, PIPES), (inspections, INSPECTIONS), (laterals, LATERALS)):
        check(frame, table)
    rows, flags = held(defects, DEFECTS), Flags()
    if seen is None:
        filmed = rows.coded("inspection_id").used()
        seen = with_rows(seen_parts(pipes, inspections, settings), filmed)
    newer = np.array([], dtype=object)
    if seen_again(seen).any():
        newer = overtaken_by(rows.frame, seen)
    old = newer != ""
    counted = rows.taken(~old) if old.any() else rows
    members = gather(counted, pipes, settings, flags)
    spans = _spans_of(members)
    ids = counted.column("observation_id")
    links = _links(members, *_lenders(spans), ids)
    spans |= _words(links, len(spans["role"])) | _worst(links, len(spans["role"]))
    spans |= _of_pipe(spans, pipes, laterals)
    spans["survey_age_months"] = _ages(spans["oldest"], first_day)
    places = {name: spans[name] for name in ("pipe_id", "from_m", "to_m", "find_m")}
    given, lost = ids_of({**places, "step": _steps(spans)}, known, "span")
    said = [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(flags.rows)]
    return Spanned(
        rows=_span_table(spans, given),
        span_rows=conform(_once(links, ids, given), SPAN_ROWS),
        flags=conform(said, FLAGS),
        left_over=_overtaken(rows, newer),
        lost_ids=lost,
    )


def _span_table(spans: Columns, ids: Texts) -> Held:
    """Give `SPANS`, put in the order of the table."""
    order = order_by([spans["pipe_id"].ordered().codes, spans["from_m"], ids])
    some = {name: spans[name] for name in SPANS.names if name in spans}
    return Held(SPANS, {**taken(some, order), "span_id": ids.take(order)})


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


def _spans_of(members: Columns) -> Columns:
    """Give one row for each place, by number: where it is, and what its own rows say."""
    every = starts_of(members["place"])
    own = taken(members, np.flatnonzero(members["part"].holds("own")))
    first = starts_of(own["place"])
    group, oldest = own["group"][first], own["seen_on"].ordered()
    whole = group.marked(lambda text: text.startswith(f"{REPEATED} "))
    damage = group.among(("damage", "flag", JOINT)) | whole
    long = np.logical_or.reduceat(own["kind"].holds("stretch"), first)
    joint = np.logical_or.reduceat(own["joint"], first)
    no_joint = np.logical_and.reduceat(own["no_joint"], first)
    return {
        "pipe_id": own["pipe_id"][first],
        "group": group,
        "counter_node": own["counter_node"][first],
        "arc_h": np.fmax.reduceat(own["arc_h"], first),
        "find_m": np.fmax.reduceat(own["find_m"], first),
        "oldest": Coded(np.minimum.reduceat(oldest.codes, first), oldest.words),
        "from_m": np.minimum.reduceat(members["from_m"], every),
        "to_m": np.maximum.reduceat(members["to_m"], every),
        "role": Coded.where(damage, "damage", "condition"),
        "kind": Coded.where(whole, REPEATED, Coded.where(long, "stretch", "point")),
        "at_joint": pd.arrays.BooleanArray(joint, ~joint & ~no_joint),
        "extent_from": _extent_origin(members, every),
        "state": Coded.one("open", len(group)),
    }


def _extent_origin(members: Columns, starts: Places) -> Coded:
    """Say what the two ends of each span rest on: the least certain of both."""
    sure = ~members["extent_from"].holds("assumed")
    start = np.where(sure, members["from_m"], members["core_from"])
    end = np.where(sure, members["to_m"], members["core_to"])
    coded_from = np.minimum.reduceat(start, starts)
    coded_to = np.maximum.reduceat(end, starts)
    assumed = np.minimum.reduceat(members["from_m"], starts) < coded_from - SAME_M
    assumed |= np.maximum.reduceat(members["to_m"], starts) > coded_to + SAME_M
    measured = np.logical_or.reduceat(members["extent_from"].holds("quantity"), starts)
    at_joints = np.logical_or.reduceat(members["group"].holds(JOINT), starts)
    assumed |= at_joints & np.logical_or.reduceat(~sure, starts)
    return Coded.where(assumed, "assumed", Coded.where(measured, "quantity", "coded"))


def _lenders(spans: Columns) -> tuple[Places, Places]:
    """Pair each damage span with the conditions and repeated defects that it lies in."""
    again = spans["group"].holds(JOINT) | spans["kind"].holds(REPEATED)
    takers = np.flatnonzero(spans["role"].holds("damage"))
    givers = np.flatnonzero(spans["role"].holds("condition") | again)
    pipe = spans["pipe_id"]
    one, other = pairs_of(pipe.codes[takers], pipe.codes[givers], len(pipe.words))
    one, other = takers[one], givers[other]
    meet = (spans["from_m"][other] <= spans["to_m"][one] + SAME_M) & (
        spans["to_m"][other] >= spans["from_m"][one] - SAME_M
    )
    meet &= ~(again[one] & again[other])
    return one[meet], other[meet]


_SAID = ("row", "mechanism", "detail", "shows", "quantity", "quantity_low", "quantity_high",
         "core_from")  # fmt: skip
_RANKS = {"own": 0, "flag": 1, "lent": 2}


def _links(members: Columns, takers: Places, givers: Places, ids: Texts) -> Columns:
    """Say which rows speak for each span: its own first, then flags, then lent ones.

    `ids` has the name of each of the defects that count.
    """
    count = len(members["place"])
    pair, row = pairs_of(givers, members["place"], int(members["place"].max(initial=-1)) + 1)
    at = np.concatenate([np.arange(count), row])
    links = {name: members[name][at] for name in _SAID}
    links["place"] = np.concatenate([members["place"], takers[pair]])
    part = links["part"] = under([members["part"], Coded.one("lent", len(row))])
    rank = np.array([_RANKS[word] for word in part.listed()], dtype=np.int8)[part.codes]
    order = order_by([links["place"], rank, links["core_from"], ids.take(links["row"])])
    return taken(links, order)


def _once(links: Columns, ids: Texts, span_ids: Texts) -> Columns:
    """Give each pair of a span and a row once, as what the row is to the span first."""
    place = links["place"]
    once = np.ones(len(place), dtype=bool)
    several = np.flatnonzero(np.bincount(place, minlength=len(span_ids))[place] > 1)
    row = Coded.of(ids.take(links["row"][several]))
    pairs = place[several] * max(len(row.words), 1) + row.codes
    once[several] = False
    once[several[np.unique(pairs, return_index=True)[1]]] = True
    first = np.flatnonzero(once)
    return {
        "span_id": span_ids.take(place[first]),
        "observation_id": ids.take(links["row"][first]),
        "part": links["part"][first],
    }


def _words(links: Columns, count: int) -> Columns:
    """Gather mechanisms, kinds of root and deposit, and what is seen through the wall."""
    place, mechanism = links["place"], links["mechanism"]
    own, lent = links["part"].holds("own"), links["part"].holds("lent")
    named = links["detail"].mapped(lambda word: word or "unknown")
    seen = {}
    for what in _SHOWN:
        by_text = links["shows"].marked(lambda text, what=what: what in text)
        found = ~lent & (mechanism.holds(what) | by_text)
        seen[what] = np.bincount(place[found], minlength=count) > 0
    known = np.zeros(count, dtype=bool)
    return {
        "mechanisms": joined(place, mechanism, own, count),
        "lent": joined(place, mechanism, lent, count),
        "root_kind": _kinds(joined(place, named, mechanism.holds("roots"), count)),
        "deposit_kind": _kinds(joined(place, named, mechanism.among(_DEPOSITS), count)),
        "soil_visible": pd.arrays.BooleanArray(seen["soil_visible"], known),
        "void_visible": pd.arrays.BooleanArray(seen["void_visible"], known),
        "coded_lateral": seen["at_lateral"],
    }


_SHOWN = ("soil_visible", "void_visible", "at_lateral")


# Words that fit into the bits of a whole number, its sign left out.
_BITS = 62


def joined(place: Places, said: Coded, wanted: Marks, count: int) -> Coded:
    """Join the words of each place's wanted rows, each once and in order, '+' between.

    Each set of words that occurs is written once.
    """
    here, code = place[wanted], said.codes[wanted]
    words, used = said.listed(), np.bincount(code, minlength=len(said.words)) > 0
    unlike = sorted(word for word, there in zip(words, used, strict=True) if there)
    rank = {word: at for at, word in enumerate(unlike)}
    bit = np.array([rank.get(word, 0) for word in words], dtype=np.int64)[code]
    sets = [np.zeros(count, dtype=np.int64) for _ in range(0, max(len(unlike), 1), _BITS)]
    for at, bits in enumerate(sets):
        some = np.flatnonzero(bit // _BITS == at)
        np.bitwise_or.at(bits, here[some], np.int64(1) << (bit[some] % _BITS))
    where, first = _unlike(sets)
    masks = [sum(int(bits[row]) << _BITS * at for at, bits in enumerate(sets)) for row in first]
    texts = ["+".join(w for at, w in enumerate(unlike) if mask >> at & 1) for mask in masks]
    return Coded.of(texts)[where]


def _unlike(columns: list[npt.NDArray[np.int64]]) -> tuple[Places, Places]:
    """Give the number of what each row holds in all columns, and the first row of each number."""
    where, count = groups_of(columns)
    return where, first_rows(where, count)


def _kinds(words: Coded) -> Coded:
    """Leave out a blank that stands alone; among named ones it is a kind of its own."""
    return words.mapped(lambda word: "" if word == "unknown" else word)


def _worst(links: Columns, count: int) -> Columns:
    """Give each figure of a span as an interval: the worst that its rows can mean.

    A row whose figure is unknown leaves the upper end open: it may be the worst. What no row
    has a figure of has no columns; a share of the size is reckoned from its figure alone.
    """
    quantity = links["quantity"]
    there = set(quantity.listed()) - {ratio for _, ratio in _OF_DN}
    told = [name for name in SPAN_QUANTITIES if name in there]
    names = {name: at for at, name in enumerate(told)}
    at_word = np.array([names.get(name, -1) for name in quantity.listed()], dtype=np.intp)
    figure = at_word[quantity.codes]
    known = np.flatnonzero(figure >= 0)
    at = figure[known] * count + links["place"][known]
    high = links["quantity_high"][known]
    least, most = np.full(len(names) * count, np.nan), np.full(len(names) * count, -1.0)
    np.fmax.at(least, at, links["quantity_low"][known])
    np.maximum.at(most, at, np.where(np.isnan(high), np.inf, high))
    most = np.where(np.isinf(most) | (most < 0.0), np.nan, most)
    ends = {"low": least.reshape(len(names), count), "high": most.reshape(len(names), count)}
    return {
        f"{name}_{side}": ends[side][row] for name, row in names.items() for side in ("low", "high")
    }


def _of_pipe(spans: Columns, pipes: pd.DataFrame, laterals: pd.DataFrame) -> Columns:
    """Add what only the pipe can say: shares of its size, and laterals close by."""
    out: Columns = {}
    at = spans["pipe_id"].places_in(pipes["pipe_id"])
    dn = numbers_at(pipes["dn_mm"], at)
    dn = np.where(dn > 0.0, dn, np.nan)
    for name, ratio in _OF_DN:
        for side in ("low", "high") if f"{name}_low" in spans else ():
            out[f"{ratio}_{side}"] = spans[f"{name}_{side}"] / dn
    start, end = spans["from_m"] - spans["find_m"], spans["to_m"] + spans["find_m"]
    near = _near_lateral(spans, start, end, laterals) | spans["coded_lateral"]
    length = numbers_at(pipes["length_m"], at)
    known_from, known_to = (
        numbers_at(pipes[f"laterals_known_{end}_m"], at) for end in ("from", "to")
    )
    known = known_from <= np.maximum(start, 0.0) + SAME_M
    known &= known_to >= np.minimum(end, length) - SAME_M
    out["at_lateral"] = pd.arrays.BooleanArray(near, ~near & ~known)
    return out


def _near_lateral(spans: Columns, start: Numbers, end: Numbers, laterals: pd.DataFrame) -> Marks:
    """Mark spans with a lateral between `start` and `end`, its half size taken in."""
    size = laterals["size_mm"].to_numpy(dtype=float)
    half = np.where(np.isnan(size), 0.0, size) / 2000.0
    x = laterals["x_m"].to_numpy(dtype=float)
    own, other = alike([spans["pipe_id"], Coded.of(laterals["pipe_id"])])
    one, tap = pairs_of(own.codes, other.codes, len(own.words))
    meet = (x - half)[tap] <= end[one] + SAME_M
    meet &= (x + half)[tap] >= start[one] - SAME_M
    marks = np.zeros(len(start), dtype=bool)
    marks[one[meet]] = True
    return marks


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
