"""A folium figure that renders to one file which needs no network and calls nobody.

folium links its scripts from outside hosts. Here each link is replaced, by its
name, with a file that ships in ``planner/data/web``; a name that is not in the
list, or an outside address that is left, is an error, so no new plugin can bring
one in unnoticed. Data never becomes part of a template or of HTML: it is put in
after all templates have run, as JSON that holds no ``<``.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from collections.abc import Iterator
from importlib import resources

from branca.element import CssLink, Element, Figure, JavascriptLink
from jinja2 import Template

from planner.errors import PlannerError

WEB = "data/web"
PACKED_FROM = 300_000
"""Data of more letters than this are deflated."""
VENDORED: dict[str, str] = {
    "leaflet": "leaflet/leaflet.js",
    "leaflet_css": "leaflet/leaflet.css",
    "plan_paths": "plan/paths.js",
    "plan_theme": "plan/theme.js",
    "plan_badges": "plan/badges.js",
    "plan_labels": "plan/labels.js",
    "plan_popups": "plan/popups.js",
    "plan_find": "plan/find.js",
    "plan_panel": "plan/panel.js",
    "plan_main": "plan/main.js",
    "plan_open": "plan/open.js",
    "plan_css": "plan/plan.css",
}
"""File in ``planner/data/web`` that stands in for the link of that name."""

_SLOT = "@@sleeveplan:{}@@"
_PAGE = Template(
    """<!DOCTYPE html>
<html lang="en">
<head>
{{ slot.format("policy") }}
<title>{{ this.title|e }}</title>
{{ this.header.render(**kwargs) }}
</head>
<body>
{{ this.html.render(**kwargs) }}
{{ slot.format("data") }}
<script>
{{ this.script.render(**kwargs) }}
</script>
</body>
</html>
"""
)
_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_BLOCK = re.compile(r"<script[^>]*>.*?</script>", re.DOTALL)
_OUTSIDE = re.compile(
    r"""(?:\b(?:src|href|srcset|action|poster|data)\s*=\s*["']?\s*(?:[a-z]+:)?//|@import)[^>\s]*""",
    re.IGNORECASE,
)
_URL = re.compile(r"""url\(\s*["']?([^"')]+)["']?\s*\)""")


class OfflineFigure(Figure):
    """A figure whose page is one file: scripts, styles and data within.

    Rendering twice gives the same bytes: ids, which folium draws at random, are
    renumbered in the order of the tree.

    Parameters
    ----------
    title : str
        Title of the page; text, never markup.
    """

    def __init__(self, title: str) -> None:
        super().__init__(title=title)
        self._data: dict[str, str] = {}
        self._numbered = 0

    def add_data(self, name: str, value: object) -> None:
        """Put `value` into the page as JSON, in an element whose id is `name`; deflated if long.

        Raises
        ------
        ValueError
            If `name` is not plain lower-case letters, or `value` holds NaN.
        """
        if not re.fullmatch(r"[a-z_]+", name):
            message = f"name of a data block must be lower-case letters, was {name!r}"
            raise ValueError(message)
        self._data[name] = safe_json(value)

    def render(self, **kwargs: object) -> str:
        """Give the whole page.

        Raises
        ------
        PlannerError
            If a link is not vendored, or an outside address is left in the page.
        """
        self._renumber()
        for child in self._children.values():
            child.render(**kwargs)
        slots = self._inline_links()
        slots[_SLOT.format("data")] = "\n".join(
            f'<script type="{_kind(text)}" id="{name}">{_packed(text)}</script>'
            for name, text in self._data.items()
        )
        page = _PAGE.render(this=self, kwargs=kwargs, slot=_SLOT)
        # Only now, after every template has run: nothing in these texts is read as one.
        page = _fill(page, slots)
        page = page.replace(_SLOT.format("policy"), _policy(page), 1)
        return _refuse_outside(page)

    def _renumber(self) -> None:
        """Give a number to each element that still has the random id it was born with."""
        for element in _tree(self):
            if len(element._id) > 6:
                element._id = f"{self._numbered:06d}"
                self._numbered += 1

    def _inline_links(self) -> dict[str, str]:
        slots: dict[str, str] = {}
        for name, child in list(self.header._children.items()):
            if not isinstance(child, JavascriptLink | CssLink):
                continue
            if name not in VENDORED:
                message = f"the map links '{name}', which is not vendored in planner/{WEB}"
                raise PlannerError(message)
            slot = _SLOT.format(name)
            slots[slot] = inline(VENDORED[name])
            self.header.add_child(Element(slot), name=name)
        return slots


def _kind(text: str) -> str:
    return "application/json" if len(text) <= PACKED_FROM else "application/x-deflate"


def _packed(text: str) -> str:
    """Deflate a long text: a city's map is a quarter as heavy for it, and no part is left out."""
    if len(text) <= PACKED_FROM:
        return text
    return base64.b64encode(zlib.compress(text.encode("ascii"), 9)).decode("ascii")


def safe_json(value: object) -> str:
    r"""Write `value` as JSON that can stand inside a page: no ``<``, ``>``, ``&``, no NaN.

    Raises
    ------
    ValueError
        If `value` holds NaN or infinity.

    Examples
    --------
    >>> safe_json("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def inline(path: str) -> str:
    """Give a vendored file as a ``<script>`` or ``<style>`` element, its licence within.

    Parameters
    ----------
    path : str
        Path under ``planner/data/web``.
    """
    root = resources.files("planner").joinpath(WEB)
    text = root.joinpath(path).read_text("utf-8")
    folder = path.rsplit("/", 1)[0]
    licence = root.joinpath(folder, "LICENSE")
    head = f"/*!\n{licence.read_text('utf-8').strip()}\n*/\n" if licence.is_file() else ""
    text = re.sub(r"(?m)^\s*//# sourceMappingURL=.*$", "", text)
    if path.endswith(".css"):
        text = _URL.sub(lambda found: _data_uri(folder, found.group(1)), text)
        return f"<style>\n{head}{text}\n</style>"
    text = text.replace("</script", "<\\/script").replace("<!--", "<\\!--")
    return f"<script>\n{head}{text}\n</script>"


def _data_uri(folder: str, target: str) -> str:
    if target.startswith(("data:", "#")):
        return f"url({target})"
    data = resources.files("planner").joinpath(WEB, folder, target).read_bytes()
    return f"url(data:image/png;base64,{base64.b64encode(data).decode('ascii')})"


def _fill(page: str, slots: dict[str, str]) -> str:
    """Put the texts into their slots in one pass, so that no text can name a slot."""
    pattern = re.compile("|".join(re.escape(slot) for slot in slots))
    return pattern.sub(lambda found: slots[found.group(0)], page)


def _policy(page: str) -> str:
    """Allow the scripts that are in the page by their hash, and nothing else."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(body.encode('utf-8')).digest()).decode()}'"
        for body in _SCRIPT.findall(page)
    )
    content = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    return f'<meta http-equiv="Content-Security-Policy" content="{content}" />'


def _refuse_outside(page: str) -> str:
    # Bodies of scripts are left out: they are vendored, and the policy stops what they call.
    left = _OUTSIDE.findall(_BLOCK.sub("", page))
    left += re.findall(r"<script\b[^>]*\bsrc\b[^>]*>", page)
    left += [
        url for url in _URL.findall(_BLOCK.sub("", page)) if not url.startswith(("data:", "#"))
    ]
    if left:
        message = f"the map would call out: {left[0]}"
        raise PlannerError(message)
    return page


def _tree(element: Element) -> Iterator[Element]:
    yield element
    for child in element._children.values():
        yield from _tree(child)
