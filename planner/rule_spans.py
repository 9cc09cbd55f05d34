"""Coded rows on their pipes, joined to spans, and what the book says of each.

The first steps of `propose`, and all of `sleeveplan check`. They are also run for a part of a
project's pipes alone, with what the whole project says given beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from planner.contracts import FLAGS, LEFT_OVER, PIPES, SPANS
from planner.distinct import is_among
from planner.ground.ids import KnownIds
from planner.held import Held
from planner.inputs.inputs import Inputs
from planner.repairs.decide_spans import own_limits
from planner.screening.as_built import as_it_lies, days_of, measured_pipes
from planner.screening.axis import Listed
from planner.screening.grades import GradeTables, grade_all
from planner.screening.locate import Located, locate
from planner.screening.match import Matched
from planner.screening.own_limits import screen_with_own
from planner.screening.rulebook import Rulebook, load_rulebook
from planner.screening.screen import Screened
from planner.screening.spans import Spanned, make_spans
from planner.tables import Table, conform, empty

Tables = dict[str, pd.DataFrame]
READ = ("nodes", "streets", "addresses", "observations", "systems", "system_sizes", "materials",
        "parts", "process", "pressure_steps", "order_of_work", "conditions", "packers", "prices",
        "stock", "lots", "crews", "shifts", "windows", "closed", "permits", "weather", "notices",
        "done", "events", "as_built", "measured", "stock_moves", "faults")  # fmt: skip


@dataclass(frozen=True)
class Whole:
    """What the whole project says, where a part of its pipes alone is proposed.

    `listed` as `screening.axis.listed_of` gives it; `quantities` obeys `PRICE_QUANTITIES`, and
    `prices`, those in force by them, `PRICES`. `matched` says of the part's runs whose they are;
    None where its pipes alone decide that.
    """

    listed: Listed
    quantities: pd.DataFrame
    prices: pd.DataFrame
    matched: Matched | None = None


@dataclass(frozen=True)
class Ruled:
    """Spans and what the book says of them, before people's decisions on single spans.

    `rows` holds the spans of `spanned` with what the field measured and built, `graded` holds
    `GRADES`; `found` says of
    that, and `no_limits` of limits of people's own that are not applied. Spans are judged; what
    `screened` says of them in words waits for its reader.
    """

    located: Located
    spanned: Spanned
    rows: Held
    graded: Held
    found: pd.DataFrame
    no_limits: pd.DataFrame
    screened: Screened

    @property
    def spans(self) -> pd.DataFrame:
        """`SPANS`, made once, for whoever reads the frame."""
        return self.rows.frame

    @property
    def grades(self) -> pd.DataFrame:
        """`GRADES`, made once, for whoever reads the frame."""
        return self.graded.frame

    @property
    def verdicts(self) -> pd.DataFrame:
        """`VERDICTS`, made once, for whoever reads the frame."""
        return self.screened.verdicts


def rule_spans(
    inputs: Inputs,
    known: KnownIds,
    decisions: pd.DataFrame,
    book: Rulebook | None = None,
    whole: Whole | None = None,
) -> Ruled:
    """Put rows on pipes, join them to spans, and let the book speak.

    Parameters
    ----------
    inputs, known, decisions, book, whole
        As for `propose`; the quantities and prices of `whole` are passed over.
    """
    located = place_rows(inputs, whole)
    spanned = make_spans(
        located.axes, located.heads, located.rows, located.taps,
        inputs.settings.survey, known, first_day=inputs.settings.project.first_day,
        seen=located.seen,
    )  # fmt: skip
    spans, found = _as_it_lies(inputs, located, spanned)
    screened, no_limits = screen_spans(inputs, decisions, located, spans, book)
    graded = grade_all(
        located.rows, located.heads, located.axes,
        GradeTables(**inputs.grade_tables), inputs.settings.grades,
    )  # fmt: skip
    return Ruled(located, spanned, spans, graded, found, no_limits, screened)


def screen_spans(
    inputs: Inputs,
    decisions: pd.DataFrame,
    located: Located,
    spans: Held,
    book: Rulebook | None = None,
) -> tuple[Screened, pd.DataFrame]:
    """Let the book speak of spans; gives also `FLAGS` of limits that are not applied.

    Parameters
    ----------
    inputs, decisions, book
        As for `propose`.
    located, spans
        As `located` and `rows` in `Ruled`.
    """
    on, rules, beside = located.axes, book_of(inputs, book), located.rows
    if not len(decisions):
        return screen_with_own(spans, on, rules, {}, defects=beside)
    own, no_limits = own_limits(decisions, spans.frame)
    screened, unknown = screen_with_own(spans, on, rules, own, defects=beside)
    return screened, joined([no_limits, unknown], FLAGS)


def ruled_tables(inputs: Inputs, ruled: Ruled) -> Tables:
    """Give the tables that were read, and those up to what the book says of each span."""
    return {
        **placed_tables(inputs, ruled.located),
        "spans": ruled.spans,
        "span_rows": ruled.spanned.span_rows,
        "verdicts": ruled.verdicts,
        "grades": ruled.grades,
    }


def _as_it_lies(inputs: Inputs, located: Located, spanned: Spanned) -> tuple[Held, pd.DataFrame]:
    """Put what the field measured and built onto the spans; see `screening.as_built`."""
    if inputs.measured.empty and inputs.as_built.empty:
        return spanned.rows, empty(FLAGS)
    days = days_of(spanned.spans, spanned.span_rows, located.defects)
    tables = {"pipes": located.pipes, "laterals": located.laterals}
    tables |= {"measured": inputs.measured, "as_built": inputs.as_built}
    spans, told = as_it_lies(spanned.spans, days, tables)
    return Held.of(spans, SPANS), told


def place_rows(inputs: Inputs, whole: Whole | None = None) -> Located:
    """Put the coded rows on the pipes' own axes; also what ``sleeveplan check`` shows."""
    located = locate(
        inputs.held["pipes"],
        inputs.held["nodes"],
        inputs.held["inspections"],
        inputs.held["observations"],
        inputs.held["laterals"],
        inputs.settings.survey,
        inputs.settings.project.first_day,
        whole.listed if whole else None,
        whole.matched if whole else None,
    )
    if inputs.measured.empty:
        return located
    pipes, told = measured_pipes(located.pipes, inputs.measured)
    doubts = Held.of(joined([located.flags, told], FLAGS), FLAGS)
    return replace(located, axes=Held.of(pipes, PIPES), seen=None, doubts=doubts)


