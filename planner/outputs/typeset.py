"""Data and a packaged template into a PDF; what the data hold is never read as markup."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

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


class Typesetter:
    """One template of ``planner/data`` with our fonts; the same data give the same bytes.

    Parameters
    ----------
    template
        Name of the file.
    name
        Name under which the template finds its data, as JSON.
    """

    def __init__(self, template: str, name: str) -> None:
        data = resources.files("planner").joinpath("data")
        self._source = data.joinpath(template).read_bytes()
        folder = str(data.joinpath("fonts"))
        self._fonts = typst.Fonts(include_system_fonts=False, font_paths=[folder])
        self._name = name

    def pdf(self, content: object) -> bytes:
        """Set one document from data that `json` can write."""
        return self.pdf_of(json.dumps(content, ensure_ascii=False))

    def pdf_of(self, content: str) -> bytes:
        """Set one document from JSON that is written already; threads may share this."""
        # Long words break where they are marked; an empty box leaves nothing in the text.
        source = _LONG_WORDS + self._source if BREAK in content else self._source
        # Tags would make each file three times as large; it is read on paper.
        pdf: bytes = typst.compile(
            source, format="pdf", font_paths=self._fonts, sys_inputs={self._name: content},
            pdf_tags=False,
        )  # fmt: skip
        return pdf
