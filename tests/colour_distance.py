"""How far apart two colours are, for normal sight and as people with colour blindness see them.

Formulas after Sharma G., Wu W., Dalal E. N., "The CIEDE2000 color-difference formula:
implementation notes, supplementary test data, and mathematical observations", Color
Research and Application 30 (2005) 21-30; matrices of full severity after Machado G. M.,
Oliveira M. M., Fernandes L. A. F., IEEE TVCG 15 (2009) 1291-1298, applied to linear RGB;
relative luminance and contrast after WCAG 2.1.
"""

from __future__ import annotations

from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

import numpy as np

SIGHTS = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]])  # fmt: skip
WHITE = TO_XYZ.sum(axis=1)


def linear(hex_colour):
    """Linear RGB of #RRGGBB."""
    srgb = np.array([int(hex_colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lab(hex_colour, sight="normal"):
    """CIELAB of a colour as seen with `sight`."""
    seen = np.clip(SIGHTS[sight] @ linear(hex_colour), 0, 1)
    t = TO_XYZ @ seen / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return 116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])


def contrast(a, b):
    """Contrast ratio of two colours, 1 to 21."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    dark, light = sorted(float(weights @ linear(one)) for one in (a, b))
    return (light + 0.05) / (dark + 0.05)


def ciede2000(one, two):
    """Distance of two CIELAB colours."""
    l1, a1, b1 = one
    l2, a2, b2 = two
    mean7 = ((hypot(a1, b1) + hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - sqrt(mean7 / (mean7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = hypot(a1, b1), hypot(a2, b2)
    h1, h2 = degrees(atan2(b1, a1)) % 360, degrees(atan2(b2, a2)) % 360
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    if c1 * c2 and h2 - h1 == 180:
        turn = 180.0
    if c1 * c2 == 0:
        h = h1 + h2
    elif abs(h1 - h2) <= 180:
        h = (h1 + h2) / 2
    else:
        h = (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    t = (1 - 0.17 * cos(radians(h - 30)) + 0.24 * cos(radians(2 * h))
         + 0.32 * cos(radians(3 * h + 6)) - 0.20 * cos(radians(4 * h - 63)))  # fmt: skip
    sl = 1 + 0.015 * (lm - 50) ** 2 / sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rc = 2 * sqrt(cm**7 / (cm**7 + 25**7))
    rt = -sin(radians(60 * exp(-(((h - 275) / 25) ** 2)))) * rc
    dl, dc = (l2 - l1) / sl, (c2 - c1) / sc
    dh = 2 * sqrt(c1 * c2) * sin(radians(turn / 2)) / sh
    return sqrt(dl**2 + dc**2 + dh**2 + rt * dc * dh)


def distance(a, b, sight="normal"):
    """Distance of two colours #RRGGBB as seen with `sight`."""
    return ciede2000(lab(a, sight), lab(b, sight))
