"""What each set-up of the week asks of a crew: steps, system, packer, loads, tickets."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pandas as pd

from planner.contracts.facts import Tables
from planner.crews.access import Need, Place, places_of
from planner.crews.hours import site_of
from planner.settings import Week


def needs_of(tables: Tables, week: Week) -> dict[str, tuple[Need, Place | None]]:
    """Give what each set-up asks of a crew, and the manhole it stands at; None if it is not there.

    Parameters
    ----------
    tables
        Of it: setups, nodes.
    week
        Tickets by step and by class of street.
    """
    places = places_of(tables["nodes"])
    nodes = pd.DataFrame(tables["nodes"])
    kinds = dict(zip(nodes["node_id"], nodes["street_class"], strict=True))
    found = {}
    for row in pd.DataFrame(tables["setups"]).to_dict("records"):
        steps, ends = str(row["steps"]), (str(row["node_id"]), str(row["other_node_id"]))
        classes = [str(kinds.get(node, "")) for node in site_of(steps, ends, "").nodes]
        need = Need(
            tuple(steps.split("+")),
            str(row["system"]),
            float(row["packer_dn"]) if row["packer_dn"] else math.nan,
            float(row["longest_m"]),
            float(row["reach_m"]),
            int(row["sleeves_count"]),
            int(row["resin_g"]),
            tickets_of(steps.split("+"), classes, week),
        )
        found[str(row["setup_id"])] = need, places.get(ends[0])
    return found


def tickets_of(steps: Iterable[str], classes: Iterable[str], week: Week) -> frozenset[str]:
    """Give the tickets that steps, and the classes of the streets opened, ask."""
    asked = [week.step_tickets.get(step, []) for step in steps]
    asked += [week.class_tickets.get(kind, []) for kind in classes]
    return frozenset(ticket for some in asked for ticket in some)
