"""Wall of a cured lining after ASTM F1216 Appendix X1: pure formulas over numbers or arrays.

All are for a circular pipe and a ring without ends. Each gives NaN where a figure is NaN.
Units as in `ground.loads`: m, mm, MPa and kN/m3 for the form `SI`, ft, in, psi and lb/ft3 for
`US`. Most formulas hold in both; those with a constant take the form.

References
----------
TTP: M. Najafi, *Trenchless Technology Piping*, McGraw-Hill / WEF Press 2010, pages 69-83.
It misprints: 0.65 for 0.065 (p. 75) and 2.178 for e (p. 77) in the elastic support, a minus in
the denominator of C (p. 77), and 14.90 for 14.95 psi (p. 76).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from planner.ground.loads import SI, Form, Given, Numbers

Edition = Literal["07b", "before 07b"]


@dataclass(frozen=True)
class Lining:
    """What the wall is made of, and how safe it shall be.

    ``modulus`` short-term flexural modulus E and ``strength`` the flexural strength S to
    reckon with, both [MPa | psi]; ``retention`` E_L / E; ``safety`` N; ``enhancement`` K;
    ``poisson`` nu [-].
    """

    modulus: float
    retention: float
    strength: float
    safety: float
    enhancement: float
    poisson: float

    @property
    def long_term(self) -> float:
        """Long-term modulus E_L = E x retention [MPa | psi]."""
        return self.modulus * self.retention


@dataclass(frozen=True)
class Ground:
    """What a fully deteriorated pipe leaves to the lining.

    ``load`` q_t [MPa | psi]; ``buoyancy`` Rw and ``support`` B' [-]; ``modulus`` E's of the
    soil [MPa | psi].
    """

    load: Given
    buoyancy: Given
    support: Given
    modulus: Given


def _numbers(values: Given) -> Numbers:
    return np.asarray(values, dtype=np.float64)


def ovality_factor(ovality_pct: Given) -> Numbers:
    """Give C = [(1 - q/100) / (1 + q/100)^2]^3.

    Parameters
    ----------
    ovality_pct
        q = 100 (D_max - D_mean) / D_mean [%]; from 100 % on there is no answer.

    Returns
    -------
    factor
        C [-], 1 for a circle.

    References
    ----------
    TTP p. 75 and 82; p. 77 prints a minus in the denominator, its 0.836 needs the plus.
    """
    q = _numbers(ovality_pct) / 100.0
    q = np.where((q >= 0.0) & (q < 1.0), q, np.nan)
    return np.asarray(((1.0 - q) / (1.0 + q) ** 2) ** 3)


def elastic_support(cover: Given, form: Form = SI) -> Numbers:
    """Give B' = 1 / (1 + 4 e^(-0.065 H)), H in ft; 0.213 for m.

    Parameters
    ----------
    cover
        Ground above the crown H [m | ft].
    form
        Units.

    Returns
    -------
    factor
        B' [-].

    References
    ----------
    TTP p. 77: 0.414 at 16 ft, which needs 0.065 and e = 2.718. SI from memory; 0.065 / 0.3048
    is 0.2133.
    """
    return np.asarray(1.0 / (1.0 + 4.0 * np.exp(-form.support_rate * _numbers(cover))))


def groundwater_wall(bore: Given, pressure: Given, factor: Given, lining: Lining) -> Numbers:
    """Give the wall of X1.1, t = D / {[2 K E_L C / (P N (1 - nu^2))]^(1/3) + 1}.

    Parameters
    ----------
    bore
        Mean inside diameter of the pipe D [mm | in].
    pressure
        Groundwater at the invert P [MPa | psi]; none asks for no wall.
    factor
        Ovality factor C [-].
    lining
        Material and safety.

    Returns
    -------
    wall
        t [mm | in].

    References
    ----------
    ASTM F1216 X1.1 as worked in TTP p. 80 and 82.
    """
    stiff = 2.0 * lining.enhancement * lining.long_term / (1.0 - lining.poisson**2)
    with np.errstate(divide="ignore"):
        ratio = stiff * _numbers(factor) / (_numbers(pressure) * lining.safety)
        return np.asarray(_numbers(bore) / (np.cbrt(ratio) + 1.0))


def oval_bending_wall(bore: Given, pressure: Given, ovality_pct: Given, lining: Lining) -> Numbers:
    """Give the wall of X1.2, at which bending in an oval pipe reaches the strength.

    It solves 1.5 q (1 + q) DR^2 - 0.5 (1 + q) DR = S / (P N), q as a share, for t = D / DR.

    Parameters
    ----------
    bore
        Mean inside diameter D [mm | in].
    pressure
        Groundwater at the invert P [MPa | psi]; none asks for no wall.
    ovality_pct
        q [%].
    lining
        Its strength S is used as given: F1216 takes the long-term one (from memory), TTP
        the short-term one.

    Returns
    -------
    wall
        t [mm | in].

    References
    ----------
    ASTM F1216 X1.2 as worked in TTP p. 80 and 83.
    """
    q, d, p = _numbers(ovality_pct) / 100.0, _numbers(bore), _numbers(pressure)
    # Times P N: c = S / (P N) would be infinite without water.
    load = p * lining.safety
    a = 1.5 * q * (1.0 + q) * d**2 * load
    b = 0.5 * (1.0 + q) * d * load
    c = lining.strength
    return np.asarray((np.sqrt(b * b + 4.0 * a * c) - b) / (2.0 * c))


def full_load_wall(
    bore: Given, ground: Ground, factor: Given, lining: Lining, edition: Edition = "07b"
) -> Numbers:
    """Give the wall of X1.3, t = 0.721 D [(N q_t)^2 / (E_L Rw B' C E's)]^(1/3).

    0.721 is (12/32)^(1/3) as the source rounds it.

    Parameters
    ----------
    bore
        Mean inside diameter D [mm | in].
    ground
        Load, buoyancy, support and soil.
    factor
        Ovality factor C [-].
    lining
        Material and safety.
    edition
        ``07b`` and after has C under the root; ``before 07b`` before it, so that
        (N q_t / C)^2 stands in place of (N q_t)^2 / C and the wall is thicker.

    Returns
    -------
    wall
        t [mm | in].

    References
    ----------
    ASTM F1216 X1.3 as worked in TTP p. 75 and 77. That 07b moved C and thinned the wall:
    NASTT No-Dig 2008, abstract of the paper on F1216-07b; the earlier form is from memory.
    """
    c = _numbers(factor)
    oval = c if edition == "07b" else c * c
    held = lining.long_term * _numbers(ground.buoyancy) * _numbers(ground.support)
    under = held * _numbers(ground.modulus) * oval
    share = (lining.safety * _numbers(ground.load)) ** 2 / under
    return np.asarray(0.721 * _numbers(bore) * np.cbrt(share))


def stiffness_wall(bore: Given, lining: Lining, form: Form = SI) -> Numbers:
    """Give the wall of X1.4, at which E / (12 DR^3) is 0.093 psi or 0.00064 MPa.

    Parameters
    ----------
    bore
        Mean inside diameter D [mm | in].
    lining
        Its short-term modulus counts.
    form
        Units.

    Returns
    -------
    wall
        t [mm | in].

    References
    ----------
    ASTM F1216 X1.4 as worked in TTP p. 77; the SI constant from memory.
    """
    return _numbers(bore) * float(np.cbrt(12.0 * form.stiffness / lining.modulus))


def ratio_wall(bore: Given, dr_max: float) -> Numbers:
    """Give the wall at which D / t is `dr_max`; none where that is 0.

    Parameters
    ----------
    bore
        Mean inside diameter D [mm | in].
    dr_max
        Greatest D / t; F1216 advises 100 where no water stands above the invert (from
        memory). 0 = no limit.

    Returns
    -------
    wall
        t [mm | in].
    """
    return _numbers(bore) / dr_max if dr_max > 0.0 else 0.0 * _numbers(bore)


def rounded_up(wall: Given, least: Given, step: Given) -> Numbers:
    """Round a wall up to ``least + n x step``, n = 0, 1, 2, ...; step 0 = no steps.

    Parameters
    ----------
    wall
        What is asked [mm | in].
    least
        First wall of the row [mm | in].
    step
        From one wall to the next [mm | in].

    Returns
    -------
    wall
        [mm | in]

    References
    ----------
    City of Nashua NH, light-cured lining 2019, p. 02651-5: least 3.5 mm, then 0.7 mm steps.
    """
    asked, first, by = _numbers(wall), _numbers(least), _numbers(step)
    with np.errstate(divide="ignore", invalid="ignore"):
        # What floats leave over of a whole step is none.
        steps = np.ceil(np.round((asked - first) / by, 9))
        up = np.where(by > 0.0, first + np.maximum(steps, 0.0) * by, asked)
    return np.where(np.isnan(asked), np.nan, np.maximum(up, first))


def deflection_pct(
    dimension_ratio: Given, earth: Given, live: Given, modulus: Given, soil_modulus: Given
) -> Numbers:
    """Give the deflection after Spangler, in percent of the diameter.

    dY / D = 0.083 (1.25 W + Ws) / [E / (1.5 (DR - 1)^3) + 0.061 E's]

    Parameters
    ----------
    dimension_ratio
        DR = D / t [-].
    earth, live
        Marston's load W and the live load Ws [MPa | psi].
    modulus, soil_modulus
        Of the lining and of the soil [MPa | psi].

    Returns
    -------
    deflection
        [%]

    References
    ----------
    TTP p. 78; its result on p. 79 was not seen.
    """
    ring = _numbers(modulus) / (1.5 * (_numbers(dimension_ratio) - 1.0) ** 3)
    load = 0.083 * (1.25 * _numbers(earth) + _numbers(live))
    return np.asarray(100.0 * load / (ring + 0.061 * _numbers(soil_modulus)))
