"""What presses on a buried pipe: groundwater, earth and a wheel, in SI or in US figures.

Each function takes numbers or arrays of shapes that fit each other, and gives NaN where a
figure is NaN. The constants of ASTM F1216 Appendix X1 belong to a system of units, so they
stand in a `Form`: `SI` is in m, mm, MPa, kN/m3 and kN, `US` in ft, in, psi, lb/ft3 and lbf.

References
----------
TTP: M. Najafi, *Trenchless Technology Piping*, McGraw-Hill / WEF Press 2010, sec. 2.7, pages
69-83, which works ASTM F1216 Appendix X1 in US figures. The SI constants are from memory;
each agrees with the US one to 0.35 %, and the walls to 0.1 % (tests/published).
Moser: A. P. Moser, *Buried Pipe Design*, tables 2.5 and 2.6, pages 34-36.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]
Given = npt.ArrayLike

WATER_REFERENCES = ("surface", "crown", "invert")

# A wheel over no cover at all: the ratios below would be infinite. In m or ft.
_LEAST_COVER = 0.01


@dataclass(frozen=True)
class Form:
    """The constants of one system of units.

    ``head`` is the pressure of one unit of water height as F1216 rounds it in the total
    load, ``water`` the same from the unit weight of water; ``soil`` turns unit weight times
    height into pressure; ``support_rate`` is the exponent of the elastic support;
    ``stiffness`` the least E / (12 DR^3); ``bore_per_height`` how many units of diameter make
    one of height; ``half_length`` half the length of pipe that carries a wheel; ``wheel``
    the factor of Cs P F / D; ``impact_covers`` the covers at which the impact falls.
    """

    head: float
    water: float
    soil: float
    support_rate: float
    stiffness: float
    bore_per_height: float
    half_length: float
    wheel: float
    impact_covers: tuple[float, float, float]


US = Form(
    head=0.433,
    water=62.4 / 144.0,
    soil=1.0 / 144.0,
    support_rate=0.065,
    stiffness=0.093,
    bore_per_height=12.0,
    half_length=1.5,
    wheel=0.33 / 12.0,
    impact_covers=(1.0, 2.0, 3.0),
)
SI = Form(
    head=0.00981,
    water=0.00981,
    soil=1.0 / 1000.0,
    support_rate=0.213,
    stiffness=0.00064,
    bore_per_height=1000.0,
    half_length=0.4572,
    # 0.33 / 12 is 0.99 / 36 in: 0.99 over a length of 914.4 mm, and 1000 N to the kN.
    wheel=0.99 * 1000.0 / 914.4,
    impact_covers=(0.3048, 0.6096, 0.9144),
)
_IMPACT = np.array([1.50, 1.35, 1.15, 1.00])


def _numbers(values: Given) -> Numbers:
    return np.asarray(values, dtype=np.float64)


def water_over_crown(
    figure: Given, reference: str, cover: Given, bore: Given, form: Form = SI
) -> Numbers:
    """Turn a water level, however it was stated, into its height above the crown.

    Parameters
    ----------
    figure
        Depth of the water table below the ground for ``surface``, its height above the
        crown or the invert for ``crown`` and ``invert`` [m | ft].
    reference
        One of `WATER_REFERENCES`.
    cover
        Ground above the crown [m | ft]; only ``surface`` needs it.
    bore
        Inside diameter of the pipe [mm | in]; only ``invert`` needs it.
    form
        Units.

    Returns
    -------
    over_crown
        Height above the crown [m | ft], negative where the table lies below it.

    Raises
    ------
    ValueError
        If `reference` is none of the three.
    """
    if reference == "crown":
        return _numbers(figure)
    if reference == "invert":
        return _numbers(figure) - _numbers(bore) / form.bore_per_height
    if reference == "surface":
        return _numbers(cover) - _numbers(figure)
    message = f"water from '{reference}': wanted {' | '.join(WATER_REFERENCES)}"
    raise ValueError(message)


def invert_pressure(over_crown: Given, bore: Given, form: Form = SI) -> Numbers:
    """Give the pressure of the groundwater at the invert, none where it lies below.

    Parameters
    ----------
    over_crown
        Height of the water above the crown [m | ft], negative below it.
    bore
        Inside diameter [mm | in].
    form
        Units.

    Returns
    -------
    pressure
        [MPa | psi]

    References
    ----------
    TTP p. 80: 12 ft x 62.4 / 144 = 5.20 psi.
    """
    height = _numbers(over_crown) + _numbers(bore) / form.bore_per_height
    return np.maximum(height, 0.0) * form.water


def buoyancy_factor(over_crown: Given, cover: Given) -> Numbers:
    """Give Rw = 1 - 0.33 Hw / H, not below 0.67 and 1 without water over the crown.

    Parameters
    ----------
    over_crown
        Height of the water above the crown Hw [m | ft].
    cover
        Ground above the crown H, in the same unit.

    Returns
    -------
    factor
        Rw [-].

    References
    ----------
    TTP p. 75 (ASTM F1216 Appendix X1).
    """
    water, height = np.maximum(_numbers(over_crown), 0.0), _numbers(cover)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(water == 0.0, 0.0 * height, water / height)
    return np.maximum(1.0 - 0.33 * share, 0.67)


def corner_influence(m: Given, n: Given) -> Numbers:
    """Give the share Cs of a point load that reaches a rectangle under it: 4 x Newmark.

    Parameters
    ----------
    m, n
        Half width and half length of the rectangle over its depth [-].

    Returns
    -------
    share
        Cs [-].

    References
    ----------
    Table in TTP 2.12 p. 72 and Moser 2.6 p. 36, both after ASCE/WPCF 1982: 90 of 98 cells
    tried agree to the printed digit. The closed form is Newmark's, in our own check.
    """
    a, b = _numbers(m), _numbers(n)
    v = a * a + b * b + 1.0
    v1 = (a * b) ** 2
    k = 2.0 * a * b * np.sqrt(v)
    return (k / (v + v1) * (v + 1.0) / v + np.arctan2(k, v - v1)) / np.pi


def impact_factor(cover: Given, form: Form = SI) -> Numbers:
    """Give the impact factor F of road traffic by cover; at a limit the larger counts.

    Parameters
    ----------
    cover
        Ground above the crown [m | ft].
    form
        Units.

    Returns
    -------
    factor
        F [-].

    References
    ----------
    Moser table 2.5 p. 34, highway: to 1 ft 1.50, to 2 ft 1.35, to 3 ft 1.15, above 1.00.
    """
    height = np.round(_numbers(cover), 9)  # 3 ft turned into metres is a limit still
    step = np.searchsorted(np.array(form.impact_covers), height, side="left")
    return np.where(np.isnan(height), np.nan, _IMPACT[step])


def wheel_influence(bore: Given, cover: Given, form: Form = SI) -> Numbers:
    """Give Cs for 3 ft of pipe under one wheel, by the inside diameter.

    Parameters
    ----------
    bore
        Inside diameter [mm | in]. The outside one is not known; Cs / D falls as D grows, so
        the inside one is on the safe side.
    cover
        Ground above the crown [m | ft].
    form
        Units.

    Returns
    -------
    share
        Cs [-].

    References
    ----------
    TTP p. 72 and 76: ratios Bc / 2H and 1.5 ft / H.
    """
    height = np.maximum(_numbers(cover), _LEAST_COVER)
    return corner_influence(
        _numbers(bore) / form.bore_per_height / (2.0 * height), form.half_length / height
    )


def wheel_pressure(
    influence: Given, wheel: Given, impact: Given, bore: Given, form: Form = SI
) -> Numbers:
    """Give the live load Ws = 0.33 Cs P F / (12 D) of one wheel.

    Parameters
    ----------
    influence
        Cs [-].
    wheel
        Wheel load P [kN | lbf].
    impact
        Impact factor F [-].
    bore
        Diameter D [mm | in].
    form
        Units.

    Returns
    -------
    pressure
        Ws [MPa | psi].

    References
    ----------
    TTP p. 76, for 3 ft of effective length.
    """
    load = _numbers(influence) * _numbers(wheel) * _numbers(impact)
    return load * form.wheel / _numbers(bore)


def total_load(
    over_crown: Given, cover: Given, soil: Given, live: Given, form: Form = SI
) -> Numbers:
    """Give the load on a fully deteriorated pipe, q_t = 0.433 Hw + w H Rw / 144 + Ws.

    Parameters
    ----------
    over_crown
        Height of the water above the crown Hw [m | ft]; below the crown it counts as none.
    cover
        Ground above the crown H [m | ft].
    soil
        Unit weight of the soil w [kN/m3 | lb/ft3].
    live
        Live load Ws [MPa | psi].
    form
        Units.

    Returns
    -------
    load
        q_t [MPa | psi].

    References
    ----------
    TTP p. 75. Its example prints 14.90 psi on p. 76; the walls that it goes on to print come
    from 14.948 alone, so the 14.90 is a slip. SI from memory.
    """
    water = np.maximum(_numbers(over_crown), 0.0) * form.head
    earth = _numbers(soil) * _numbers(cover) * buoyancy_factor(over_crown, cover) * form.soil
    return water + earth + _numbers(live)


def marston_factor(cover: Given, trench: Given, friction: Given) -> Numbers:
    """Give Marston's load factor of a trench, (1 - e^(-2 ku' H / Bd)) / (2 ku').

    Parameters
    ----------
    cover, trench
        Ground above the crown H and width of the trench Bd, in one unit.
    friction
        ku' [-].

    Returns
    -------
    factor
        C [-].

    References
    ----------
    TTP p. 78.
    """
    twice = 2.0 * _numbers(friction)
    return -np.expm1(-twice * _numbers(cover) / _numbers(trench)) / twice


def marston_pressure(
    cover: Given, trench: Given, friction: Given, soil: Given, form: Form = SI
) -> Numbers:
    """Give the earth load of a trench after Marston, W = C w Bd / 144.

    Parameters
    ----------
    cover, trench
        Ground above the crown H and width of the trench Bd [m | ft].
    friction
        ku' [-].
    soil
        Unit weight w [kN/m3 | lb/ft3].
    form
        Units.

    Returns
    -------
    pressure
        W [MPa | psi].

    References
    ----------
    TTP p. 78: 9.85 psi; the scan has lost the point.
    """
    return marston_factor(cover, trench, friction) * _numbers(soil) * _numbers(trench) * form.soil
