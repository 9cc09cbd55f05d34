"""What was read from a project folder, table by table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from planner.contracts import INSPECTIONS, LATERALS, NODES, OBSERVATIONS, PIPES
from planner.held import Held, held
from planner.inputs.specs import RulesSpec
from planner.settings import Settings

HELD = {"pipes": PIPES, "nodes": NODES, "laterals": LATERALS, "inspections": INSPECTIONS,
        "observations": OBSERVATIONS}  # fmt: skip
"""Tables that are held by column where they are read so: those that grow with a city."""


@dataclass(frozen=True)
class Inputs:
    """All that was read from one project folder, table by table, and what was wrong with it.

    ``read_count`` counts the rows read for each file, ``head_count`` those of a survey file that
    tell of a run and code nothing; ``forms`` says of the network how it hangs together and of
    each survey file what it was read as; ``held`` has the tables that `HELD` names; ``hashes``
    holds each file's sha256; ``missing`` says which step waits for which file. ``unread`` says
    why no file of coded rows could be read, '' where one could or none is named.
    """

    folder: Path
    settings: Settings
    rules: RulesSpec
    held: Mapping[str, Held]
    streets: pd.DataFrame
    addresses: pd.DataFrame
    systems: pd.DataFrame
    system_sizes: pd.DataFrame
    materials: pd.DataFrame
    parts: pd.DataFrame
    process: pd.DataFrame
    pressure_steps: pd.DataFrame
    order_of_work: pd.DataFrame
    conditions: pd.DataFrame
    packers: pd.DataFrame
    prices: pd.DataFrame
    price_changes: pd.DataFrame
    price_edits: pd.DataFrame
    stock: pd.DataFrame
    lots: pd.DataFrame
    crews: pd.DataFrame
    shifts: pd.DataFrame
    windows: pd.DataFrame
    closed: pd.DataFrame
    permits: pd.DataFrame
    weather: pd.DataFrame
    notices: pd.DataFrame
    done: pd.DataFrame
    events: pd.DataFrame
    as_built: pd.DataFrame
    measured: pd.DataFrame
    stock_moves: pd.DataFrame
    grade_tables: dict[str, pd.DataFrame]
    media: dict[str, str]
    faults: pd.DataFrame
    flags: pd.DataFrame
    source_crs: str
    local_crs: str
    read_count: dict[str, int]
    head_count: dict[str, int]
    forms: list[str]
    missing: list[str]
    hashes: dict[str, str]
    unread: str = ""

    @property
    def pipes(self) -> pd.DataFrame:
        """The pipes, by `PIPES`."""
        return self.held["pipes"].frame

    @property
    def nodes(self) -> pd.DataFrame:
        """The manholes and other nodes, by `NODES`."""
        return self.held["nodes"].frame

    @property
    def laterals(self) -> pd.DataFrame:
        """Laterals that are listed or drawn, by `LATERALS`."""
        return self.held["laterals"].frame

    @property
    def inspections(self) -> pd.DataFrame:
        """Camera runs, by `INSPECTIONS`."""
        return self.held["inspections"].frame

    @property
    def observations(self) -> pd.DataFrame:
        """Coded rows, by `OBSERVATIONS`."""
        return self.held["observations"].frame

    def with_rows(self, **tables: pd.DataFrame | Held) -> Inputs:
        """Give the same with other tables of those that `held` has.

        Raises
        ------
        TableError
            If a frame breaks its contract.
        """
        new = {name: held(table, HELD[name]) for name, table in tables.items()}
        return replace(self, held={**self.held, **new})
