"""Figures and steps as a person reads them on paper."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from planner.contracts.facts import Tables
from planner.units import factor

DRIVES_LEAVE_OUT = "Drive times leave out traffic jams and the turning of trucks"
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
STEP_WORDS: dict[str, str] = {
    "check_access": "check access",
    "clean": "clean",
    "clean_again": "clean again",
    "cut_roots": "cut roots",
    "cut_intrusion": "cut the standing-in connection flush",
    "descale": "remove hard deposits",
    "prove_laterals": "prove which connections are live",
    "look": "film and measure before the sleeve",
    "grout": "stop the water by grouting",
    "flow_control": "control the flow",
    "sleeve": "set the sleeve",
    "reopen": "reopen the connection",
    "verify": "film the result",
    "dig": "dig",
    "liner": "full liner",
    "watch": "survey again",
    "cut_out": "cut out the failed sleeve",
    "resurvey": "survey anew after a failure",
}

# In our own words, after the subjects that the public rules name; a country's own rules decide.
CAUTIONS: dict[str, str] = {
    "entry": (
        "Opening a manhole is work at a confined space. Nobody goes in without a permit, a trained "
        "team, retrieval gear and somebody at the top. Test the air before lifting the lid fully "
        "and keep testing: oxygen, flammable gas, hydrogen sulphide, carbon monoxide."
    ),
    "traffic": "Set out the traffic scheme that the road authority approved before any lid is up.",
    "jetting": (
        "Water under pressure cuts. Keep people clear of hose and nozzle, and tell upstream "
        "houses: jetting can blow back through traps."
    ),
    "pressure": (
        "A packer or plug under air stores energy and can fly out. Match it to the measured pipe, "
        "stay within its stated pressure, restrain it, inflate from a distance, keep out of the "
        "manhole and out of line with it, and watch the level upstream."
    ),
    "resin": (
        "Resin and hardener irritate and can make people allergic. Wear gloves and goggles, air "
        "the work place, keep the data sheets at hand, and ask residents to fill drain traps."
    ),
    "light": (
        "Curing light harms eyes and skin. Never switch the lamp on outside the pipe. Keep "
        "light-cured material covered wherever daylight can reach it until it is in the pipe."
    ),
    "outage": "Connections under the sleeve are shut while it cures. Tell residents beforehand.",
    "rule": (
        "Local codes, the system maker's instructions and licensed practice decide; this sheet "
        "does not replace them. Wall thickness is a check to be signed by an engineer."
    ),
}


def metres(value: float | None, units: str = "metric") -> str:
    """Write a length in metres [m], or in feet where the project prints US units."""
    if value is None or not math.isfinite(value):
        return "not known"
    if units == "us":
        return f"{value * factor('m', 'ft'):.1f} ft"
    return f"{value:.2f} m"


def size(dn_mm: float | None, units: str = "metric") -> str:
    """Write a nominal size [mm], or in inches where the project prints US units."""
    if dn_mm is None or not math.isfinite(dn_mm):
        return "size not known"
    if units == "us":
        return f"{dn_mm * factor('mm', 'in'):.3g} in"
    return f"DN {dn_mm:.0f}"


def small(length_mm: float | None, units: str = "metric") -> str:
    """Write a small length in mm, or in inches where the project prints US units."""
    if length_mm is None or not math.isfinite(length_mm):
        return "size not known"
    if units == "us":
        return f"{length_mm * factor('mm', 'in'):.2g} in"
    return f"{length_mm:g} mm"


def degrees(celsius: float, units: str = "metric") -> str:
    """Write a temperature [degC], or in degrees Fahrenheit where the project prints US units."""
    if not math.isfinite(celsius):
        return "temperature not known"
    if units == "us":
        return f"{celsius * 9 / 5 + 32:.0f} \u00b0F"
    return f"{celsius:g} \u00b0C"


def item_words(item: str, units: str = "metric") -> str:
    """Write the name of an item, its size and length in the project's units."""
    if units != "us":
        return item
    found = re.search(r"DN ([\d.]+) x ([\d.]+) m", item)
    if not found:
        return item
    both = f"{size(float(found[1]), units)} x {metres(float(found[2]), units)}"
    return item[: found.start()] + both + item[found.end() :]


def mass(grams: int, units: str = "metric") -> str:
    """Write a mass [g] in kg, or in pounds where the project prints US units."""
    if units == "us":
        return f"{grams / 1000 * factor('kg', 'lb'):.1f} lb"
    return f"{grams / 1000:.2f} kg"


