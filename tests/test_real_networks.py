"""Real public networks, where ../shared/samples is there; nothing of them is kept here."""

import itertools
import json
import math
from pathlib import Path

import pytest
from layer_files import spec, survey

from planner.errors import FileError
from planner.ground.measure import geodesic_m
from planner.inputs.network import Network, read_network
from planner.inputs.network_doubts import TURNED

pytestmark = pytest.mark.network_samples


@pytest.fixture(scope="module")
def city(samples: Path) -> tuple[Network, list[dict], dict[str, tuple[float, float]]]:
    """The mains and manholes of a public-works contract, and the raw features."""
    folder = samples / "networks" / "sf_sewer_works"
    columns = {"pipe_id": "INST_ID", "us_node": "START_NODE", "ds_node": "END_NODE",
               "size": "PIPE_DIA", "material": "PIPE_MATL"}  # fmt: skip
    pipes = spec("mains_2977J.geojson", columns=columns)
    nodes = spec("manholes_2977J.geojson", columns={"node_id": "NODE_ID"})
    network = read_network(pipes, nodes, None, folder, survey(), "")
    raw = json.loads((folder / "mains_2977J.geojson").read_text())["features"]
    holes = json.loads((folder / "manholes_2977J.geojson").read_text())["features"]
    places = {h["properties"]["NODE_ID"]: tuple(h["geometry"]["coordinates"][:2]) for h in holes}
    return network, raw, places


def test_every_main_is_kept_with_its_own_id(city):
    """37 features, ids and node names as written, commas included; books balance."""
    network, raw, places = city
    assert len(network.pipes) == len(raw) == 37
    rows = network.pipes.set_index("row")
    for number, feature in enumerate(raw, 1):
        assert rows["pipe_id"][number] == feature["properties"]["INST_ID"]
        assert rows["us_node"][number] == feature["properties"]["START_NODE"]
    # Spellings of materials that the table does not know are told, each once.
    assert {fault.column for fault in network.faults} <= {"material", "size"}
    assert not any(fault.lost for fault in network.faults)
    assert set(places) <= set(network.nodes["node_id"])


def test_lines_against_their_nodes_are_found(city):
    """What two manholes prove by plain distances is turned or kept as they say.

    By the layer alone 17 of 37 are drawn against their nodes (measured when the samples
    were gathered); ends that pipes share may prove more.
    """
    network, raw, places = city
    turned = set(network.flags.loc[network.flags["what"] == TURNED, "key"])
    against, along = set(), set()
    for feature in raw:
        (xy,) = feature["geometry"]["coordinates"]
        names = feature["properties"]
        votes = set()
        for name, here, there in (("START_NODE", 0, -1), ("END_NODE", -1, 0)):
            if names[name] in places:
                far = [geodesic_m(*places[names[name]], *xy[end][:2])[0] for end in (here, there)]
                if min(far) <= 1.0 and far[0] != far[1]:
                    votes.add(far[0] < far[1])
        if votes == {False}:
            against.add(names["INST_ID"])
        if votes == {True}:
            along.add(names["INST_ID"])
    assert len(against) == 17
    assert against <= turned
    assert not along & turned


def test_drawn_lengths_are_those_of_the_ground(city):
    """Each within a millimetre of the geodesic length of its vertices."""
    network, raw, _ = city
    rows = network.pipes.set_index("row")
    for number, feature in enumerate(raw, 1):
        (xy,) = feature["geometry"]["coordinates"]
        steps = [geodesic_m(*a[:2], *b[:2])[0] for a, b in itertools.pairwise(xy)]
        assert rows["drawn_m"][number] == pytest.approx(sum(steps), abs=1e-3)


def test_sizes_are_read_as_written(city):
    """Inches to a tenth of a millimetre; feet and inches, width by height, keep both."""
    network, raw, _ = city
    rows = network.pipes.set_index("row")
    for number, feature in enumerate(raw, 1):
        text = feature["properties"]["PIPE_DIA"]
        row = rows.loc[number]
        if "x" in text:
            feet = [side.replace('"', "").split("'") for side in text.split("x")]
            wide, high = ((12 * float(f) + float(i.strip(" -") or 0)) * 25.4 for f, i in feet)
            assert (row["width_mm"], row["height_mm"]) == pytest.approx((wide, high), abs=0.05)
            assert row["shape"] == "other"
            assert math.isnan(row["dn_mm"])
        else:
            assert row["dn_mm"] == pytest.approx(float(text.strip('"')) * 25.4, abs=0.05)


