"""Columns of network layers found by their common names and by what stands in them.

A name counts only where one column of the layer has it and the project has not named
another; an id only where its values are ids: none blank, none twice, in nearly all rows.
What is taken so is said, as a line to paste into ``planner.toml``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from planner.inputs.attributes import RESERVED, Reading
from planner.inputs.cells import is_empty
from planner.inputs.column_names import UNITS

PIPE_NAMES: dict[str, tuple[str, ...]] = {
    "pipe_id": ("pipeid", "assetid", "facilityid", "facid", "mainid", "segmentid", "pipeno",
                "pipename", "lineid", "haltung", "haltungsname", "haltungsnr", "leidingid",
                "tronconid", "pipe"),
    "us_node": ("usnode", "upnode", "upmh", "upstreammh", "upstreammanhole", "upstreamnode",
                "frommh", "fromnode", "startnode", "schachtoben", "unitfrom", "usmh", "unode"),
    "ds_node": ("dsnode", "dnnode", "dnmh", "downstreammh", "downstreammanhole", "tomh", "tonode",
                "downstreamnode", "endnode", "schachtunten", "unitto", "dsmh", "dnode"),
    "size": ("size", "pipesize", "diameter", "dia", "diam", "dim", "dn", "nennweite", "diametre",
             "diametro", "profil"),
    "material": ("material", "mat", "pipematerial", "matl", "werkstoff", "rohrmaterial",
                 "materiaal", "materiau"),
    "stated_m": ("lengthm", "laenge", "haltungslaenge", "lengte", "longueur"),
    "year": ("year", "yearlaid", "installyear", "baujahr", "bouwjaar", "yearinstalled"),
    # Levels and depths go by a bare name only in the languages of metric lists.
    "depth_m": ("tiefe", "haltungstiefe", "mittleretiefe", "diepte"),
    "us_invert_m": ("sohleob", "sohleoben", "sohlhoeheob", "sohlhoeheoben", "sohlhoehevon",
                    "rohrsohleoben", "bobbegin", "bobbeginpunt", "radieramont"),
    "ds_invert_m": ("sohleun", "sohleunten", "sohlhoeheun", "sohlhoeheunten", "sohlhoehebis",
                    "rohrsohleunten", "bobeind", "bobeindpunt", "radieraval"),
    "use": ("entwart", "entwaesserungsart", "entwaessart", "entwsystem", "entwaesserungssystem",
            "kanalart"),
}  # fmt: skip
NODE_NAMES: dict[str, tuple[str, ...]] = {
    "node_id": ("nodeid", "manholeid", "mhid", "mh", "mhno", "manhole", "facilityid", "assetid",
                "schacht", "schachtname", "putid", "regardid", "name"),
    "depth_m": ("depthm", "tiefe", "diepte"),
    "street": ("strasse", "strassenname", "straat", "straatnaam"),
}  # fmt: skip
ADDRESS_NAMES: dict[str, tuple[str, ...]] = {
    "street": ("address", "street", "streetname", "adresse", "strasse", "straat", "adres", "rue"),
    "house": ("house", "housenumber", "number", "hausnummer", "huisnummer", "numero"),
}  # fmt: skip
# Taken only where the name ends with a unit, as DIAM_IN and LEN_FT do.
_WITH_UNIT: dict[str, tuple[str, ...]] = {
    "size": PIPE_NAMES["size"],
    "stated_m": ("length", "len", "pipelength", "laenge", "lange", "lengte", "longueur"),
    "depth_m": ("depth", "avgdepth", "meandepth", "tiefe"),
    "us_invert_m": ("usinvert", "usinv", "upinvert", "upinv", "upstreaminvert", "invertup"),
    "ds_invert_m": ("dsinvert", "dsinv", "dninvert", "dninv", "downstreaminvert", "invertdn"),
}  # fmt: skip
_OURS = {"size": "mm"}  # all others in m
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
_UNIT = re.compile(r"(?P<name>.*\w)[\s_\[(]+(?P<unit>mm|cm|m|inches|inch|in|feet|ft)[\])]?", re.I)
_MOST = 0.95


def with_names(reading: Reading, names: Mapping[str, tuple[str, ...]], key: str) -> Reading:
    """Add columns that the project does not name to a reading, by their common names.

    Parameters
    ----------
    reading
        Of one layer.
    names
        Common names by our column, folded to letters and digits.
    key
        Our column that must hold ids.

    Returns
    -------
    reading
        ``told`` says what was taken, '' if nothing was.
    """
    columns = [str(name) for name in reading.layer.frame.columns if name not in RESERVED]
    used = {theirs.casefold() for theirs in reading.columns.values()}
    found: dict[str, str] = {}
    units: dict[str, str] = {}
    for ours, words in names.items():
        if ours in reading.columns or ours in columns:
            continue
        same = [name for name in columns if name.casefold() == ours]
        if same and same[0].casefold() in used:
            continue
        meant = {n: _unit_of(n, ours, words) for n in columns if n.casefold() not in used}
        # Our own name in other letters, such as MATERIAL, goes before all that mean the same.
        fit = same or [name for name, unit in meant.items() if unit is not None]
        if len(fit) == 1 and (ours != key or _holds_ids(reading, fit[0])):
            found[ours] = fit[0]
            used.add(fit[0].casefold())
            unit = meant[fit[0]]
            if unit and unit != _OURS.get(ours, "m") and ours not in reading.units:
                units[ours] = unit
    if not found:
        return reading
    reading = replace(
        reading,
        columns={**reading.columns, **found},
        units={**reading.units, **units},
    )
    told = f"columns taken by their names; to confirm write {reading.pasted()}"
    return replace(reading, told=told)


def _unit_of(theirs: str, ours: str, words: tuple[str, ...]) -> str | None:
    """Give the unit that a column's name ends with, '' for none; None where it means another."""
    if theirs.casefold() == ours:
        return ""
    if _folded(theirs) in words:
        return ""
    parts = _UNIT.fullmatch(theirs)
    if parts is None or _folded(parts["name"]) not in _WITH_UNIT.get(ours, ()):
        return None
    return UNITS[parts["unit"].casefold()]


def _folded(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold().translate(_UMLAUTS))


def names_german_use(column: str) -> bool:
    """Tell whether a column's name says in German what flows, so that S is Schmutzwasser."""
    return _folded(column) in PIPE_NAMES["use"]


def _holds_ids(reading: Reading, column: str) -> bool:
    values = [value for value in reading.layer.frame[column].tolist() if not is_empty(value)]
    enough = len(reading.layer.frame) * _MOST
    return len(values) >= enough and len(set(values)) >= _MOST * len(values)