def area(mm2: int, units: str = "metric") -> str:
    """Write an area [mm2] in m2, or in square feet where the project prints US units."""
    if units == "us":
        return f"{mm2 / 1e6 * factor('m**2', 'ft**2'):.1f} sq ft"
    return f"{mm2 / 1e6:.2f} m2"


def volume(ml: int, units: str = "metric") -> str:
    """Write a volume [ml] in litres, or in gallons where the project prints US units."""
    if units == "us":
        return f"{ml / 1000 * factor('l', 'gallon'):.2f} gal"
    return f"{ml / 1000:.2f} l"


def flow_rate(l_s: float, units: str = "metric") -> str:
    """Write a flow [l/s], or in gallons a minute where the project prints US units."""
    if units == "us":
        return f"{l_s * factor('l/s', 'gallon/min'):.1f} gal/min"
    return f"{l_s:.2f} l/s"


def way(length_m: float, units: str = "metric") -> str:
    """Write a drive [m] in km, or in miles where the project prints US units."""
    if units == "us":
        return f"{length_m * factor('m', 'mile'):.1f} mi"
    return f"{length_m / 1000:.1f} km"


def currency_words(currency: str) -> str:
    """Name what amounts are in, or say that nobody stated it."""
    return currency or "a currency not stated"


def clock(seconds: int) -> str:
    """Write seconds after midnight as HH:MM; the next day is marked."""
    minutes = round(int(seconds) / 60)
    day, rest = divmod(minutes, 24 * 60)
    return f"{rest // 60:02d}:{rest % 60:02d}" + (f" +{day} d" if day else "")


def hours(seconds: float) -> str:
    """Write a duration [s] as hours and minutes."""
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


# What to look at before the work that follows; common practice, no source.
CHECK_WORDS: dict[str, str] = {
    "check_access": "the lid was up, and the van can stand there",
    "clean": "walls bare, no grit in the invert, on the way in and under the sleeve",
    "clean_again": "what was cut off is out of the pipe",
    "cut_roots": "no stump stands in, also on the way in",
    "cut_intrusion": "flush: run a finger gauge or the camera past it",
    "descale": "no lump the packer would ride on",
    "prove_laterals": "each live connection is known by counter and clock",
    "look": "film, counter, inside size and connections agree with this sheet",
    "grout": "no water runs in under the sleeve",
    "dig": "the trench is closed and the pipe is whole there",
    "sleeve": "it is cured, its ends lie flat",
    "reopen": "each connection is open",
    "verify": "the film has been seen",
}


def cautions_for(steps: set[str], cures: set[str]) -> list[str]:
    """Pick the cautions that the works of one day call for, in a fixed order."""
    wanted = ["entry", "traffic"]
    if steps & {"clean", "clean_again", "cut_roots", "descale", "cut_intrusion"}:
        wanted.append("jetting")
    if steps & {"sleeve", "flow_control", "grout"}:
        wanted += ["pressure", "resin"]
    if "light" in cures:
        wanted.append("light")
    if steps & {"sleeve", "reopen"}:
        wanted.append("outage")
    return [CAUTIONS[name] for name in [*wanted, "rule"]]


def home_s(last: Mapping[Any, Any]) -> int:
    """Give when a crew is back in its yard [s from midnight], from its last visit's row."""
    return int(last["end_s"]) + int(last["end_pause_s"]) + int(last["back_s"])


def pauses(visits: Sequence[Mapping[Any, Any]]) -> list[str]:
    """Say when a crew pauses, from its visits in their order."""
    found = [(int(one["start_s"]) - int(one["pause_s"]), int(one["pause_s"])) for one in visits]
    if visits:
        found.append((int(visits[-1]["end_s"]), int(visits[-1]["end_pause_s"])))
    return [f"Pause at {clock(at)} for {long_s // 60} min." for at, long_s in found if long_s]


def unstated(tables: Tables) -> str:
    """Say that sleeves may lie somewhere and no system is stated yet, '' if that is not so.

    Parameters
    ----------
    tables
        Of it: verdicts, systems, prices.
    """
    verdicts = tables["verdicts"]
    wanted = (verdicts["needs"] == "mend") & (verdicts["sleeve"] == "open")
    if not tables["systems"].empty or not wanted.any():
        return ""
    prices = " and no prices" if tables["prices"].empty else ""
    return f"No sleeve systems{prices} stated yet: verdicts are shown, no method is chosen"
