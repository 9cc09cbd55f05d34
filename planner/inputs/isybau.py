"""Inspections out of ISYBAU XML, editions of 2006 and of 2013 and later, by local names.

References
----------
BFR Abwasser, annex A-7 (tables A-7-80, A-7-317 to A-7-322). The spelling of element names
below ``OptischeInspektion`` is partly from memory; names are therefore read in any case.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from planner.errors import Fault, shown
from planner.ground.codes import SCHEME
from planner.inputs.coded import CodedFile
from planner.inputs.xml_guard import Node, read_xml
from planner.inputs.xml_rows import XmlRows

# List U102: what the codes of an order are.
CODINGS = {
    "1": "EN 2003", "2": "EN 2003 with DWA-M 149-2", "3": "EN 2003 with other national rules",
    "4": "ISYBAU 2001", "5": "ISYBAU 1996", "6": "another coding system",
    "7": "EN 2003 with Arbeitshilfen", "8": "EN 2011", "9": "EN 2011 with DWA-M 149-2",
    "10": "EN 2011 with Arbeitshilfen/BFR",
}  # fmt: skip
NOT_EN = ("4", "5", "6")
# List U104; the node that the counter starts at, and the other.
DIRECTIONS = {"O": ("down", "knotenzulauf", "knotenablauf"),
              "U": ("up", "knotenablauf", "knotenzulauf")}  # fmt: skip
CENTRE = "1"  # list U105
_ROW = {
    "station": "s_m",
    "inspektionskode": "code",
    "charakterisierung1": "char1",
    "charakterisierung2": "char2",
    "positionvon": "clock_from_h",
    "positionbis": "clock_to_h",
    "kommentar": "remark",
    "fotodatei": "photo",
    "foto": "photo",
    "videozaehler": "video_s",
    "timecode": "video_s",
}


_COLUMNS = (
    "inspection_id", "pipe_id", "start_node", "end_node", "direction", "date", "zero_at",
    "surveyed_m", "size_mm", "width_mm", "shape", "material", "video", "q1", "q2", "stretch",
    "joint", *dict.fromkeys(_ROW.values()),
)  # fmt: skip


@dataclass
class _Found:
    """What is gathered from one file."""

    file: str
    rows: XmlRows
    faults: list[Fault] = field(default_factory=list)
    flags: list[tuple[str, str]] = field(default_factory=list)
    codings: set[str] = field(default_factory=set)
    number: int = 0

    def lose(self, line: int, column: str, found: str, wanted: str) -> None:
        self.faults.append(Fault(self.file, line, column, shown(found), wanted))


def read_isybau(path: Path, file: str) -> CodedFile:
    """Read the inspections of pipes.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Returns
    -------
    CodedFile
        One row for each ``RZustand``. Inspections of manholes and structures, and those in
        codes that are not EN 13508-2, are refused with one fault for each observation.
    """
    root = read_xml(path, file)
    found = _Found(file, XmlRows(file, _COLUMNS))
    orders = {
        order.say("auftragskennung"): order.say("kodiersystem") for order in root.under("auftrag")
    }
    for asset in root.under("inspizierteabwassertechnischeanlage"):
        for survey in asset.all("optischeinspektion"):
            coding = survey.say("kodiersystem") or orders.get(survey.say("auftragskennung"), "")
            _take_survey(asset, survey, coding, found)
    named = ", ".join(CODINGS.get(one, f"'{shown(one)}'") for one in sorted(found.codings))
    said = f"ISYBAU XML{f' of {v}' if (v := shown(root.say('version'))) else ''}, coding system "
    said += (named or "not named: taken as EN 13508-2 by its form") + found.rows.counted
    return CodedFile(found.rows.table(found.faults), SCHEME, said=(said,), flags=found.flags)


def _take_survey(asset: Node, survey: Node, coding: str, found: _Found) -> None:
    name = asset.say("objektbezeichnung")
    pipes = survey.all("rohrleitung")
    for other in survey.children:
        if other.name in ("knoten", "bauwerk"):
            for row in [*other.under("kzustand"), *other.under("bzustand")] or [other]:
                found.lose(row.line, other.name, name, "an inspection of a pipe")
    if coding:
        found.codings.add(coding)
    for pipe in pipes:
        rows = list(pipe.under("rzustand"))
        if coding in NOT_EN:
            for row in rows:
                code = row.say("inspektionskode")
                found.lose(row.line, "Kodiersystem", f"{CODINGS[coding]}, code {code}", SCHEME)
            continue
        _take_pipe(name, survey, pipe, rows, found)


def _take_pipe(name: str, survey: Node, pipe: Node, rows: list[Node], found: _Found) -> None:
    found.number += 1
    run = f"{name or 'run'}/{found.number}"
    head = {"inspection_id": run, "pipe_id": name, "date": survey.say("inspektionsdatum")}
    told = pipe.first("rgrunddaten") or Node("", pipe.line)
    way = pipe.say("inspektionsrichtung").upper()
    if way in DIRECTIONS:
        direction, start, end = DIRECTIONS[way]
        head |= {"direction": direction, "start_node": told.say(start), "end_node": told.say(end)}
    else:
        what = f"Inspektionsrichtung '{shown(way)}' is not O or U: no start node"
        found.flags.append((run, what))
    zero = pipe.say("bezugspunktlage")
    if zero == CENTRE:
        head["zero_at"] = "centre"
    elif zero:
        found.flags.append((run, f"BezugspunktLage '{shown(zero)}' is not known: zero not known"))
    head |= {
        "surveyed_m": pipe.say("inspektionslaenge"),
        "size_mm": told.say("profilhoehe"),
        "width_mm": told.say("profilbreite"),
        "shape": told.say("profilart"),
        "material": told.say("material"),
        "video": survey.say("videoablagereferenz"),
    }
    head = {key: value for key, value in head.items() if value}
    for row in rows:
        found.rows.add(row.line, {**head, **_row_of(row)})
    if not rows:
        found.rows.add(pipe.line, head)


def _row_of(row: Node) -> dict[str, str]:
    told = {_ROW[child.name]: child.text for child in row.children
            if child.name in _ROW and child.text}  # fmt: skip
    photo = row.first("foto")
    if photo is not None and photo.children:
        told["photo"] = photo.say("fotodatei")
    for place in ("1", "2"):
        figure = row.say(f"quantifizierung{place}numerisch") or row.say(
            f"quantifizierung{place}text"
        )
        if figure:
            told[f"q{place}"] = figure
    if row.say("streckenschaden"):
        told["stretch"] = row.say("streckenschaden") + row.say("streckenschadenlfdnr")
    if row.say("verbindung"):
        told["joint"] = row.say("verbindung")
    return told