def placed_tables(inputs: Inputs, located: Located) -> Tables:
    """Give the tables that were read, with rows placed, and flags and left rows so far."""
    return {
        **{name: getattr(inputs, name) for name in READ},
        "pipes": located.pipes,
        "inspections": located.inspections,
        "defects": located.defects,
        "laterals": located.laterals,
        "growth": located.growth,
        "flags": joined([inputs.flags, located.flags], FLAGS),
        "left_over": joined([lost_rows(inputs), located.left_over], LEFT_OVER),
    }


def book_of(inputs: Inputs, other: Rulebook | None = None) -> Rulebook:
    """Give the project's rulebook, or another, which reckons no age where there is no day."""
    day = inputs.settings.project.first_day
    book = other or load_rulebook(inputs.rules.book, inputs.rules.overrides, day=day)
    return book if day else book.undated()


def joined(parts: Sequence[pd.DataFrame], table: Table) -> pd.DataFrame:
    """Put tables of one contract under each other; what two steps both say stands once."""
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return conform(filled[0] if filled else [], table)
    rows, part = pd.concat(filled, ignore_index=True), table[table.key[-1]]
    first, last = filled[0][part.name], rows[part.name].iloc[len(filled[0]) :]
    # Where a text of the key is told only once, the whole of it is.
    if part.kind not in ("text", "date") or last.duplicated().any() or is_among(first, last).any():
        rows = rows[~rows.duplicated(list(table.key))]
    return conform(rows, table)


def lost_rows(inputs: Inputs) -> pd.DataFrame:
    """Give the rows that reading refused as `LEFT_OVER`."""
    if inputs.faults.empty:
        return conform([], LEFT_OVER)
    lost = inputs.faults[inputs.faults["lost"].astype(bool)]
    rows = []
    for row in lost.itertuples(index=False):
        file, number, column = str(row.file), int(row.row), str(row.column)  # type: ignore[arg-type]
        where = f"{column}: " if column else ""
        rows.append(
            {
                "step": "inputs",
                "key": f"{file} row {number}" if number else file,
                "file": file,
                "row": number,
                "reason": f"{where}found {row.found or 'nothing'}; wanted {row.wanted}",  # type: ignore[str-bytes-safe]
            }
        )
    return conform(pd.DataFrame(rows, columns=LEFT_OVER.names).drop_duplicates(), LEFT_OVER)
