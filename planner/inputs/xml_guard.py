"""One guarded way into XML: no document types, no entities, nothing outside the file.

The standard library's expat is driven directly because a fault must name its line, which
the ready-made trees do not keep.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from xml.parsers import expat

from planner.errors import FileError

MAX_BYTES = 512 * 1024 * 1024
MAX_DEPTH = 100
MAX_NODES = 30_000_000


class Node:
    """An element: ``name`` local and in lower case, ``line`` in the file, ``text``, children."""

    __slots__ = ("children", "line", "name", "text")

    def __init__(self, name: str, line: int) -> None:
        self.name, self.line, self.text = name, line, ""
        self.children: list[Node] = []

    def first(self, name: str) -> Node | None:
        """Give the first child of a name (in lower case)."""
        return next((child for child in self.children if child.name == name), None)

    def all(self, name: str) -> list[Node]:
        """Give all children of a name (in lower case)."""
        return [child for child in self.children if child.name == name]

    def under(self, name: str) -> Iterator[Node]:
        """Give all elements of a name below this one, in the order of the file."""
        stack = list(reversed(self.children))
        while stack:
            node = stack.pop()
            if node.name == name:
                yield node
            stack.extend(reversed(node.children))

    def say(self, name: str) -> str:
        """Give the text of the first child of a name, '' if there is none."""
        found = self.first(name)
        return found.text if found is not None else ""


class _Tree:
    """Builds the tree while expat reads."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.root: Node | None = None
        self.stack: list[Node] = []
        self.count = 0
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.data
        self.parser.StartDoctypeDeclHandler = self.refuse
        self.parser.EntityDeclHandler = self.refuse
        self.parser.ExternalEntityRefHandler = self.refuse

    def start(self, name: str, _: dict[str, str]) -> None:
        self.count += 1
        if len(self.stack) >= MAX_DEPTH or self.count > MAX_NODES:
            message = f"{self.file}: more than {MAX_DEPTH} levels or {MAX_NODES} elements of XML"
            raise FileError(message)
        node = Node(name.rpartition(":")[2].lower(), self.parser.CurrentLineNumber)
        if self.stack:
            self.stack[-1].children.append(node)
        else:
            self.root = node
        self.stack.append(node)

    def end(self, _: str) -> None:
        node = self.stack.pop()
        node.text = node.text.strip()

    def data(self, text: str) -> None:
        if self.stack:
            self.stack[-1].text += text

    def refuse(self, *_: object) -> int:
        message = (
            f"{self.file}, row {self.parser.CurrentLineNumber}: found a document type or an "
            "entity, which could reach out of the file; wanted plain XML"
        )
        raise FileError(message)


def read_xml(path: Path, file: str) -> Node:
    """Read an XML file into a tree of elements with their lines.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Raises
    ------
    FileError
        If it is too large or too deep, is not well formed, names an encoding that is not
        known, or holds a document type or an entity.
    """
    size = path.stat().st_size
    if size > MAX_BYTES:
        message = f"{file}: {size} bytes, more than {MAX_BYTES}; split the file"
        raise FileError(message)
    tree = _Tree(file)
    try:
        with path.open("rb") as stream:
            tree.parser.ParseFile(stream)
    except expat.ExpatError as error:
        message = (
            f"{file}, row {error.lineno}: not well-formed XML: {expat.ErrorString(error.code)}"
        )
        raise FileError(message) from error
    except (LookupError, ValueError) as error:
        message = f"{file}: XML in an encoding that is not known: {error}"
        raise FileError(message) from error
    if tree.root is None:
        message = f"{file}: an XML file without any element"
        raise FileError(message)
    return tree.root
