"""The estimator's half of a run: what is taken, ordered, picked and paid."""

from __future__ import annotations

import pandas as pd

from planner.contracts.facts import Tables
from planner.settings import Takeoff
from planner.takeoff.bill import make_bill
from planner.takeoff.lots import pick_lots
from planner.takeoff.needs import sleeve_lines
from planner.takeoff.orders import make_orders
from planner.takeoff.pay import measure_pay
from planner.takeoff.totals import take_off


def estimate(tables: Tables, settings: Takeoff, *, first_day: str) -> dict[str, pd.DataFrame]:
    """Add up the week and the project.

    Parameters
    ----------
    tables
        All tables of the run up to the visits.
    settings
        Waste, spares, contingency, retention.
    first_day
        Key of the week, YYYY-MM-DD.

    Returns
    -------
    tables
        quantities, quantity_sums, orders, picks, shortages, bill, bill_lines, bill_sums,
        pay, pay_sums.
    """
    t, items = dict(tables), sleeve_lines(tables)
    t["quantities"], t["quantity_sums"] = take_off(t, settings, first_day=first_day, items=items)
    t["orders"] = make_orders(t, settings, first_day=first_day, items=items)
    picked = pick_lots(t, settings)
    bill = make_bill(t, settings, first_day=first_day)
    pay = measure_pay(t, settings)
    return {
        "quantities": t["quantities"],
        "quantity_sums": t["quantity_sums"],
        "orders": t["orders"],
        "picks": picked.picks,
        "shortages": picked.shortages,
        "bill": bill.bill,
        "bill_lines": bill.lines,
        "bill_sums": bill.sums,
        "pay": pay.lines,
        "pay_sums": pay.sums,
    }
