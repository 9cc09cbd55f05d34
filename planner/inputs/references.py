"""Names that one file uses and another must hold: pipes and nodes, systems and packers."""

from __future__ import annotations

import pandas as pd

from planner.distinct import is_among
from planner.errors import Fault, shown
from planner.inputs.crews import CrewTables
from planner.inputs.forms import nearest, refuse
from planner.inputs.systems import SystemTables


def check_done(
    done: pd.DataFrame, pipes: pd.DataFrame, nodes: pd.DataFrame
) -> tuple[pd.DataFrame, list[Fault]]:
    """Refuse done rows whose pipe or node the network does not hold.

    Parameters
    ----------
    done, pipes, nodes
        Obey `DONE`, `PIPES`, `NODES`.

    Returns
    -------
    done, faults
        The rows that are left; a fault for each other.
    """
    faults: list[Fault] = []
    for column, known in (("pipe_id", pipes["pipe_id"]), ("node_id", nodes["node_id"])):
        bad = done.index[(done[column] != "") & ~is_among(done[column], known)]
        what = "pipe" if column == "pipe_id" else "node"
        wanted = dict.fromkeys(bad, f"a {what} of the network")
        for file in sorted(done.loc[bad, "file"].unique()):
            some = {i: wanted[i] for i in bad if done["file"][i] == file}
            done = refuse(done, some, column, file, faults)
    return done.reset_index(drop=True), faults


def check_systems(
    systems: SystemTables, crews: CrewTables, prices: pd.DataFrame, stock: pd.DataFrame
) -> list[Fault]:
    """Name systems and packers that crews, prices or stock use and ``systems.toml`` lacks.

    Parameters
    ----------
    systems, crews
        As read.
    prices, stock
        Obey `PRICES`, `STOCK`.

    Returns
    -------
    faults
        None of them loses a row: what names no system serves none.
    """
    if systems.systems.empty:
        return []
    names = systems.systems["system"].tolist()
    packers = systems.packers["packer"].tolist()
    used: dict[tuple[str, str, str], list[str]] = {}
    for crew, its_systems, its_packers in crews.crews[["crew", "systems", "packers"]].itertuples(
        index=False
    ):
        used["crews.toml", "crew.systems", crew] = its_systems.split("+") if its_systems else []
        used["crews.toml", "crew.packers", crew] = its_packers.split("+") if its_packers else []
    for price_id, system in prices[["price_id", "system"]].itertuples(index=False):
        used["prices.toml", "price.system", price_id] = [system] if system else []
    for system in stock["system"].unique():
        used["stock.csv", "system", system] = [system]
    faults = []
    for (file, column, key), found in used.items():
        known = packers if column == "crew.packers" else names
        for name in found:
            if name not in known:
                where = f"{shown(name)} ({shown(key)})" if key != name else shown(name)
                wanted = f"a name in systems.toml{nearest(name, known)}"
                faults.append(Fault(file, 0, column, where, wanted, lost=False))
    return faults
