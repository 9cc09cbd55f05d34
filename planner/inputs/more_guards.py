"""Guards for formats whose files may name others: GML, MapInfo tables, file geodatabases.

A GML may point to a schema, which the library would fetch or open, and the library writes a
note beside what it reads. So it is given a copy of its own in a folder of its own, without
those pointers. A MapInfo table may be a view of other tables; that is refused.
"""

from __future__ import annotations

import re
from pathlib import Path

from planner.errors import FileError

MAX_GML_BYTES = 512 * 1024 * 1024
_HEAD = 65536
_LINKS = re.compile(rb"\b(?:[\w.-]+:)?(?:schemaLocation|noNamespaceSchemaLocation)\s*=\s*"
                    rb"(\"[^\"]*\"|'[^']*')")  # fmt: skip
_OUTSIDE = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)|\bxi:include\b", re.I)
_VIEW = re.compile(r"^\s*(?:open\s+table|create\s+view|\"?\\?isseamless\b.*true|type\s+linked)",
                   re.I | re.M)  # fmt: skip
_COLLECTION = re.compile(rb"<(?:[\w.-]+:)?FeatureCollection\b")


def copy_gml(path: Path, name: str, folder: Path) -> Path:
    """Copy a GML into an empty folder, without what points out of it.

    Parameters
    ----------
    path
        The file.
    name
        Its name in messages.
    folder
        An empty folder.

    Raises
    ------
    FileError
        If it is too large, is no collection of features, or holds a document type.
    """
    if path.stat().st_size > MAX_GML_BYTES:
        message = f"{name}: larger than {MAX_GML_BYTES >> 20} MB; write it as GeoPackage"
        raise FileError(message)
    raw = path.read_bytes()
    if _OUTSIDE.search(raw):
        message = f"{name}: holds a document type, an entity or an include: it may reach out of it"
        raise FileError(message)
    if not _COLLECTION.search(raw[:_HEAD]):
        message = f"{name}: no GML: wanted a FeatureCollection, in UTF-8 or an 8-bit encoding"
        raise FileError(message)
    copy = folder / "layer.gml"
    copy.write_bytes(_LINKS.sub(b"", raw))
    return copy


def check_mapinfo(path: Path, root: Path, name: str) -> None:
    """Refuse a MapInfo table that is a view of others, or whose parts lie elsewhere.

    Parameters
    ----------
    path
        The ``.tab`` or ``.mif`` file.
    root
        The project folder.
    name
        Its name in messages.
    """
    for part in sorted(path.parent.iterdir()):
        if part.stem == path.stem and not part.resolve().is_relative_to(root.resolve()):
            message = f"{name}: its part {part.name} is a link out of the project folder"
            raise FileError(message)
    if path.suffix.lower() == ".tab":
        with path.open("rb") as stream:
            text = stream.read(_HEAD).decode("latin-1")
        if _VIEW.search(text):
            message = f"{name}: is a view of other tables; save it as a table of its own"
            raise FileError(message)


def check_geodatabase(path: Path, root: Path, name: str) -> None:
    """Refuse a folder that is no file geodatabase, or holds links out of the project.

    Parameters
    ----------
    path
        The ``.gdb`` folder.
    root
        The project folder.
    name
        Its name in messages.
    """
    if not path.is_dir() or not any(path.glob("a0000000*.gdbtable")):
        message = f"{name}: is no file geodatabase: wanted a folder with .gdbtable files"
        raise FileError(message)
    for part in path.rglob("*"):
        if not part.resolve().is_relative_to(root.resolve()):
            message = f"{name}: its part {part.name} is a link out of the project folder"
            raise FileError(message)