def test_the_asset_number_is_no_unique_id(samples: Path):
    """Three works on one asset: one is kept, two are refused, all are counted."""
    folder = samples / "networks" / "sf_sewer_works"
    columns = {"pipe_id": "ASSET_NO", "us_node": "START_NODE", "ds_node": "END_NODE"}
    network = read_network(
        spec("mains_2977J.geojson", columns=columns), None, None, folder, survey(), ""
    )
    lost = [fault for fault in network.faults if fault.lost]
    assert len(network.pipes) + len(lost) == 37
    assert network.pipes["pipe_id"].is_unique
    assert {fault.column for fault in lost} == {"pipe_id"}


def test_a_network_without_a_system_asks_and_then_reads(samples: Path):
    """353 pipes in Dutch metres under no name: asked for; with a code every pipe is proved.

    The source states lengths of its own: they differ from the grid by its scale, 0.99991
    at Utrecht.
    """
    folder = samples / "networks" / "nl_tuindorp"
    columns = {"pipe_id": "link", "us_node": "from", "ds_node": "to", "stated_m": "length",
               "shape": "shape", "height_mm": "geom1", "width_mm": "geom2"}  # fmt: skip
    pipes = spec("pipes.geojson", columns=columns, units={"height_mm": "m", "width_mm": "m"})
    nodes = spec("nodes.geojson", columns={"node_id": "node"})
    with pytest.raises(FileError, match="names no coordinate system"):
        read_network(pipes, nodes, None, folder, survey(), "")
    with pytest.raises(FileError, match="cannot be WGS 84"):
        read_network(pipes, nodes, None, folder, survey(), "EPSG:4326")
    network = read_network(pipes, nodes, None, folder, survey(), "EPSG:28992")
    assert len(network.pipes) == 353
    assert network.flags.empty
    assert network.faults == []
    assert (network.pipes["shape"] == "egg").sum() == 286
    eggs = network.pipes[network.pipes["shape"] == "egg"]
    assert (eggs["height_mm"] == 1.5 * eggs["width_mm"]).all()
    assert eggs["dn_mm"].isna().all()
    ratio = network.pipes["drawn_m"] / network.pipes["stated_m"]
    assert ratio.between(1.00005, 1.00013).all()


def test_feet_under_a_metre_label_stop(samples: Path, tmp_path: Path):
    """It would land in Maine: refused, and feet are suggested; under its true name all is well."""
    folder = samples / "networks" / "us_mo_stateplane"
    columns = {"pipe_id": "link", "us_node": "from", "ds_node": "to", "stated_m": "length"}
    pipes = spec("pipes.geojson", columns=columns, units={"stated_m": "ft"})
    with pytest.raises(FileError, match="read as feet they would fit"):
        read_network(pipes, None, None, folder, survey(), "")
    found = json.loads((folder / "pipes.geojson").read_text())
    del found["crs"]
    (tmp_path / "pipes.geojson").write_text(json.dumps(found))
    network = read_network(pipes, None, None, tmp_path, survey(), "ESRI:102698")
    assert len(network.pipes) == 44
    drawn, stated = network.pipes["drawn_m"], network.pipes["stated_m"]
    assert drawn.sum() == pytest.approx(stated.sum(), rel=0.02)


def test_inverts_tell_which_pipes_rise(samples: Path):
    """About the 148 that rise and 12 that lie flat of the README; counted here from the levels.

    By the bare sign of the fall it is 149 and 8: the README calls a few almost flat ones flat.
    """
    folder = samples / "networks" / "nl_tuindorp"
    columns = {"pipe_id": "link", "us_node": "from", "ds_node": "to"}
    nodes = spec("nodes.geojson", columns={"node_id": "node", "invert_m": "invert"})
    pipes = spec("pipes.geojson", columns=columns)
    network = read_network(pipes, nodes, None, folder, survey(), "EPSG:28992")
    raw = {name: json.loads((folder / f"{name}.geojson").read_text())["features"]
           for name in ("nodes", "pipes")}  # fmt: skip
    level = {f["properties"]["node"]: float(f["properties"]["invert"]) for f in raw["nodes"]}
    falls = [level[f["properties"]["from"]] - level[f["properties"]["to"]] for f in raw["pipes"]]
    what = network.flags["what"]
    assert what.str.startswith("rises by").sum() == sum(fall < 0 for fall in falls) == 149
    assert what.str.startswith("lies level").sum() == sum(fall == 0 for fall in falls) == 8


def test_works_on_lines_say_what_they_lack(samples: Path):
    """361 one-part multi-lines without sizes or nodes; sizes stand in the scope alone."""
    folder = samples / "networks" / "sf_sewer_works"
    pipes = spec("lines_1164I.geojson", columns={"pipe_id": "id_a"})
    network = read_network(pipes, None, None, folder, survey(), "")
    assert len(network.pipes) == 361
    told = " ".join(network.said)
    assert "of 361 pipes 361 without a size" in told
    assert "sizes stand in the words of scope" in told
    assert (network.flags["what"] == "names no node at either end").sum() == 361
