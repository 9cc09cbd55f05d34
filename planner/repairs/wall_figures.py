"""Every figure of a wall check, in words, with what it comes from: inputs, then results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from planner.arrays import worded
from planner.contracts import WALL_FIGURES
from planner.ground import loads, wall
from planner.ground.loads import Numbers
from planner.order import Order, order_by
from planner.repairs.wall_ends import End
from planner.repairs.wall_inputs import Texts, WallInputs, said
from planner.settings import Design
from planner.tables import conform

# figure, symbol, low, high, unit, origin, source
_Line = tuple[str, str, object, object, str, Texts | str, str]

_TTP = "M. Najafi, Trenchless Technology Piping, 2010"
_F1216 = "ASTM F1216 Appendix X1, as worked in " + _TTP
_SETTINGS = (
    ("modulus_mpa", "flexural modulus, short term", "E", "MPa"),
    ("retention_ratio", "of it in the long term, E_L = E x this", "E_L / E", ""),
    ("strength_mpa", "flexural strength", "S", "MPa"),
    ("safety_ratio", "safety factor", "N", ""),
    ("enhancement_ratio", "enhancement factor", "K", ""),
    ("poisson_ratio", "Poisson's ratio", "nu", ""),
)
_GROUND_SETTINGS = (
    ("soil_kn_m3", "unit weight of the soil", "w", "kN/m3"),
    ("soil_modulus_mpa", "modulus of the soil", "E's", "MPa"),
)
_FULL_WALL = {
    "07b": "0.721 D [(N q_t)^2 / (E_L Rw B' C E's)]^(1/3)",
    "before 07b": "0.721 D [(N q_t / C)^2 / (E_L Rw B' E's)]^(1/3)",
}


def list_figures(
    checks: Mapping[str, Any],
    given: WallInputs,
    design: Design,
    origins: Mapping[str, str],
    ends: tuple[End, End],
) -> pd.DataFrame:
    """List the figures of each check.

    Parameters
    ----------
    checks
        Columns of `WALL_CHECKS` as arrays, in the order of the sleeves.
    given
        Inputs of each sleeve.
    design, origins
        Settings of the check and their layers.
    ends
        The mild and the worst end.

    Returns
    -------
    figures
        Obeys `WALL_FIGURES`.
    """
    full = design.condition == "full"
    lines = [*_pipe(given), *_constants(_SETTINGS, design, origins)]
    if full:
        lines += _constants(_GROUND_SETTINGS, design, origins)
        lines += _wheel(given, design, origins) if design.live == "wheel" else []
        lines += _loads(design, origins, ends)
    lines += _factors(ends)
    lines += _walls(design, origins, ends, full=full)
    lines += _owner(checks, design, origins)
    if full and design.trench_m > 0.0:
        lines.append(_deflection(checks, given, design, ends))
    # In the order of the table's key, so that it needs no sorting.
    ids = checks["sleeve_id"].array
    order = order_by([ids])
    columns = ("figure", "symbol", "low", "high", "unit", "origin", "source")
    data: dict[str, Any] = {
        "sleeve_id": ids.take(np.repeat(order, len(lines))),
        "seq": np.tile(np.arange(1, len(lines) + 1), len(order)),
    }
    for name, values in zip(columns, zip(*lines, strict=True), strict=True):
        fill = _figures if name in ("low", "high") else _texts
        data[name] = fill(values, order)
    return conform(data, WALL_FIGURES)


def _figures(values: Sequence[Any], order: Order) -> Numbers:
    """Give the figures of all lines, sleeve by sleeve; one that is alike for all stands alone."""
    each = [np.broadcast_to(np.asarray(value, dtype=np.float64), len(order)) for value in values]
    return np.asarray(np.stack(each)[:, order].T.ravel(), dtype=np.float64)


def _texts(values: Sequence[Texts | str], order: Order) -> Any:  # noqa: ANN401 - any array
    """Give the texts of all lines as `_figures` does, each unlike one looked at once."""
    words: dict[str, int] = {}
    codes = np.empty((len(order), len(values)), dtype=np.int64)
    for line, value in enumerate(values):
        if isinstance(value, str):
            codes[:, line] = words.setdefault(value, len(words))
        else:
            own, unlike = pd.factorize(value)
            numbers = [words.setdefault(word, len(words)) for word in unlike]
            codes[:, line] = np.array(numbers, dtype=np.int64)[own[order]]
    return worded(list(words), codes.ravel())


def _pipe(given: WallInputs) -> list[_Line]:
    over = [given.water(cover, highest=high) for cover, high in
            ((given.cover_low, False), (given.cover_high, True))]  # fmt: skip
    return [
        ("inside diameter", "D", given.bore, given.bore, "mm", given.bore_from, ""),
        ("ovality", "q", given.q_low, given.q_high, "%", given.q_from,
         "q = 100 (D_mean - D_min) / D_mean: a coded deformation as it stands"),
        ("ground over the crown", "H", given.cover_low, given.cover_high, "m",
         given.cover_from, ""),
        ("water over the crown", "H_w", over[0], over[1], "m", given.water_from, ""),
    ]  # fmt: skip


def _constants(
    keys: tuple[tuple[str, str, str, str], ...], design: Design, origins: Mapping[str, str]
) -> list[_Line]:
    return [
        (words, symbol, getattr(design, key), getattr(design, key), unit, said(key, origins), "")
        for key, words, symbol, unit in keys
    ]


def _wheel(given: WallInputs, design: Design, origins: Mapping[str, str]) -> list[_Line]:
    # The deepest cover leaves the least of a wheel.
    deep, shallow = given.cover_high, given.cover_low
    share = [loads.wheel_influence(given.bore, cover) for cover in (deep, shallow)]
    impact = [loads.impact_factor(cover) for cover in (deep, shallow)]
    return [
        ("load of one wheel", "P", design.wheel_kn, design.wheel_kn, "kN",
         said("wheel_kn", origins), ""),
        ("its share on 3 ft of pipe", "Cs", share[0], share[1], "",
         "4 x Newmark's corner factor for D / 2H and 0.4572 m / H",
         f"table 2.12 in {_TTP}, p. 72, of which 90 of 98 cells agree"),
        ("impact by cover", "F", impact[0], impact[1], "",
         "road: 1.5 to 0.30 m, 1.35 to 0.61 m, 1.15 to 0.91 m, then 1",
         "A. P. Moser, Buried Pipe Design, table 2.5, p. 34"),
    ]  # fmt: skip


def _loads(design: Design, origins: Mapping[str, str], ends: tuple[End, End]) -> list[_Line]:
    low, high = ends
    live_from = {
        "wheel": "1.0827 Cs P F / D, which is 0.33 Cs P F / (12 D) in lbf, in and psi",
        "stated": said("live_mpa", origins),
        "none": said("live", origins),
    }[design.live]
    wheel = f"{_TTP}, p. 76; SI derived from it" * (design.live == "wheel")
    return [
        ("live load", "Ws", low.live[0], high.live[1], "MPa", live_from, wheel),
        ("total load", "q_t", low.load[0], high.load[1], "MPa",
         "0.00981 H_w + w H Rw / 1000 + Ws", f"{_F1216}, p. 75; SI from memory"),
        ("buoyancy factor", "Rw", high.buoyancy[0], low.buoyancy[1], "",
         "1 - 0.33 H_w / H, not below 0.67", f"{_F1216}, p. 75"),
        ("elastic support", "B'", low.support[0], high.support[1], "",
         "1 / (1 + 4 e^(-0.213 H))", f"{_F1216}, p. 77; SI from memory"),
    ]  # fmt: skip


def _factors(ends: tuple[End, End]) -> list[_Line]:
    low, high = ends
    return [
        ("ovality factor", "C", high.factor, low.factor, "",
         "[(1 - q/100) / (1 + q/100)^2]^3", f"{_F1216}, p. 75 and 82"),
        ("groundwater at the invert", "P", low.pressure[0], high.pressure[1], "MPa",
         "0.00981 (H_w + D / 1000), not below 0", f"{_F1216}, p. 80"),
    ]  # fmt: skip


def _walls(
    design: Design, origins: Mapping[str, str], ends: tuple[End, End], *, full: bool
) -> list[_Line]:
    low, high = ends[0].walls, ends[1].walls
    lines: list[_Line] = [
        ("X1.1 groundwater", "t", low[0], high[0], "mm",
         "D / {[2 K E_L C / (P N (1 - nu^2))]^(1/3) + 1}", f"{_F1216}, p. 80 and 82"),
        ("X1.2 bending of an oval pipe", "t", low[1], high[1], "mm",
         "1.5 q/100 (1 + q/100) (D/t)^2 - 0.5 (1 + q/100) D/t = S / (P N)",
         f"{_F1216}, p. 80 and 83"),
    ]  # fmt: skip
    if full:
        moved = "; the earlier form from memory" * (design.edition == "before 07b")
        lines += [
            ("X1.3 earth, water and traffic", "t", low[2], high[2], "mm",
             f"{_FULL_WALL[design.edition]}, edition {design.edition}",
             f"{_F1216}, p. 75 and 77{moved}"),
            ("X1.4 least stiffness", "t", low[3], high[3], "mm",
             "D (12 x 0.00064 / E)^(1/3)", f"{_F1216}, p. 77; SI from memory"),
        ]  # fmt: skip
    if design.dr_max > 0.0:
        lines.append(("greatest diameter / wall", "t", low[4], high[4], "mm",
                      f"D / {design.dr_max:g}, {said('dr_max', origins)}",
                      "F1216 advises 100 without water, from memory"))  # fmt: skip
    return lines


def _owner(checks: Mapping[str, Any], design: Design, origins: Mapping[str, str]) -> list[_Line]:
    floor, step = said("floor_mm", origins), said("step_mm", origins)
    low, high, own = (checks[name] for name in ("asked_low_mm", "asked_high_mm", "wall_mm"))
    return [
        ("owner's least wall", "", design.floor_mm, design.floor_mm, "mm", floor, ""),
        ("owner's step above it", "", design.step_mm, design.step_mm, "mm", step, ""),
        ("wall asked", "t", low, high, "mm", "the greatest of these, up to the owner's step", ""),
        ("wall of the sleeve", "", own, own, "mm", "sleeves.wall_mm", ""),
    ]


def _deflection(
    checks: Mapping[str, Any], given: WallInputs, design: Design, ends: tuple[End, End]
) -> _Line:
    ratio = given.bore / checks["wall_mm"]
    long_term = design.modulus_mpa * design.retention_ratio
    # Least earth with least traffic and most with most: no cover gives less or more.
    low, high = (
        wall.deflection_pct(
            ratio,
            loads.marston_pressure(
                cover, design.trench_m, design.trench_friction_ratio, design.soil_kn_m3
            ),
            live,
            long_term,
            design.soil_modulus_mpa,
        )
        for cover, live in (
            (given.cover_low, ends[0].live[0]),
            (given.cover_high, ends[1].live[1]),
        )
    )
    return ("deflection of the sleeve, no part of the state", "dY/D", low,
            high, "%",
            "0.083 (1.25 W + Ws) / [E_L / (1.5 (D/t - 1)^3) + 0.061 E's], W after Marston",
            f"{_TTP}, p. 78; its result was not seen")  # fmt: skip
