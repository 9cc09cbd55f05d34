"""The workbook's paper: looks of cells, a page with a head, and its first page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.wording import currency_words

# Excel's own bound on the text of one cell.
LONGEST = 32_767
INPUT = "#FFF2B3"
LINE_POINTS, MOST_LINES = 15, 20
LOOKS: dict[str, dict[str, Any]] = {
    "text": {},
    "wrap": {"text_wrap": True},
    "head": {"bold": True, "text_wrap": True, "bottom": 1, "valign": "bottom"},
    "head_right": {
        "bold": True,
        "text_wrap": True,
        "bottom": 1,
        "valign": "bottom",
        "align": "right",
    },
    "title": {"bold": True, "font_size": 14},
    "alarm": {"bold": True, "font_color": "#9C1C00", "font_size": 14},
    "money": {"num_format": "#,##0.00_ "},
    "money_total": {"num_format": "#,##0.00_ ", "bold": True, "top": 1},
    "text_total": {"bold": True, "top": 1},
    "input": {"num_format": "#,##0.00_ ", "bg_color": INPUT, "border": 1, "locked": False},
    "input_share": {"num_format": "0.0%_ ", "bg_color": INPUT, "border": 1, "locked": False},
    "metres": {"num_format": "#,##0.00_ "},
    "whole": {"num_format": "#,##0_ "},
    "figure": {"num_format": "#,##0.000_ "},
}

FRONT = (
    ("Prices", "Yellow cells may be changed; all sums follow. Ids are not to be changed."),
    ("Bill", "What is accepted, by price: this week, not this week, all; contingency."),
    ("Routes", "What each crew's day costs, and the week."),
    ("Orders", "Net by design, and what is ordered: waste, batch loss, rounding, spares apart."),
    ("Quantities", "What each day, the week and all accepted takes, net."),
    ("Methods", "Sleeves, full liner and dig side by side on every pipe."),
    ("Lines", "Each line of the ways accepted, priced from its own row of Prices."),
)


@dataclass
class Book:
    """A workbook with its looks and the facts that each page prints."""

    file: Workbook
    facts: RunFacts
    looks: dict[str, Format] = field(default_factory=dict)
    pages: tuple[tuple[str, str], ...] = FRONT

    @classmethod
    def of(cls, file: Workbook, facts: RunFacts, more: tuple[tuple[str, str], ...] = ()) -> Book:
        """Make the looks of all cells, and the pages in the order in which they are read.

        `more` are pages, by name and what they hold, that only some plans have; they come last.
        """
        pages = (*FRONT, *more)
        looks = {name: file.add_format({"valign": "top", **look}) for name, look in LOOKS.items()}
        for name, _ in (("Read me", ""), *pages):
            file.add_worksheet(name)
        return cls(file, facts, looks, pages)

    @property
    def currency(self) -> str:
        """What amounts are in."""
        return currency_words(self.facts.currency)

    def page(self, name: str, title: str, heads: Sequence[tuple[str, float]], top: int = 3) -> Page:
        """Begin a page: title, banner where nobody has accepted, heads of columns with widths.

        A width below 0 is that of a column of figures, whose head stands at the right.
        """
        sheet = self.file.get_worksheet_by_name(name)
        page = Page(self, sheet, top, [abs(width) for _, width in heads])
        sheet.write_string(0, 0, title, self.looks["title"])
        if self.facts.not_accepted:
            sheet.write_string(1, 0, "NOT ACCEPTED: nobody has signed", self.looks["alarm"])
        elif self.facts.invented:
            sheet.write_string(1, 0, "Invented data", self.looks["text"])
        for column, (head, width) in enumerate(heads):
            look = self.looks["head" if width > 0 else "head_right"]
            sheet.write_string(top - 1, column, head, look)
            sheet.set_column(column, column, abs(width))
        sheet.freeze_panes(top, 0)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(top - 1)
        sheet.set_footer("&L&A&RPage &P of &N")
        return page


@dataclass
class Page:
    """One page; rows are written from `row` on, counted from 0."""

    book: Book
    sheet: Worksheet
    row: int
    widths: list[float]
    lines: int = 1

    def text(self, column: int, value: object, look: str = "text") -> None:
        """Write text as text, whatever it begins with."""
        text = str(value)
        shown = text if len(text) <= LONGEST else text[: LONGEST - 4] + " ..."
        self.sheet.write_string(self.row, column, shown, self.book.looks[look])
        if look == "wrap":
            # A row does not grow by itself in every program: its height is reckoned here.
            lines = math.ceil(1.15 * len(shown) / self.widths[column])
            self.lines = max(self.lines, min(lines, MOST_LINES))

    def number(self, column: int, value: object, look: str = "whole") -> None:
        """Write a number; unknown stays blank."""
        looks = self.book.looks[look]
        if pd.isna(value):  # type: ignore[call-overload]
            self.sheet.write_blank(self.row, column, None, looks)
        else:
            self.sheet.write_number(self.row, column, float(value), looks)  # type: ignore[arg-type]

    def cents(self, column: int, value: object, look: str = "money") -> None:
        """Write cents as units of the currency; unknown stays blank."""
        self.number(column, value if pd.isna(value) else int(value) / 100, look)  # type: ignore[call-overload]

    def formula(self, column: int, text: str, value: float | str, look: str = "money") -> None:
        """Write a formula of our own with the result that it has now."""
        self.sheet.write_formula(self.row, column, text, self.book.looks[look], value)

    def next(self) -> None:
        """Go on to the next row."""
        if self.lines > 1:
            self.sheet.set_row(self.row, LINE_POINTS * self.lines)
        self.lines = 1
        self.row += 1


def half_even(cents: str) -> str:
    """Write a formula that rounds cents, a half to the even one, as the planner does."""
    return f"(ROUND({cents},0)-(ABS(({cents})-INT({cents})-0.5)<0.0000005)*(MOD(INT({cents}),2)=0))"


def write_front(book: Book, tables: Tables) -> None:
    """Write the first page: what it is, what may be typed in, what is missing, who decides."""
    facts = book.facts
    page = book.page("Read me", facts.name or "Plan", (("Page", 14), ("What it holds", 100)), top=5)
    week = f"Week from {facts.first_day}" if facts.first_day else "Week without a first day"
    page.sheet.write_string(2, 0, f"{week}; amounts in {book.currency}", book.looks["text"])
    for name, what in book.pages:
        page.text(0, name)
        page.text(1, what, "wrap")
        page.next()
    page.next()
    for line in _warnings(tables):
        page.text(0, "Missing", "text_total")
        page.text(1, line, "wrap")
        page.next()
    for line in (
        "Net quantities are by design; what is ordered stands apart and is never priced here.",
        "Changed prices come back by their ids: sleeveplan reprice FOLDER totals.xlsx",
        "Local codes, the makers' instructions, contracts and licensed practice decide; wall "
        "thickness is a check to be signed by an engineer.",
    ):
        page.text(1, line, "wrap")
        page.next()


def _warnings(tables: Tables) -> list[str]:
    sums = tables["bill_sums"]
    gaps = sums[~sums["complete"].astype(bool) & sums["level"].isin(["week", "project"])]
    return [
        f"The bill of the {row['level']} is INCOMPLETE: no price for {row['unpriced']}"
        for row in gaps.to_dict("records")
    ]
