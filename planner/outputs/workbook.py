"""The estimator's workbook: prices as cells to type in, live formulas with stored results.

What a formula shows was put there by the planner; a spreadsheet reckons it anew when a price
is changed, and comes to what the planner would from that price, to the cent. Text from data
is written as text, never as a formula or a link.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pandas as pd
import xlsxwriter

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.book_bill import write_bill, write_routes
from planner.outputs.book_money import write_lines, write_prices
from planner.outputs.book_pages import Book, write_front
from planner.outputs.book_pay import PAGE, has_pay, write_pay
from planner.outputs.book_things import write_methods, write_orders, write_quantities

NAME = "totals.xlsx"


def write_workbook(tables: Tables, facts: RunFacts, contingency_ratio: float, folder: Path) -> Path:
    """Write ``totals.xlsx`` into the folder of a run.

    Parameters
    ----------
    tables
        Of it: prices, bill, bill_lines, bill_sums, orders, quantity_sums, visits, pipes,
        options, choices, sleeves; pay and pay_sums where the journal says what is done.
    facts
        Name, first day, currency, whether nobody has accepted.
    contingency_ratio
        Of each bill; a cell of the workbook.
    folder
        Folder of the run.

    Returns
    -------
    path
        The same tables give the same bytes: its date is the plan's first day.
    """
    path = folder / NAME
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    file = xlsxwriter.Workbook(str(path), {**options, "strings_to_numbers": False})
    stamp = datetime.fromisoformat(facts.first_day or "2000-01-01")
    file.set_properties({"title": "Totals", "created": stamp, "comments": "sleeveplan"})
    # A reader that reckons nothing shows the stored results; one that does reckons on opening.
    file.set_calc_mode("auto")
    paid = has_pay(tables)
    book = Book.of(file, facts, (PAGE,) if paid else ())
    write_front(book, tables)
    prices = write_prices(book, pd.DataFrame(tables["prices"]))
    lines = write_lines(book, tables, prices)
    share = write_bill(book, tables, prices, lines, contingency_ratio)
    write_routes(book, tables, prices, lines, share)
    write_orders(book, tables)
    write_quantities(book, tables)
    write_methods(book, tables)
    if paid:
        write_pay(book, tables, prices)
    file.close()
    return path
