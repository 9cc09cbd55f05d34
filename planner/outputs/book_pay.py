"""The page of pay: each work that is done, whether it may be charged, what is kept back and due."""

from __future__ import annotations

import pandas as pd

from planner.contracts.facts import Tables
from planner.outputs.book_bill import contingency_of
from planner.outputs.book_money import PriceRows, price_line
from planner.outputs.book_pages import Book, Page

PAGE = ("Pay", "Works that are done by the journal: what may be charged, kept back, to be paid.")
# Columns G to M are those of the page of lines: both are priced by one formula.
_HEADS = (
    ("Event", 16), ("Pipe", 14), ("Done at", 18), ("Item", 16), ("System", 16), ("DN", -8),
    ("Length of one, m", -11), ("How many", -9), ("Price no.", -8), ("May be charged", 12),
    ("Metres beyond", -10), ("Price of one", -12), ("Installed", -13), ("Chargeable", -13),
    ("Note", 50),
)  # fmt: skip


def has_pay(tables: Tables) -> bool:
    """Say whether there is anything to show."""
    return "pay" in tables and len(tables["pay"]) > 0


def write_pay(book: Book, tables: Tables, prices: PriceRows) -> None:
    """Write each work that is done with its price, the sums, the share kept back, what is due.

    Parameters
    ----------
    book
        The workbook; a page of this name stands in it.
    tables
        Of it: pay, pay_sums.
    prices
        Where each price stands.
    """
    page = book.page("Pay", f"Pay measurement, {book.currency}", _HEADS)
    first = page.row + 1
    for line in tables["pay"].to_dict("records"):
        for column, name in enumerate(("event_id", "pipe_id", "installed_at", "item", "system")):
            page.text(column, line[name])
        page.number(5, line["dn_mm"])
        page.number(6, line["length_m"], "figure")
        page.number(7, line["times_count"])
        page.text(9, line["chargeable"])
        page.text(14, line["note"], "wrap")
        if line["price_id"] in prices.row and not pd.isna(line["sum_cents"]):
            price_line(page, {str(k): v for k, v in line.items()}, prices)
            at = page.row + 1
            charged = int(line["sum_cents"]) / 100 if line["chargeable"] == "yes" else 0.0
            page.formula(13, f'=IF(J{at}="yes",M{at},0)', charged)
        page.next()
    _due(page, first, tables["pay_sums"].iloc[0])


def _due(page: Page, first: int, sums: pd.Series) -> None:
    """Write the sums, the share kept back to type in, and what is to be paid to date."""
    last, at = page.row, page.row + 1
    page.text(0, "Sum", "text_total")
    for column, letter, name in ((12, "M", "installed_cents"), (13, "N", "chargeable_cents")):
        text = f"=SUM({letter}{first}:{letter}{last})"
        page.formula(column, text, int(sums[name]) / 100, "money_total")
    if not sums["complete"]:
        page.text(14, f"INCOMPLETE: no price for {sums['unpriced']}", "wrap")
    page.next()
    page.text(0, "Retention, share of what may be charged")
    page.number(6, sums["retention_ratio"], "input_share")
    kept = contingency_of(f"N{at}", f"G{at + 1}")
    page.formula(13, kept, int(sums["retention_cents"]) / 100)
    page.next()
    page.text(0, "To be paid to date; what was paid before comes off", "text_total")
    page.formula(13, f"=N{at}-N{at + 1}", int(sums["payable_cents"]) / 100, "money_total")
