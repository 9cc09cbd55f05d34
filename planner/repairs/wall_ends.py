"""Loads and walls of each sleeve at one end of what is known, the mild or the worst."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.ground import loads, wall
from planner.ground.loads import Numbers
from planner.repairs.wall_inputs import WallInputs
from planner.settings import Design

CLAUSES = (
    "X1.1 groundwater",
    "X1.2 bending of an oval pipe",
    "X1.3 earth, water and traffic",
    "X1.4 least stiffness",
    "greatest diameter / wall",
)
# Ground over the crown is an interval where a pipe falls; traffic falls and earth rises with
# it, so the extremes may lie inside.
_COVER_STEPS = 9


@dataclass(frozen=True)
class End:
    """One end of the interval, mild or worst: loads and factors, and the wall of each clause.

    ``walls`` has one row for each of `CLAUSES` [mm], NaN where a figure is not known, 0 where
    the clause is not asked; ``factor`` is C [-]; the rest are least and most over the covers, of
    shape (2, sleeves), in MPa or without unit.
    """

    walls: Numbers
    pressure: Numbers
    live: Numbers
    load: Numbers
    buoyancy: Numbers
    support: Numbers
    factor: Numbers


def lining_of(design: Design) -> wall.Lining:
    """Give the material and safety of the settings."""
    return wall.Lining(
        design.modulus_mpa,
        design.retention_ratio,
        design.strength_mpa,
        design.safety_ratio,
        design.enhancement_ratio,
        design.poisson_ratio,
    )


def reckon(given: WallInputs, design: Design, *, highest: bool) -> End:
    """Reckon loads and walls at the mild or the worst end of what is known.

    Parameters
    ----------
    given
        Inputs of each sleeve.
    design
        Settings of the check.
    highest
        The end with the highest water and the greatest ovality.
    """
    q = given.q_high if highest else given.q_low
    bore, lining = given.bore, lining_of(design)
    covers = np.linspace(given.cover_low, given.cover_high, _COVER_STEPS)
    over = given.water(covers, highest=highest)
    pressure, factor = loads.invert_pressure(over, bore), wall.ovality_factor(q)
    live = _live(bore, covers, design)
    load = loads.total_load(over, covers, design.soil_kn_m3, live)
    rw, support = loads.buoyancy_factor(over, covers), wall.elastic_support(covers)
    walls = [
        wall.groundwater_wall(bore, pressure, factor, lining),
        wall.oval_bending_wall(bore, pressure, q, lining),
    ]
    none = 0.0 * bore
    if design.condition == "full":
        ground = wall.Ground(load, rw, support, design.soil_modulus_mpa)
        walls.append(wall.full_load_wall(bore, ground, factor, lining, design.edition))
        walls.append(wall.stiffness_wall(bore, lining))
    else:
        walls += [none, none]
    walls.append(wall.ratio_wall(bore, design.dr_max))
    over_covers = [np.broadcast_to(one, covers.shape) for one in walls]
    reduce = np.maximum.reduce if highest else np.minimum.reduce
    fits = ~given.no_circle
    asked = np.array([np.where(fits, reduce(one, axis=0), np.nan) for one in over_covers])
    return End(
        walls=asked,
        pressure=_extremes(pressure),
        live=_extremes(live),
        load=_extremes(load),
        buoyancy=_extremes(rw),
        support=_extremes(support),
        factor=factor,
    )


def _extremes(values: Numbers) -> Numbers:
    return np.array([values.min(axis=0), values.max(axis=0)])


def _live(bore: Numbers, covers: Numbers, design: Design) -> Numbers:
    if design.live == "wheel":
        share, impact = loads.wheel_influence(bore, covers), loads.impact_factor(covers)
        return loads.wheel_pressure(share, design.wheel_kn, impact, bore)
    return np.full(covers.shape, design.live_mpa if design.live == "stated" else 0.0)
