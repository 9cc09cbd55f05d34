"""What is wrong with process tables and packers, told before anything is planned.

Figures are the maker's: a row is refused or told, never altered.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.errors import Fault, shown
from planner.ground.process import BATCH
from planner.inputs.forms import refuse

# Nominal sizes that packers are counted against [mm]; common practice, no source.
NOMINAL_MM = (100, 125, 150, 200, 225, 250, 300, 350, 375, 400, 450, 500, 525, 600)
_TIME = "system.process.cure_s"


def check_process(
    frame: pd.DataFrame, cures: dict[str, str], file: str, faults: list[Fault]
) -> pd.DataFrame:
    """Refuse rows whose figures contradict each other or give no time of cure.

    Parameters
    ----------
    frame
        As `read_records` gave it.
    cures
        Kind of cure by system.
    file
        Name in messages.
    faults
        The list that grows.
    """
    split = frame[list(BATCH)].sum(axis=1)
    short = frame.index[split > frame["prepare_s"]]
    bad = {
        i: f"{split[i]:g} s or more: mix_s, wet_out_s, pull_s and inflate_s are parts of it"
        for i in short
    }
    frame = refuse(frame, bad, "system.process.prepare_s", file, faults)
    moving = frame["lamp_m_per_min"].notna() & frame["lit_m"].notna()
    shone = frame[["energy_mj_cm2", "irradiance_mw_cm2", "lit_m"]].notna().all(axis=1)
    by_lamp = (frame["system"].map(cures) == "light") & (moving | shone)
    untimed = frame.index[frame["cure_s"].isna() & ~by_lamp]
    wanted = "a number in s of at least 1; for light lamp_m_per_min with lit_m, or "
    wanted += "energy_mj_cm2 with irradiance_mw_cm2 and lit_m"
    return refuse(frame, dict.fromkeys(untimed, wanted), _TIME, file, faults)


def tell_process(process: pd.DataFrame, sizes: pd.DataFrame, file: str) -> list[Fault]:
    """Name holes in the tables, and times that do not fall as it gets warmer; no row is lost.

    Parameters
    ----------
    process, sizes
        Rows of `PROCESS` and `SYSTEM_SIZES` that could be read.
    file
        Name in messages.
    """
    faults = []
    for system, rows in process.groupby("system", sort=True):
        every = sorted(rows["wall_c"].unique())
        for dn, part in rows.sort_values("wall_c").groupby("dn_to_mm", sort=True):
            where = f"{shown(str(system))} up to DN {dn:g}"
            gone = [one for one in every if one not in set(part["wall_c"])]
            if gone:
                wanted = f"a row for each temperature of its other sizes: {_list(every)} degC"
                found = f"{where} without {_list(gone)} degC"
                faults.append(_told(file, "system.process.wall_c", found, wanted))
            faults += _rising(part, where, file)
            pot = part["pot_life_s"]
            if pot.isna().any() and pot.notna().any():
                found = f"{where} without a figure at {_list(part['wall_c'][pot.isna()])} degC"
                wanted = "a figure in each row of the size, 0 = no limit"
                faults.append(_told(file, "system.process.pot_life_s", found, wanted))
    return faults + _too_small(process, sizes, file)


def _rising(part: pd.DataFrame, where: str, file: str) -> list[Fault]:
    """Tell of a cure or pot life that is longer at a warmer row."""
    faults = []
    stated = part["pot_life_s"].where(part["pot_life_s"] > 0)
    pots = part.assign(pot_life_s=stated, wall_c=part["pot_life_c"].fillna(part["wall_c"]))
    for column, every in (("cure_s", part), ("pot_life_s", pots)):
        rows = every[every[column].notna()].sort_values("wall_c", kind="stable")
        seconds, at = rows[column].to_numpy(dtype=float), rows["wall_c"].to_numpy(dtype=float)
        for i in np.flatnonzero((np.diff(seconds) > 0) & (np.diff(at) > 0))[:1]:
            found = f"{where}: {seconds[i]:g} s at {at[i]:g} degC, {seconds[i + 1]:g} s"
            found += f" at {at[i + 1]:g} degC"
            wanted = "a time that does not rise with the temperature"
            faults.append(_told(file, f"system.process.{column}", found, wanted))
    return faults


def _too_small(process: pd.DataFrame, sizes: pd.DataFrame, file: str) -> list[Fault]:
    """Tell of sizes that a system serves and its process table does not reach."""
    most = process.groupby("system")["dn_to_mm"].max().to_dict()
    served = sizes.groupby("system")["dn_to_mm"].max().to_dict()
    faults = []
    for system, dn in served.items():
        if system in most and most[system] < dn:
            found = f"{shown(str(system))} up to DN {most[system]:g}"
            wanted = f"rows up to DN {dn:g}, which its sizes serve"
            faults.append(_told(file, "system.process.dn_to_mm", found, wanted))
    return faults


def tell_packers(
    systems: pd.DataFrame, sizes: pd.DataFrame, packers: pd.DataFrame, file: str
) -> list[Fault]:
    """Name usual sizes that a system serves and that lie in a gap between its packers.

    Parameters
    ----------
    systems, sizes, packers
        Rows of `SYSTEMS`, `SYSTEM_SIZES` and `PACKERS` that could be read.
    file
        Name in messages.

    Returns
    -------
    faults
        None of them loses a row. Sizes beyond all packers are no gap: placement says them.
    """
    faults = []
    for system, cure in systems[["system", "cure"]].itertuples(index=False):
        serves = [cure in text.split("+") for text in packers["cures"]]
        fits = packers[pd.Series(serves, packers.index, dtype=bool)]
        own = sizes[sizes["system"] == system]
        served = [dn for dn in NOMINAL_MM if _inside(own, dn)]
        least, most = fits["dn_from_mm"].min(), fits["dn_to_mm"].max()
        bare = [dn for dn in served if least < dn < most and not _inside(fits, dn)]
        if bare:
            found = f"none for {shown(system)} at DN {_list(bare)}"
            wanted = f"packers for {cure} at each size that the system serves"
            faults.append(_told(file, "packer.dn_from_mm", found, wanted))
    return faults


def _inside(ranges: pd.DataFrame, dn_mm: float) -> bool:
    return bool(((ranges["dn_from_mm"] <= dn_mm) & (ranges["dn_to_mm"] >= dn_mm)).any())


def _list(values: Any) -> str:  # noqa: ANN401 - any numbers
    return ", ".join(f"{one:g}" for one in values)


def _told(file: str, column: str, found: str, wanted: str) -> Fault:
    return Fault(file, 0, column, found, wanted, lost=False)
