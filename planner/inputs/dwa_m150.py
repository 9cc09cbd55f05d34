"""Inspections out of DWA-M 150 XML, type-B pipes.

References
----------
Field meanings are read off the values of a public example file of Kompetenzzentrum Wasser
Berlin (MIT), as the sheet itself is sold: HG pipe, HI inspection, HZ observation. The
direction of an inspection (HI101, HI102) is not decoded and so not used.
"""

from __future__ import annotations

from pathlib import Path

from planner.errors import Fault, shown
from planner.ground.codes import SCHEME
from planner.inputs.coded import CodedFile
from planner.inputs.xml_guard import Node, read_xml
from planner.inputs.xml_rows import XmlRows

_PIPE = {"hg001": "pipe_id", "hg304": "material", "hg310": "stated_m"}
_ROW = {
    "hz001": "s_m",
    "hz002": "code",
    "hz003": "q1",
    "hz004": "q2",
    "hz005": "stretch",
    "hz006": "clock_from_h",
    "hz007": "clock_to_h",
    "hz009": "photo",
    "hz011": "joint",
    "hz014": "char1",
    "hz015": "char2",
    "hz999": "remark",
}
_EN = ("149-2", "13508")
_COLUMNS = ("inspection_id", "date", "size_mm", "video_s", *_PIPE.values(), *_ROW.values())


def read_dwa_m150(path: Path, file: str) -> CodedFile:
    """Read the inspections of a file.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Returns
    -------
    CodedFile
        One row for each ``HZ``. The start node is left blank: the file does not say plainly
        at which of the pipe's nodes the counter began.
    """
    rows = XmlRows(file, _COLUMNS)
    faults: list[Fault] = []
    flags: list[tuple[str, str]] = []
    number = 0
    for pipe in read_xml(path, file).under("hg"):
        for run in pipe.all("hi"):
            number += 1
            coding, found = run.say("hi005"), run.all("hz")
            if coding and not any(word in coding for word in _EN):
                wanted = f"codes of {SCHEME}"
                lost = [Fault(file, row.line, "HI005", shown(coding), wanted) for row in found]
                faults += lost
                continue
            head = _head(pipe, run, number, flags)
            for row in found:
                rows.add(row.line, {**head, **_row_of(row)})
            if not found:
                rows.add(run.line, head)
    said = f"DWA-M 150 XML, start of the counter not said{rows.counted}"
    return CodedFile(rows.table(faults), SCHEME, said=(said,), flags=flags)


def _head(pipe: Node, run: Node, number: int, flags: list[tuple[str, str]]) -> dict[str, str]:
    name = pipe.say("hg001")
    key = f"{name or 'run'}/{number}"
    head = {ours: pipe.say(theirs) for theirs, ours in _PIPE.items()}
    head |= {"inspection_id": key, "date": run.say("hi104")}
    high, wide = pipe.say("hg306"), pipe.say("hg307")
    if high and (not wide or wide == high):
        head["size_mm"] = high
    elif high:
        sizes = f"sizes {shown(high)} and {shown(wide)}"
        flags.append((key, f"{sizes}: which of them is the height is not said"))
    return {name: text for name, text in head.items() if text}


def _row_of(row: Node) -> dict[str, str]:
    told = {_ROW[child.name]: child.text for child in row.children
            if child.name in _ROW and child.text}  # fmt: skip
    first = told.get("char1", "")
    if len(first) == 2 and "char2" not in told:
        told["char1"], told["char2"] = first[0], first[1]
    video = row.say("hz008")
    if ":" in video:
        told["video_s"] = video
    return told
