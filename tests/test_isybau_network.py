"""Pipes and manholes out of ISYBAU XML; its coordinate system is asked for, with proposals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.errors import FileError
from planner.inputs.crs_proposals import propose_crs
from planner.inputs.project import read_project
from planner.rule_spans import place_rows

NODE = """<AbwassertechnischeAnlage><Objektbezeichnung>{name}</Objektbezeichnung>
<Objektart>2</Objektart><Knoten><Schacht><Schachttiefe>2.5</Schachttiefe></Schacht></Knoten>
<Geometrie><Geometriedaten><Knoten>
<Punkt><Rechtswert>{x}</Rechtswert><Hochwert>5800000.5</Hochwert>
<PunktattributAbwasser>DMP</PunktattributAbwasser></Punkt>
<Punkt><Rechtswert>{x}</Rechtswert><Hochwert>5800000.0</Hochwert>
<PunktattributAbwasser>SMP</PunktattributAbwasser></Punkt>
</Knoten></Geometriedaten></Geometrie></AbwassertechnischeAnlage>"""
EDGE = """<AbwassertechnischeAnlage><Objektbezeichnung>K1</Objektbezeichnung>
<Objektart>1</Objektart><Entwaesserungsart>KS</Entwaesserungsart>
<Kante><KnotenAblauf>B</KnotenAblauf><KnotenZulauf>A</KnotenZulauf><Laenge>50.20</Laenge>
<Material>STZ</Material><Profil><Profilart>1</Profilart><Profilhoehe>450</Profilhoehe>
<Profilbreite>300</Profilbreite></Profil></Kante>
<Geometrie><Geometriedaten><Kanten>
<Kante><Start><Rechtswert>600000</Rechtswert><Hochwert>5800000</Hochwert></Start>
<Ende><Rechtswert>600030</Rechtswert><Hochwert>5800000</Hochwert></Ende></Kante>
<Kante><Start><Rechtswert>600030</Rechtswert><Hochwert>5800000</Hochwert></Start>
<Ende><Rechtswert>600050</Rechtswert><Hochwert>5800000</Hochwert></Ende></Kante>
</Kanten></Geometriedaten></Geometrie></AbwassertechnischeAnlage>"""
TOWN = (
    "<Identifikation><Datenkollektive><Stammdatenkollektiv>"
    + NODE.format(name="A", x="600000")
    + NODE.format(name="B", x="600050")
    + EDGE
    + "</Stammdatenkollektiv></Datenkollektive></Identifikation>"
)
PROJECT = """[project]
{crs}
[pipes]
file = "town.xml"
layer = "pipes"
[nodes]
file = "town.xml"
layer = "nodes"
"""


def write(folder: Path, crs: str = 'crs = "EPSG:25832"', town: str = TOWN) -> Path:
    (folder / "town.xml").write_text(town, "utf-8")
    (folder / "planner.toml").write_text(PROJECT.format(crs=crs), "utf-8")
    return folder


def test_pipes_and_manholes_come_with_what_the_file_says(tmp_path: Path) -> None:
    found = read_project(write(tmp_path))
    pipe = found.pipes.iloc[0]
    assert (pipe["pipe_id"], pipe["us_node"], pipe["ds_node"]) == ("K1", "A", "B")
    assert (pipe["use"], pipe["material"], pipe["shape"]) == ("foul", "vitrified clay", "egg")
    assert (pipe["height_mm"], pipe["width_mm"], pipe["stated_m"]) == (450.0, 300.0, 50.2)
    assert pipe["drawn_m"] == pytest.approx(50.0, abs=0.03)
    nodes = found.nodes.set_index("node_id")
    assert nodes["depth_m"].to_dict() == {"A": 2.5, "B": 2.5}
    assert not [what for what in found.flags["what"] if "direction not proved" in what]


def test_the_coordinate_system_is_asked_for_with_proposals(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"names no coordinate system.*EPSG:25832.*EPSG:25833"):
        read_project(write(tmp_path, crs=""))


@pytest.mark.parametrize(
    ("x", "y", "code"),
    [(2584817.0, 5623000.0, "EPSG:31466"), (3510000.0, 5700000.0, "EPSG:31467"),
     (138143.0, 456930.0, "EPSG:28992"), (496774.0, 5820000.0, "EPSG:25832")],
)  # fmt: skip
def test_numbers_propose_their_system(x: float, y: float, code: str) -> None:
    assert any(one.startswith(code) for one in propose_crs(x, y))


def test_numbers_that_fit_nothing_propose_nothing() -> None:
    assert propose_crs(12.0, 40.0) == []


def test_a_layer_that_is_not_named_and_another_xml_are_refused(tmp_path: Path) -> None:
    folder = write(tmp_path)
    text = (folder / "planner.toml").read_text().replace('layer = "pipes"\n', "", 1)
    (folder / "planner.toml").write_text(text)
    with pytest.raises(FileError, match="name layer = pipes or nodes"):
        read_project(folder)
    with pytest.raises(FileError, match="wanted ISYBAU XML"):
        read_project(write(tmp_path, town="<letters><to/></letters>"))


def test_the_sample_network_and_its_surveys_come_out_of_one_file(
    tmp_path: Path, samples: Path
) -> None:
    name = "isybau_synthetic.xml"
    told = json.loads((samples / "coding/traps_expected.json").read_text())[name]
    town = (samples / "coding" / name).read_text("latin-1")
    folder = write(tmp_path, town=town.replace("ISO-8859-1", "UTF-8"))
    more = '[[inspections]]\nfile = "town.xml"\nzero_at = "wall"\n'
    with (folder / "planner.toml").open("a") as file:
        file.write(more)
    inputs = read_project(folder)
    assert len(inputs.nodes) == told["network"]["nodes"]
    stated = inputs.pipes.set_index("pipe_id")["stated_m"]
    assert stated["H1"] == told["network"]["H1_length"]
    assert stated["H2"] == told["network"]["H2_length"]
    found = place_rows(inputs)
    roots = found.defects[found.defects["mechanism"] == "roots"].iloc[0]
    assert roots["x_from_m"] == pytest.approx(told["H2"]["roots"]["x_us"], abs=0.05)
