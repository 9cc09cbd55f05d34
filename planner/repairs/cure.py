"""Each sleeve's times from its system's own table, with pot life and light held against them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from planner.contracts import CURES, PROCESS, SLEEVES, SYSTEMS
from planner.contracts.facts import Tables
from planner.distinct import places_in
from planner.ground.process import BATCH, Durations, PotLife, durations, pot_life, rows_of
from planner.ground.temperatures import Temperatures, temperatures
from planner.tables import check, conform

_LIGHT = "light"
_WORST = "worst column of the process table"


@dataclass(frozen=True)
class _Kind:
    """Sleeves alike in all that their times depend on."""

    system: str
    dn_mm: float
    length_m: float
    cure: str
    source: str


def find_cures(tables: Tables, wall_c: float | None) -> pd.DataFrame:
    """Give cure, cool-down, draw-down, pot life and light of each sleeve.

    The times are read at the coldest of resin, air and wall, the pot life at the warmest;
    where nothing is stated the worst column of the process table counts. The table's own
    figures stand; a lamp that asks for longer than the stated cure makes it longer. What
    is found moves no rule; a pot life that is not held keeps the sleeve out of the week.

    Parameters
    ----------
    tables
        Of it: sleeves, systems, process, conditions.
    wall_c
        Coldest pipe wall [degC] for days whose conditions state none; None = not stated.

    Returns
    -------
    cures
        Obeys `CURES`; one row for each sleeve.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    sleeves = check(tables["sleeves"], SLEEVES)
    systems = check(tables["systems"], SYSTEMS).set_index("system")
    process = check(tables["process"], PROCESS)
    stated = temperatures(tables.get("conditions"), wall_c)
    columns = ["system", "dn_mm", "length_m"]
    kinds = sleeves[columns].drop_duplicates().reset_index(drop=True)
    rows = []
    for system, dn, length in kinds.itertuples(index=False):
        known = systems.loc[system] if system in systems.index else {"cure": "", "source": ""}
        kind = _Kind(str(system), float(dn), float(length), known["cure"], known["source"])
        rows.append(_row(kind, process, stated))
    keys = [f"{s}|{d!r}|{m!r}" for s, d, m in kinds.itertuples(index=False)]
    own = [f"{s}|{d!r}|{m!r}" for s, d, m in sleeves[columns].itertuples(index=False)]
    frame = pd.DataFrame(rows).iloc[places_in(pd.Series(own), pd.Series(keys))] if rows else None
    if frame is None:
        return conform([], CURES)
    frame = frame.reset_index(drop=True)
    for name in ("sleeve_id", "pipe_id"):
        frame[name] = sleeves[name].to_numpy()
    return conform(frame, CURES)


def _row(kind: _Kind, process: pd.DataFrame, stated: Temperatures) -> dict[str, object]:
    times = durations(process, kind.system, kind.dn_mm, stated.cold_c, kind.length_m)
    pot = pot_life(process, kind.system, kind.dn_mm, stated.warm_c)
    held = pot.holds(times.batch_s)
    known = times.prepare_s is not None
    light = _light(kind, times) if kind.cure == _LIGHT and known else {}
    split = _split(kind, process)
    cold_from = stated.cold_from if stated.cold_c is not None else f"{stated.cold_from}: {_WORST}"
    warm_from = stated.warm_from if stated.warm_c is not None else f"{stated.warm_from}: {_WORST}"
    parts = [
        _cure_words(times, stated, cold_from),
        _pot_words(pot, held, times.batch_s, split, warm_from),
        *([_light_words(light)] if kind.cure == _LIGHT and known else []),
    ]
    return {
        "system": kind.system,
        "cure": kind.cure,
        "cold_c": times.at_c if known else stated.cold_c,
        "cold_from": cold_from,
        "warm_c": pot.at_c,
        "warm_from": warm_from,
        "prepare_s": times.prepare_s,
        "cure_s": times.cure_s,
        "cooldown_s": times.cooldown_s if known else None,
        "drawdown_s": times.drawdown_s if known else None,
        "finish_s": times.finish_s,
        "batch_s": times.batch_s,
        "pot_life_s_low": _finite(pot.low_s),
        "pot_life_s_high": _finite(pot.high_s),
        "pot_life_held": held,
        "length_m": kind.length_m,
        "light_held": _undecided(kind),
        **light,
        "why": "; ".join(parts),
        "source": kind.source,
    }


