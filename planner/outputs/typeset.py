"""Data and a packaged template into a PDF; what the data hold is never read as markup."""

from __future__ import annotations

import json
import threading
from importlib import resources
from pathlib import Path
from typing import cast

import typst

from planner.outputs.plain import BREAK

_LONG_WORDS = f'#show "{BREAK}": box()\n'.encode()


def packaged_fonts() -> dict[str, list[str]]:
    """Name the packaged font files, and which of them the typesetter can read.

    Returns
    -------
    dict
        ``there`` and ``read``, names of files, each sorted.
    """
    folder = Path(str(resources.files("planner").joinpath("data/fonts")))
    there = sorted(path.name for path in folder.glob("*.ttf"))
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[str(folder)])
    read = sorted({Path(font.path).name for font in fonts.fonts() if font.path})
    return {"there": there, "read": read}


def data_line(name: str, content: str) -> bytes:
    """Write the line that gives a template its data under `name`, from JSON: a text in quotes.

    Not as an input of the typesetter: where inputs differ, it keeps nothing from one document
    to the next.
    """
    quoted = content.replace("\\", "\\\\").replace('"', '\\"')
    return f'#let {name} = json(bytes("{quoted}"))\n'.encode()


class Typesetter:
    """One template of ``planner/data`` with our fonts; the same data give the same bytes.

    What documents have in common is set once for all of them, so long as their page, as the
    template states it, is the same: keep a document's own words out of its ``set`` rules.

    Parameters
    ----------
    template
        Name of the file.
    name
        Name under which the template finds its data.
    """

    def __init__(self, template: str, name: str) -> None:
        data = resources.files("planner").joinpath("data")
        self._source = data.joinpath(template).read_bytes()
        folder = str(data.joinpath("fonts"))
        self._fonts = typst.Fonts(include_system_fonts=False, font_paths=[folder])
        self._name = name
        self._own = threading.local()

    def pdf(self, content: object) -> bytes:
        """Set one document from data that `json` can write."""
        return self.pdf_of(json.dumps(content, ensure_ascii=False))

    def pdf_of(self, content: str) -> bytes:
        """Set one document from JSON that is written already; threads may share this."""
        # Long words break where they are marked; an empty box leaves nothing in the text.
        rule = _LONG_WORDS if BREAK in content else b""
        source = data_line(self._name, content) + rule + self._source
        # Tags would make each file three times as large; it is read on paper.
        pdf = self._compiler().compile(source, format="pdf", pdf_tags=False)
        return cast("bytes", pdf)

    def _compiler(self) -> typst.Compiler:
        """Give this thread's own; to a compiler all that it is given is one and the same file."""
        if not hasattr(self._own, "compiler"):
            self._own.compiler = typst.Compiler(font_paths=self._fonts)
        compiler: typst.Compiler = self._own.compiler
        return compiler
