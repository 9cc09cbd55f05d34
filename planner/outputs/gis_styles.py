"""Looks of the layers as QML, the style text that QGIS reads; colours are the palette's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree import ElementTree as Xml

from planner.outputs.gis_drawn import PIPES, SPANS, STOPS
from planner.outputs.palette import DAYS, INK, LOOKS, SLEEVE_COLOUR, Look

# Plain layers: kind of symbol, colour, width or size [mm]; what is not named has no look.
PLAIN: dict[str, tuple[str, str, float]] = {
    "pipes": ("line", LOOKS["none"].colour, 0.3),
    "nodes": ("marker", "#777777", 1.4),
    "streets": ("line", "#D5D5D5", 0.8),
    "sleeves": ("line", SLEEVE_COLOUR, 1.6),
    "spans": ("line", LOOKS["dig"].colour, 0.8),
    "defects": ("line", LOOKS["dig"].colour, 0.8),
    "setups": ("marker", INK, 2.0),
    "legs": ("line", INK, 0.5),
}
_MM_PER_PX = 0.2
_MARKERS = {
    "bar": "rectangle",
    "long_bar": "rectangle",
    "triangle": "triangle",
    "diamond": "diamond",
    "ring": "circle",
    "square": "square",
    "dot": "circle",
}


def style_of(layer: str) -> str:
    """Write the QML of one layer, '' where it has no look.

    Parameters
    ----------
    layer
        Name of the layer in ``plan.gpkg``.

    Returns
    -------
    qml
        XML with a renderer and nothing else: one symbol, or one for each word of the
        legend, in the order of the legend.
    """
    if layer in (PIPES, SPANS):
        return _categories([(word, look.word, _line(look)) for word, look in LOOKS.items()])
    if layer == STOPS:
        rows = [
            (str(day), f"day {day}", _marker(look.colour, 3.6, "circle", "#FFFFFF"))
            for day, look in enumerate(DAYS, 1)
        ]
        return _categories(rows, other=_marker("#777777", 3.6, "circle", "#FFFFFF"))
    if layer in PLAIN:
        kind, colour, width = PLAIN[layer]
        symbol = (
            _marker(colour, width, "circle", INK) if kind == "marker" else _stroke(colour, width)
        )
        return _single(symbol)
    return ""


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"{red},{green},{blue},255"


Symbol = tuple[str, Sequence[tuple[str, Mapping[str, str]]]]


def _stroke(colour: str, width_mm: float, dash: str = "") -> Symbol:
    options = {"line_color": _rgba(colour), "line_width": f"{width_mm:g}", "line_width_unit": "MM"}
    if dash:
        parts = ";".join(f"{float(part) * _MM_PER_PX:g}" for part in dash.split())
        options |= {"customdash": parts, "customdash_unit": "MM", "use_custom_dash": "1"}
    return "line", [("SimpleLine", options)]


def _line(look: Look) -> Symbol:
    kind, strokes = _stroke(look.colour, look.width * _MM_PER_PX, look.dash)
    if not look.edge:
        return kind, strokes
    _, casing = _stroke(look.edge, (look.width + 2) * _MM_PER_PX)
    return kind, [*casing, *strokes]


def _marker(colour: str, size_mm: float, name: str, edge: str) -> Symbol:
    options = {"color": _rgba(colour), "outline_color": _rgba(edge), "name": name}
    return "marker", [("SimpleMarker", {**options, "size": f"{size_mm:g}", "size_unit": "MM"})]


def _head() -> Xml.Element:
    return Xml.Element("qgis", {"version": "3.28.0", "styleCategories": "Symbology"})


def _symbol(parent: Xml.Element, name: str, symbol: Symbol) -> None:
    kind, layers = symbol
    node = Xml.SubElement(parent, "symbol", {"name": name, "type": kind, "alpha": "1"})
    for cls, options in layers:
        layer = Xml.SubElement(node, "layer", {"class": cls, "enabled": "1", "pass": "0"})
        held = Xml.SubElement(layer, "Option", {"type": "Map"})
        for key, value in options.items():
            Xml.SubElement(held, "Option", {"name": key, "value": value, "type": "QString"})


def _single(symbol: Symbol) -> str:
    root = _head()
    renderer = Xml.SubElement(root, "renderer-v2", {"type": "singleSymbol"})
    _symbol(Xml.SubElement(renderer, "symbols"), "0", symbol)
    return _text(root)


def _categories(rows: Sequence[tuple[str, str, Symbol]], other: Symbol | None = None) -> str:
    root = _head()
    head = {"type": "categorizedSymbol", "attr": "shown"}
    renderer = Xml.SubElement(root, "renderer-v2", head)
    listed = [*rows, ("", "other", other)] if other else list(rows)
    categories = Xml.SubElement(renderer, "categories")
    for at, (value, label, _) in enumerate(listed):
        given = {"render": "true", "symbol": str(at), "value": value, "label": label}
        Xml.SubElement(categories, "category", given)
    symbols = Xml.SubElement(renderer, "symbols")
    for at, (_, _, symbol) in enumerate(listed):
        if symbol is not None:
            _symbol(symbols, str(at), symbol)
    return _text(root)


def _text(root: Xml.Element) -> str:
    Xml.indent(root)
    return "<!DOCTYPE qgis>\n" + Xml.tostring(root, encoding="unicode") + "\n"