def _undecided(kind: _Kind) -> str:
    return "undecided" if kind.cure == _LIGHT else ""


def _finite(seconds: float) -> float:
    return seconds if math.isfinite(seconds) else math.nan


def _split(kind: _Kind, process: pd.DataFrame) -> bool:
    """Tell whether each row of the size splits its preparation."""
    rows, _ = rows_of(process, kind.system, kind.dn_mm)
    return bool(rows[list(BATCH)].notna().all(axis=None)) and len(rows) > 0


def _light(kind: _Kind, times: Durations) -> dict[str, object]:
    lamp, length, stated = times.lamp, kind.length_m, times.stated_s
    return {
        "lit_m": lamp.lit_m,
        "lamp_m_per_min": lamp.speed_m_per_min(length, stated),
        "lamp_most_m_per_min": lamp.most_m_per_min,
        "lamp_w": lamp.power_w,
        "energy_mj_cm2": lamp.reached_mj_cm2(length, stated),
        "energy_asked_mj_cm2": lamp.energy_mj_cm2,
        "light_held": lamp.held(length, stated),
        "length_m": length,
    }


def _cure_words(times: Durations, stated: Temperatures, cold_from: str) -> str:
    if times.prepare_s is None:
        return f"times not known: {times.note}"
    at = f"at {times.at_c:g} degC ({cold_from})"
    if times.cure_s is None:
        return f"{times.note}, {at}"
    if stated.cold_c is None:
        at = f"longest of the table ({cold_from})"
    extra = f", cool-down {times.cooldown_s} s" if times.cooldown_s else ""
    extra += f", vacuum {times.drawdown_s} s" if times.drawdown_s else ""
    return f"cure {times.cure_s} s {at}{extra}"


def _pot_words(pot: PotLife, held: str, batch_s: int | None, split: bool, warm_from: str) -> str:  # noqa: FBT001
    if pot.low_s == math.inf:
        return "no limit by pot life"
    bounds = {"yes": f"at least {pot.low_s:g} s", "no": f"at most {pot.high_s:g} s"}
    life = f"{pot.low_s:g} s" if pot.low_s == pot.high_s else bounds.get(held, "not known")
    note = f" ({pot.note})" if pot.note else ""
    where = f" at {pot.at_c:g} degC" if math.isfinite(pot.at_c) else ""
    parts = "mix, wet-out, pull, inflate" if split else "all of prepare_s, as it is not split"
    batch = "not known" if batch_s is None else f"{batch_s} s ({parts})"
    words = {"yes": "holds", "no": "does not hold", "undecided": "is undecided"}[held]
    return f"pot life {words}: batch {batch}, pot life {life}{where} ({warm_from}){note}"


def _light_words(light: dict[str, object]) -> str:
    """Say what the light gives against what is asked; figures not stated are said to be so."""
    reached, asked, lit, length = (
        float(light[name])  # type: ignore[arg-type]
        for name in ("energy_mj_cm2", "energy_asked_mj_cm2", "lit_m", "length_m")
    )
    speed, most = float(light["lamp_m_per_min"]), float(light["lamp_most_m_per_min"])  # type: ignore[arg-type]
    words = {"yes": "suffices", "no": "does not suffice", "undecided": "is undecided"}
    energy = f"{_or_unknown(reached)} of {_or_unknown(asked)} mJ/cm2"
    if math.isnan(speed):
        way = f"lamp stands, lit {_or_unknown(lit)} m for a sleeve of {length:g} m"
    else:
        way = f"lamp at {speed:.3g} m/min, at most {_or_unknown(most)}"
    return f"light {words[str(light['light_held'])]}: {energy}, {way}"


def _or_unknown(value: float) -> str:
    return "not stated" if math.isnan(value) else f"{round(value, 3):g}"
