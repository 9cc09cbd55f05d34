"""The map: one page that opens from a file, without a network."""

from __future__ import annotations

from typing import Any

import folium
from branca.element import MacroElement
from folium.elements import JSCSSMixin
from folium.template import Template

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.figure import OfflineFigure
from planner.outputs.ground_layers import laterals_layer, nodes_layer, streets_layer
from planner.outputs.layers import (
    Sheet,
    defects_layer,
    pipes_layer,
    sleeves_layer,
)
from planner.outputs.panel import looks, panel_of
from planner.outputs.routes import routes_of

LAYERS = {
    "streets": streets_layer,
    "pipes": pipes_layer,
    "laterals": laterals_layer,
    "nodes": nodes_layer,
    "sleeves": sleeves_layer,
    "defects": defects_layer,
}
"""Layers from the bottom to the top."""

SCRIPTS = (
    "plan_paths", "plan_theme", "plan_badges", "plan_labels", "plan_popups", "plan_find",
    "plan_panel", "plan_main", "plan_open",
)  # fmt: skip
CLOSEST_ZOOM = 22


class _PlanView(JSCSSMixin, MacroElement):
    """Our own drawing on a folium map; it reads the data block ``plan`` of the page."""

    default_js = [(name, "") for name in SCRIPTS]  # noqa: RUF012 - folium's own attribute
    default_css = [("plan_css", "")]  # noqa: RUF012
    _template = Template(
        "{% macro script(this, kwargs) %}"
        'sleeveplan.open({{ this._parent.get_name() }}, document.getElementById("plan"));'
        "{% endmacro %}"
    )


def draw_map(tables: Tables, facts: RunFacts) -> str:
    """Draw pipes by verdict, defects, sleeves, streets and the week's routes.

    The page is one file without any outside address. What comes from tables reaches
    it as JSON alone and is shown as text alone. The same tables give the same bytes.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        Name, units, whether the choices were accepted, whether drives are by air.

    Returns
    -------
    str
        The page, to be written as UTF-8.

    Raises
    ------
    PlannerError
        If the page would call out.
    """
    return render("Sleeve plan", plan_data(tables, facts))


def render(title: str, data: dict[str, Any]) -> str:
    """Put data for the map's script into a page of its own.

    Parameters
    ----------
    title : str
        What the page is called until its script has run.
    data : dict
        As `plan_data` gives it.
    """
    page = folium.Map(
        location=[0, 0],
        zoom_start=15,
        tiles=None,
        prefer_canvas=True,
        control_scale=False,
        zoom_control=False,
        max_zoom=CLOSEST_ZOOM,
        zoom_snap=0.5,
        attribution_control=False,
        font_size="13px",
    )
    # folium's own lists are shared by all maps of the process and bring what we do not use.
    page.default_js = [("leaflet", "")]
    page.default_css = [("leaflet_css", "")]
    page.add_child(_PlanView())  # type: ignore[no-untyped-call]
    figure = OfflineFigure(title)
    figure.add_child(page)
    figure.add_data("plan", data)
    return figure.render()


def plan_data(tables: Tables, facts: RunFacts) -> dict[str, Any]:
    """Write all that the map's script needs, as plain lists and texts.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        Facts of the run.
    """
    sheet = Sheet(tables, facts)
    layers = {name: build(sheet).pack() for name, build in LAYERS.items()}
    return {
        "looks": looks(),
        "layers": layers,
        "routes": routes_of(sheet),
        "panel": panel_of(sheet, layers),
        "imperial": facts.units == "us",
    }
