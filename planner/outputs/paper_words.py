"""Lookups and words that several papers share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.ground.money import money
from planner.outputs.wording import STEP_WORDS, WEEKDAYS, clock, currency_words, metres
from planner.tables import records_in

Row = Mapping[str, Any]
LOOK_AFTER = "An engineer signs; local codes and the owner's rules decide what may be done."


def day_words(day: str) -> str:
    """Write a date with its weekday, '' stays ''."""
    if not day:
        return ""
    return f"{WEEKDAYS[date.fromisoformat(day).weekday()][:3]} {day}"


def days_before(day: str, working_days: int) -> str:
    """Give the date so many working days (Monday to Friday) before a date."""
    return str(np.busday_offset(day, -working_days, roll="backward"))


def steps_words(steps: str) -> str:
    """Write steps as a person says them."""
    return ", ".join(STEP_WORDS.get(one, one) for one in steps.split("+"))


@dataclass
class Desk:
    """The tables of a run and what papers look up in them."""

    tables: Tables
    facts: RunFacts

    def metres(self, value: float) -> str:
        """Write a length [m] in the project's print units."""
        return metres(float(value), self.facts.units)

    def money(self, cents: object) -> str:
        """Write cents with the currency, or that they are not known."""
        if pd.isna(cents):  # type: ignore[call-overload]
            return "not costed"
        return money(int(str(cents)))

    @property
    def currency(self) -> str:
        """What amounts are in."""
        return currency_words(self.facts.currency)

    @cached_property
    def pipes(self) -> dict[str, Row]:
        """Rows of pipes by id."""
        return {str(row["pipe_id"]): row for row in records_in(pd.DataFrame(self.tables["pipes"]))}

    @cached_property
    def streets(self) -> dict[str, tuple[str, str]]:
        """Street and its class by node."""
        nodes = pd.DataFrame(self.tables["nodes"])
        return {
            str(row["node_id"]): (str(row["street"]), str(row["street_class"]))
            for row in records_in(nodes)
        }

    def street_of(self, pipe_id: str) -> str:
        """Name the streets at both ends of a pipe."""
        row = self.pipes.get(pipe_id, {})
        ends = [str(row.get(end, "")) for end in ("us_node", "ds_node")]
        names = [self.streets.get(node, ("", ""))[0] for node in ends]
        return " / ".join(dict.fromkeys(name for name in names if name)) or "street not known"

    def ends_of(self, pipe_id: str) -> str:
        """Name the manholes of a pipe, upstream first."""
        row = self.pipes.get(pipe_id, {})
        return f"{row.get('us_node') or '?'} to {row.get('ds_node') or '?'}"

    def dn(self, pipe_id: str) -> str:
        """Write the nominal size of a pipe."""
        value = self.pipes.get(pipe_id, {}).get("dn_mm")
        return "not known" if value is None or pd.isna(value) else f"DN {float(value):g}"

    @cached_property
    def stops(self) -> list[dict[str, Any]]:
        """Visits with what their set-ups hold, in order of date, crew and place in the day."""
        setups = pd.DataFrame(self.tables["setups"]).drop(columns="geometry", errors="ignore")
        both = self.tables["visits"].merge(setups, on="setup_id")
        return records_in(both.sort_values(["date", "crew", "seq"], kind="stable"))

    @cached_property
    def works(self) -> pd.DataFrame:
        """Works with the set-up that holds them; '' where none does."""
        held = self.tables["setup_works"][["setup_id", "work_id"]]
        return self.tables["works"].merge(held, on="work_id", how="left").fillna({"setup_id": ""})

    def works_of(self, setup_id: str, step: str) -> list[dict[str, Any]]:
        """Give the works of one step in a set-up."""
        works = self.works
        return records_in(works[(works["setup_id"] == setup_id) & (works["step"] == step)])

    def time_of(self, stop: Row) -> str:
        """Write when a stop is worked at."""
        return f"{clock(int(stop['start_s']))} to {clock(int(stop['end_s']))}"
