"""Which form a file of coded rows has, by what stands in it, and which reader takes it.

A new form is one line in `READERS`; a form in XML one more in `XML_ROOTS`.
"""

from __future__ import annotations

import re
from pathlib import Path

from planner.errors import FileError
from planner.ground.codes import SCHEMES
from planner.inputs.coded import Reader
from planner.inputs.dwa_m150 import read_dwa_m150
from planner.inputs.en_text import is_en_text, read_en_text
from planner.inputs.en_xml import read_en_xml
from planner.inputs.isybau import read_isybau

TABLE = "table"
EN_TEXT = "EN 13508-2 text"
EN_XML = "EN 13508-2 XML"
ISYBAU = "ISYBAU XML"
DWA_M150 = "DWA-M 150 XML"
READERS: dict[str, Reader] = {
    EN_TEXT: read_en_text,
    EN_XML: read_en_xml,
    ISYBAU: read_isybau,
    DWA_M150: read_dwa_m150,
}
"""Readers by the name that ``standard`` in ``planner.toml`` gives their form."""
XML_ROOTS: dict[str, tuple[str, str]] = {
    ISYBAU: ("identifikation", ""),
    DWA_M150: ("data", "hg"),
    EN_XML: ("data", "zb"),
}
"""Form by root element: its local name in small letters, and an element that stands inside."""

HEAD_BYTES = 65536
_XML_MARKS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_ELEMENT = re.compile(r"<(?:[\w.-]+:)?([\w.-]+)")


def form_of(path: Path, file: str, standard: str = "") -> str:
    """Name the form of a file.

    Parameters
    ----------
    path
        The file; its first 64 kB are looked at, its name is not.
    file
        Its name in messages.
    standard
        What ``planner.toml`` says: a form, or '' to look.

    Returns
    -------
    form
        A key of `READERS`, or `TABLE` for a table of plain columns.

    Raises
    ------
    FileError
        If `standard` names no form that is read, or the file is XML of no known form.
    """
    known = {name.casefold(): name for name in (TABLE, *READERS)}
    if standard:
        if standard.strip().casefold() not in known:
            wanted = ", ".join(known.values())
            message = f"{file}: standard '{standard}' is not read; wanted one of {wanted}"
            raise FileError(message)
        return known[standard.strip().casefold()]
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    text = _loosely(head)
    if text.lstrip().startswith("<"):
        return _xml_form(text, file)
    return EN_TEXT if is_en_text(text) else TABLE


def scheme_of(written: str, file: str = "") -> str:
    """Give the coding scheme as the code tables name it.

    Parameters
    ----------
    written
        What ``planner.toml`` says; '' gives ''.
    file
        Named in the error; '' gives '' for what is no scheme.

    Raises
    ------
    FileError
        If `written` names no scheme.
    """
    plain = re.sub(r"[\s_-]+", "", written.casefold())
    known = {re.sub(r"[\s_-]+", "", name.casefold()): name for name in SCHEMES}
    if plain and plain not in known and file:
        message = f"{file}: scheme '{written}' is not read; wanted one of {', '.join(SCHEMES)}"
        raise FileError(message)
    return known.get(plain, "")


def _loosely(head: bytes) -> str:
    for mark, encoding in _XML_MARKS:
        if head.startswith(mark):
            return head.decode(encoding, errors="replace").lstrip("\ufeff")
    return head.decode("latin-1")


def _xml_form(text: str, file: str) -> str:
    names = [name.casefold() for name in _ELEMENT.findall(_without_comments(text))]
    for form, (root, inside) in XML_ROOTS.items():
        if names[:1] == [root] and (not inside or inside in names):
            return form
    found = f"root element '{names[0]}'" if names else "no element"
    message = f"{file}: XML of a form that is not read: {found}"
    raise FileError(message)


def _without_comments(text: str) -> str:
    parts = []
    while text:
        before, _, after = text.partition("<!--")
        parts.append(before)
        text = after.partition("-->")[2]
    return "".join(parts)
