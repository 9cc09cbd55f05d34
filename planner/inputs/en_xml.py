"""The XML form of EN 13508-2: one ``ZB`` for each inspection, one ``ZC`` for each observation.

References
----------
EN 13508-2:2003+A1:2011, annex B.3, as described in public excerpts.
"""

from __future__ import annotations

from pathlib import Path

from planner.errors import Fault
from planner.ground.codes import SCHEME
from planner.inputs.coded import CodedFile
from planner.inputs.en_fields import HEAD, OBSERVED, Head, read_head, video_column
from planner.inputs.xml_guard import Node, read_xml
from planner.inputs.xml_rows import XmlRows


def read_en_xml(path: Path, file: str) -> CodedFile:
    """Read a file in the XML form.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Returns
    -------
    CodedFile
        One row for each ``ZC``, and one without a code for an inspection that has none.

    Raises
    ------
    FileError
        If it is not well-formed XML; see `xml_guard.read_xml`.
    """
    root = read_xml(path, file)
    faults: list[Fault] = []
    rows = XmlRows(file, (*HEAD, *dict.fromkeys(OBSERVED.values()), "video_s"))
    runs = list(root.under("zb"))
    marks = [row.say("n") for run in runs for row in run.all("zc")]
    columns = {**OBSERVED, "N": video_column(marks)}
    seen: dict[str, int] = {}
    for run in runs:
        fields = {child.name.upper(): child.text for child in run.children if not child.children}
        head = read_head(Head(file, run.line, fields), "point", faults)
        name = head["inspection_id"]
        seen[name] = seen.get(name, 0) + 1
        head["inspection_id"] = name if seen[name] == 1 else f"{name}~{seen[name]}"
        found = run.all("zc")
        for row in found:
            rows.add(row.line, {**head, **_observed(row, columns)})
        if not found:
            rows.add(run.line, head)
    about = root.first("za")
    version = about.say("a6") if about is not None else ""
    said = f"{SCHEME} XML form" + (f" of {version}" if version else "")
    return CodedFile(rows.table(faults), SCHEME, said=(said + rows.counted,))


def _observed(row: Node, columns: dict[str, str]) -> dict[str, str]:
    told = {child.name.upper(): child.text for child in row.children if child.text}
    return {columns[letter]: text for letter, text in told.items() if letter in columns}
