"""The layers of the network in a project: nodes or laterals that cannot be read cost no pipe."""

from __future__ import annotations

from collections.abc import Mapping

from planner.errors import PlannerError
from planner.inputs.folder_reading import SECTIONS_WAIT, FolderReading
from planner.inputs.network import Network, read_network
from planner.inputs.paths import file_fault
from planner.inputs.sections import Sections
from planner.inputs.specs import LayerSpec
from planner.settings import Settings


def read_network_of(sections: Sections, reading: FolderReading) -> Network:
    """Read the network; nodes or laterals that cannot be read are a fault, pipes an end."""
    layers, settings = sections.layers, sections.settings
    try:
        network = _network_of(layers, settings, reading)
    except PlannerError:
        usable = {"pipes": layers["pipes"]}
        network = _network_of(usable, settings, reading)
        for name in ("nodes", "laterals"):
            if name not in layers:
                continue
            try:
                network = _network_of({**usable, name: layers[name]}, settings, reading)
                usable[name] = layers[name]
            except PlannerError as error:
                reading.faults.append(file_fault(layers[name].name, error))
                reading.missing.append(f"{SECTIONS_WAIT[name]}, which cannot be read")
    reading.faults += network.faults
    reading.read_count |= network.read_count
    reading.hashes |= network.hashes
    return network


def _network_of(
    layers: Mapping[str, LayerSpec], settings: Settings, reading: FolderReading
) -> Network:
    used = {name: layers[name] for name in ("pipes", "nodes", "laterals") if name in layers}
    asked = {"survey": settings.survey.model_dump(mode="json"), "crs": settings.project.crs}
    return reading.copied(
        Network,
        asked,
        used,
        lambda: read_network(
            layers["pipes"],
            layers.get("nodes"),
            layers.get("laterals"),
            reading.folder,
            settings.survey,
            settings.project.crs,
        ),
    )
