"""Which column of a table holds what, proposed from its name; shown, and settable.

The words are general trade words in English, German, Dutch and French (common practice, no
source). A proposal never overrules what ``planner.toml`` says, and two columns that could
both be meant are never chosen between.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from planner.errors import FileError, shown
from planner.inputs.coded import FORM

# Columns beside those of `FORM` that a table may have, and that are worked into them.
BESIDE = ("us_node", "ds_node", "v1", "v2", "percent", "length_unit", "size_unit", "reverse_of")
PERSON = "person"

_WORDS = {
    "inspection_id": """inspectionid inspection inspectionno inspectionnumber inspectionref
        inspectionreference surveyid survey surveyno surveynumber surveyref surveyreference
        runid inspektion inspektionsid inspektionsnr inspectie inspectieid""",
    "pipe_id": """pipeid pipe pipename piperef pipereference pipeno pipenumber pipesegment
        pipesegmentid pipesegmentref pipesegmentreference segmentid assetid asset conduitid conduit
        lineid mainid sewerid sectionid haltung haltungsname haltungid haltungsnummer
        haltungsbezeichnung leitung leitungsname strang strangid streng strengid leiding
        leidingid troncon tronconid""",
    "start_node": """startnode startmanhole startmh startnoderef startnodereference fromnode
        frommanhole frommh startschacht vonschacht schachtvon beginput startpunkt""",
    "end_node": """endnode endmanhole endmh finishnode finishmanhole finishmh finishnoderef
        finishnodereference tonode tomanhole tomh endschacht zielschacht bisschacht nachschacht
        schachtbis eindput""",
    "us_node": """usnode usmh usmanhole upstreamnode upstreammanhole upstreammh
        upstreammanholeno upstreamnoderef schachtoben obererschacht""",
    "ds_node": """dsnode dsmh dsmanhole downstreamnode downstreammanhole downstreammh
        downstreammanholeno downstreamnoderef schachtunten untererschacht""",
    "direction": """direction surveydirection inspectiondirection directionofsurvey
        directionofinspection richtung untersuchungsrichtung inspektionsrichtung""",
    "date": """date surveydate inspectiondate dateofsurvey dateofinspection datum
        inspektionsdatum untersuchungsdatum untersuchtam inspectiedatum datedinspection""",
    "surveyed_m": """surveyedlength lengthsurveyed surveylength inspectedlength lengthinspected
        inspektionslange inspektionslaenge""",
    "stated_m": """totallength expectedlength pipelength haltungslange haltungslaenge
        totalpipelength""",
    "size_mm": """height diameter pipediameter pipeheight dn nennweite hohe hoehe profilhohe
        profilhoehe diametre""",
    "width_mm": "width pipewidth breite profilbreite breedte largeur",
    "shape": "shape pipeshape profil profilart profile vorm",
    "material": "material pipematerial werkstoff materiaal materiau",
    "joint_every_m": """pipeunitlength jointspacing jointlength pipejointlength unitlength
        rohrlange rohrlaenge""",
    "s_m": """distance dist chainage station counter entfernung entf stationierung afstand metrage
        distancefromstart""",
    "code": """code defectcode observationcode obscode conditioncode maincode kurzel kuerzel
        kode zustandscode schadenscode hauptcode""",
    "char1": "char1 ch1 characterisation1 characterization1 charakterisierung1",
    "char2": "char2 ch2 characterisation2 characterization2 charakterisierung2",
    "q1": "q1 quant1 quantification1 quantifizierung1 quantity1",
    "q2": "q2 quant2 quantification2 quantifizierung2 quantity2",
    "v1": """value1 value1st valuefirst value1stdimension firstvalue firstdimension dimension1
        dim1 dimension1st""",
    "v2": """value2 value2nd valuesecond value2nddimension secondvalue seconddimension
        dimension2 dim2 dimension2nd""",
    "percent": "percent percentage valuepercent valuepct pct prozent",
    "clock_from_h": """clock clockfrom clockat clockatfrom clockposfrom clockpositionfrom
        clockposition clockstart clockpos1 clock1 positionvon lagevon uhrvon""",
    "clock_to_h": """clockto clockposto clockpositionto clockend clockpos2 clock2 positionbis
        lagebis uhrbis""",
    "stretch": "stretch continuous continuouscode continuousdefect continuousdefectcode "
    "streckenschaden",
    "joint": "joint atjoint jointflag verbindung rohrverbindung",
    "remark": "remark remarks comment comments bemerkung bemerkungen anmerkung anmerkungen "
    "kommentar note notes opmerking opmerkingen remarque remarques",
    "photo": "photo photos photoref photoreference photono photonumber image imageref picture "
    "foto fotonummer fotonr bild bildnr",
    "video": "video videofile videoname videoref videoreference film filmname",
    "video_s": "videotime videocounter timecode videosecond videoseconds",
    "length_unit": "lengthunit lengthunits distanceunit distanceunits unit units",
    "size_unit": "heightunit sizeunit diameterunit dimensionunit dimensionunits",
    "reverse_of": "reverseof reversesetup reversesetupof",
    PERSON: "surveyor surveyedby inspector inspectedby inspectorname operator operatorname "
    "reviewer reviewedby certificate certificateno certificatenumber untersucher "
    "nameuntersucher inspekteur inspecteur",
}
_ALIAS = {word: name for name, words in _WORDS.items() for word in words.split()}
_OWN = {name.casefold(): name for name in (*FORM.names, *BESIDE)}
_UNIT = re.compile(
    r"(?P<name>.*\w[.)]?)(?:\s*[\[(]\s*|[\s_]+)(?P<unit>m|ft|feet|mm|cm|in|inch|inches|%)\s*[\])]?",
    re.IGNORECASE | re.DOTALL,
)
UNITS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "mtr": "m",
    "ft": "ft", "feet": "ft", "foot": "ft",
    "mm": "mm", "cm": "cm", "in": "in", "inch": "in", "inches": "in", '"': "in",
}  # fmt: skip
"""Unit by the word that a file writes for it."""


@dataclass(frozen=True)
class Places:
    """Position of each column that was found, by our name, and what its name says of its unit.

    ``proposed`` are those found by a word of the trade; ``persons`` the names of columns that
    tell of persons; ``clashes`` lines on columns that are not told apart.
    """

    at: dict[str, int]
    units: dict[str, str] = field(default_factory=dict)
    proposed: dict[str, str] = field(default_factory=dict)
    persons: list[str] = field(default_factory=list)
    clashes: list[str] = field(default_factory=list)

    @property
    def codes_rows(self) -> bool:
        """Tell whether the table holds coded rows."""
        return {"s_m", "code"} <= set(self.at)

    @property
    def lists_runs(self) -> bool:
        """Tell whether the table lists runs and codes nothing."""
        says = {"pipe_id", "start_node", "us_node"} & set(self.at)
        return "inspection_id" in self.at and bool(says) and not {"s_m", "code"} & set(self.at)


def find_columns(header: Sequence[str], given: Mapping[str, str], file: str) -> Places:
    """Find our columns in a header.

    Parameters
    ----------
    header
        Names as the table writes them.
    given
        ``{our column: their column}`` of ``planner.toml``.
    file
        Its name in messages.

    Raises
    ------
    FileError
        If two columns could be the station or the code.
    """
    found = Places({})
    taken: dict[int, str] = {}
    for name, theirs in given.items():
        _place(name, [i for i, other in enumerate(header) if other == theirs], found, taken)
        if name not in found.at:
            same = [i for i, other in enumerate(header) if other.casefold() == theirs.casefold()]
            _place(name, same, found, taken)
    for place, theirs in enumerate(header):
        own = _OWN.get(theirs.casefold(), "")
        if own and own not in given and place not in taken:
            _place(own, [place], found, taken)
    _propose(header, given, file, found, taken)
    return found


def _place(name: str, places: list[int], found: Places, taken: dict[int, str]) -> None:
    if len(places) == 1 and name not in found.at and places[0] not in taken:
        found.at[name] = places[0]
        taken[places[0]] = name


def _propose(
    header: Sequence[str],
    given: Mapping[str, str],
    file: str,
    found: Places,
    taken: dict[int, str],
) -> None:
    meant: dict[str, list[int]] = {}
    for place, theirs in enumerate(header):
        name = "" if place in taken else _meaning(theirs)[0]
        if name == PERSON:
            found.persons.append(shown(theirs))
        elif name and name not in found.at and name not in given:
            meant.setdefault(name, []).append(place)
    for name, places in meant.items():
        if len(places) > 1:
            names = ", ".join(shown(header[place]) for place in places)
            message = f"columns {names} could each be {name}; state columns.{name}"
            if name in ("s_m", "code"):
                message = f"{file}: {message}"
                raise FileError(message)
            found.clashes.append(message)
            continue
        _place(name, places, found, taken)
        found.proposed[name] = header[places[0]]
    for name, place in found.at.items():
        unit = "" if header[place].casefold() in _OWN else _meaning(header[place])[1]
        if unit:
            found.units[name] = unit


def _meaning(theirs: str) -> tuple[str, str]:
    """Give our column for a name, and the unit that it ends with; '' where it says none."""
    plain = _plain(theirs)
    if plain in _ALIAS:
        return _ALIAS[plain], ""
    parts = _UNIT.fullmatch(theirs.strip())
    if parts is None:
        return "", ""
    if parts["unit"] == "%":
        # A value in per cent is another column than the values beside it.
        name = _plain(parts["name"])
        return ("percent" if name in ("value", "percent", "quantity") else _ALIAS.get(name, "")), ""
    return _ALIAS.get(_plain(parts["name"]), ""), UNITS.get(parts["unit"].casefold(), "")


def _plain(name: str) -> str:
    """Give a name without case, accents and all that is neither letter nor digit."""
    apart = unicodedata.normalize("NFKD", name.casefold())
    return "".join(sign for sign in apart if sign.isalnum())
