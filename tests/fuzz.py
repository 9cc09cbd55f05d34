"""Damaged input files for every reader: `python -m tests.fuzz --seconds 600 [--seed N]`.

A valid file of each form is cut, turned, doubled and filled with hostile words. A reader may
give rows and faults, or end in a `PlannerError`; anything else is printed with its seed, and
the smallest such file becomes a test. `tests/properties/test_readers_hold.py` runs a few.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

import geopandas

from planner.contracts import CLOSED, PRICES
from planner.errors import PlannerError
from planner.inputs.events import read_events
from planner.inputs.folder_reading import read_toml
from planner.inputs.grade_tables import read_grade_table
from planner.inputs.lots import read_lots
from planner.inputs.network import read_network
from planner.inputs.observations import read_observations
from planner.inputs.project import read_project
from planner.inputs.repriced import read_workbook_prices
from planner.inputs.specs import InspectionSpec, LayerSpec
from planner.inputs.systems import read_systems
from planner.outputs.files import write_table
from planner.outputs.read_back import read_record, read_tables
from planner.settings import load_settings
from planner.store.decisions import open_store
from planner.tables import conform
from tests.fuzz_page import requests_of

HOSTILE = (
    b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"nan", b"inf", b"-inf", b"1e400", b"-1e400",
    b"9" * 400, b'"', b"'", b"\r", b"\n\n", b"\t", b",", b";", b"=1+1", b"<", b"&x;", b"]]>",
    b"<!DOCTYPE a [<!ENTITY x 'y'>]>", b"<![CDATA[", b"../../../etc/passwd", b"file:///etc/passwd",
    b"\xe2\x80\xae", "\ud800".encode("utf-8", "surrogatepass"), b"{", b"[" * 300, b"null",
    b"<a>" * 300, b"x" * 70_000, b"0x10", b"1_000", b"\xef\xbc\x91", b"\xe2\x88\x923",
    b"31.02.2025", b"#Z", b"#B", b"#A2=\n", b"A1", b"99:99:99", b"#B01=AAA\n", b"#C=\n", b"sep=,\n",
)  # fmt: skip


def damage(draw: random.Random, raw: bytes) -> bytes:
    """Change a file in one to four places, as files break on the way or by bad will."""
    for _ in range(draw.randint(1, 4)):
        at, length = draw.randrange(len(raw) + 1), draw.choice((1, 1, 2, 8, 40))
        way = draw.randrange(8)
        if way == 0:
            raw = raw[:at]
        elif way == 1:
            raw = raw[:at] + draw.choice(HOSTILE) + raw[at:]
        elif way == 2:
            raw = raw[:at] + draw.choice(HOSTILE) + raw[at + length :]
        elif way == 3:
            raw = raw[:at] + raw[at + length :]
        elif way == 4:
            raw = raw[:at] + raw[at : at + length] * draw.choice((2, 3, 50)) + raw[at + length :]
        elif way == 5 and at < len(raw):
            raw = raw[:at] + bytes([raw[at] ^ (1 << draw.randrange(8))]) + raw[at + 1 :]
        elif way == 6:
            lines = raw.split(b"\n")
            one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
            lines[one], lines[other] = lines[other], lines[one]
            raw = b"\n".join(lines)
        elif way == 7:
            raw = raw[:at] + draw.randbytes(length) + raw[at + length :]
    return raw


def coded(path: Path) -> None:
    """Read a file of coded rows; every row read must be found again."""
    spec = InspectionSpec(file=Path(path.name))
    got = read_observations([spec], path.parent)
    refused = {(f.file, f.row) for f in got.faults if f.lost and f.row}
    unplaced = sum(f.lost and not f.row for f in got.faults)
    # A book may hold its heads in a table of their own, which counts for itself.
    used = len(got.observations) + sum(got.head_count.values())
    read = sum(got.read_count.values())
    if not unplaced and read != used + len(refused):
        message = f"books: {read} read, {used} used, {len(refused)} refused"
        raise AssertionError(message)


def layer(path: Path) -> None:
    """Read a network layer whole."""
    spec = LayerSpec(file=Path(path.name), layer="pipes" if path.suffix == ".gdb" else "")
    read_network(spec, None, None, path.parent, load_settings().survey, "EPSG:25832")


def project(path: Path) -> None:
    """Read a project folder."""
    read_project(path.parent)


def grades(path: Path) -> None:
    """Read a table of classes."""
    read_grade_table(path, "classes", file=path.name)


def lots(path: Path) -> None:
    """Read lots on the shelf."""
    read_lots(path)


def events(path: Path) -> None:
    """Read a form of what happened."""
    read_events(path)


def prices_book(path: Path) -> None:
    """Read prices typed into a workbook."""
    price = {"price_id": "clean-0", "item": "clean", "dn_from_mm": 0.0, "dn_to_mm": 300.0}
    money = {"each_cents": 1_000, "included_m": 0.0, "extra_cents_per_m": 10}
    read_workbook_prices(path, conform([{**price, **money}], PRICES))


MADE_OF = """
[[system]]
system = "felt"
cure = "ambient"
supply = "mix_on_site"
carrier = "felt"
kit_kg = 5.0
kit_per = "sleeve"
  [[system.size]]
  dn_from_mm = 150
  dn_to_mm = 300
  wall_mm = 6
  plies = 3
  resin_kg_per_l = 1.05
  lengths_m = [0.6, 1.0]
  [[system.material]]
  material = "mat"
  form = "wound"
  seam_mm = 50
  pack_m2 = 25
  [[system.material]]
  material = "wrap"
  form = "strip"
  width_mm = 300
  lap_ratio = 0.5
  [[system.part]]
  part = "A"
  share = 2
  share_by = "volume"
  density_kg_per_l = 1.16
  [[system.order]]
  say = "Pull the packer to {counter_m:.2f} m."
"""


def void(_: object) -> None:
    """Look at nothing of what was read."""


def decided(path: Path) -> None:
    """Read the store, and keep a decision more in it."""
    store = open_store(path)
    store.append_decisions(store.read_decisions())
    store.read_known()


def run_table(path: Path) -> None:
    """Read a table of a run."""
    read_tables(path.parent.parent, [CLOSED], "")


def systems(path: Path) -> None:
    """Read systems with all that may hang on them."""
    read_systems(read_toml(path, path.name), path.name)


Reader = Callable[[Path], None]


LOT_ROWS = """lot,item,system,dn_mm,length_m,pieces_count,mass_kg,made_on,use_by,min_c,max_c,note
L1,sleeve,felt,200,1.0,3,,2025-07-14,2026-01-13,,,front
K1,resin,felt,,,,40,2025-09-17,2026-01-14,8,30,
"""
EVENT_HEAD = "kind,work_id,step,pipe_id,from_m,to_m,at,by,crew,reason,until,item,system,dn_mm"
EVENT_ROWS = f"""{EVENT_HEAD},length_m,lot,mass_kg,note
done,W-000041,,,,,2026-01-12T08:40,Ada,North,,,,felt,200,1.0,L-0711,2.7,
failed,,sleeve,P1,12.0,13.0,2026-01-12T12:10,Ada,North,leaks,,,,,,,,drip
deferred,W-000047,,,,,2026-01-12T14:00,Ada,North,high_flow,2026-01-15,,,,,,,
used,,,,,,2026-01-12T16:00,Ada,North,,,resin,felt,,,L-0711,0.4,
"""


def write_price_page(path: Path) -> None:
    """Write a workbook with one price as `outputs.book_money` lays it out."""
    import openpyxl

    book = openpyxl.Workbook()
    page = book.active
    page.title = "Prices"
    for row in (["Prices"], [], ["No.", "price_id", "Each", "Each further metre", "Least sum"],
                [1, "clean-0", 12.5, 0.1, 0]):  # fmt: skip
        page.append(row)
    book.save(path)


def seeds(folder: Path) -> list[tuple[str, Path, Reader]]:
    """Write one valid file of each form; give its name, the file to damage, and its reader."""
    from tests import test_en_text, test_isybau_network, test_more_formats, test_tabular
    from tests import test_xml_forms as xml
    from tests.small_project import write_project
    from tests.test_grades import CLASSES

    made: list[tuple[str, Path, Reader]] = []

    def add(name: str, content: str | bytes, reader: Reader) -> None:
        path = folder / name.replace(" ", "_").replace("/", "") / f"f.{name.split()[-1]}"
        path.parent.mkdir()
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        made.append((name, path, reader))

    add("EN txt", test_en_text.DIALECT.format(s=";", d=",") + test_en_text.ONE, coded)
    add("EN xml", xml.EN, coded)
    add("federal xml", xml.FEDERAL.format(coding=9, zero=1), coded)
    add("M150 xml", xml.M150.format(coding="M150", high=300), coded)
    rows = "pipe_id;s_m;code;char1;q1;date;start_node;stretch\nP;1,5;BAB;B;3;01.02.2025;A;A1\n"
    add("table csv", rows + "P;2,5;BAB;B;3;01.02.2025;A;B1\nQ;9;BBA;A;<5;;B;\n", coded)
    for suffix, write in (("xlsx", test_tabular.write_book), ("sqlite", test_tabular.write_base)):
        path = folder / f"table_{suffix}" / f"f.{suffix}"
        path.parent.mkdir()
        write(path, {"runs": test_tabular.HEADS, "rows": test_tabular.ROWS})
        made.append((f"table {suffix}", path, coded))
    add("classes csv", CLASSES, grades)
    add("lots csv", LOT_ROWS, lots)
    add("events csv", EVENT_ROWS, events)
    add("systems toml", MADE_OF, systems)
    path = folder / "prices_xlsx" / "f.xlsx"
    path.parent.mkdir()
    write_price_page(path)
    made.append(("prices xlsx", path, prices_book))
    town = write_project(folder / "town")
    for name in ("planner.toml", "pipes.geojson", "nodes.geojson", "systems.toml", "prices.toml",
                 "crews.toml", "done.csv", "stock.csv", "surveys.csv"):  # fmt: skip
        made += [(f"project {name}", town / name, project)]
    made += _of_ours(folder)
    (folder / "federal_town").mkdir()
    federal = test_isybau_network.write(folder / "federal_town")
    made.append(("federal town", federal / "town.xml", project))
    return made + _layers(folder, test_more_formats.WRITE)


def _of_ours(folder: Path) -> list[tuple[str, Path, Reader]]:
    """Write what the tool itself wrote before: the store, tables of a run; and odd columns."""
    from tests import test_store_decisions
    from tests.layer_files import line, write_geojson

    (folder / "store").mkdir()
    store = open_store(folder / "store" / "project.gpkg")
    store.append_decisions(test_store_decisions.form(test_store_decisions.decision()))
    run = folder / "0001"
    (run / "tables").mkdir(parents=True)
    table = run / "tables" / "closed.csv"
    days = [{"from_date": "2026-01-12", "to_date": "2026-01-13", "why": "frost", "row": 1}]
    write_table(table, conform(days, CLOSED), CLOSED)
    (run / "run.json").write_text('{"settings": {"week": {"days": {"value": 5}}}, "made": ""}')
    rows = [
        ({"LTG": f"H{n}", "A": f"S{n}", "B": f"S{n + 1}", "DIM_MM": 200}, line((n, 0), (n + 1, 0)))
        for n in range(0, 40, 10)
    ]
    (folder / "odd").mkdir()
    odd = folder / "odd" / "pipes.geojson"
    write_geojson(odd, rows)
    return [
        ("store gpkg", folder / "store" / "project.gpkg", decided),
        ("run csv", table, run_table),
        ("run json", run / "run.json", lambda path: void(read_record(path.parent))),
        ("layer odd geojson", odd, layer),
    ]


def _layers(folder: Path, script: str) -> list[tuple[str, Path, Reader]]:
    import subprocess

    made: list[tuple[str, Path, Reader]] = []
    forms = {"fgb": "FlatGeobuf", "gml": "GML", "mif": "MapInfo File", "tab": "MapInfo File",
             "gpkg": "GPKG", "shp": "ESRI Shapefile", "geojson": "GeoJSON"}  # fmt: skip
    for suffix, driver in forms.items():
        path = folder / f"layer_{suffix}" / f"pipes.{suffix}"
        path.parent.mkdir()
        # One date for all, so that a seed damages the same bytes on any day.
        dated = os.environ | {"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"}
        subprocess.run([sys.executable, "-c", script, str(path), driver], check=True, env=dated)
        # Each of the files beside one another is damaged in its turn.
        parts = sorted(path.parent.iterdir())
        made += [(f"layer {suffix} {part.suffix}", part, _beside(path)) for part in parts]
    packed = folder / "layer_parquet" / "pipes.parquet"
    packed.parent.mkdir()
    geopandas.read_file(folder / "layer_gpkg" / "pipes.gpkg").to_parquet(packed)
    return [*made, ("layer parquet", packed, layer)]


def _beside(path: Path) -> Reader:
    return lambda part: layer(part.with_name(path.name))


def attempt(made: tuple[str, Path, Reader], seed: int) -> str:
    """Damage one file by a seed and read it; '' if it holds, else what went wrong."""
    name, path, reader = made
    whole = path.read_bytes()
    broken = damage(random.Random(f"{name} {seed}"), whole)
    try:
        path.write_bytes(broken)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            reader(path)
    except PlannerError as error:
        text = str(error)
        return "" if "\n" not in text else f"{name} {seed}: more than one line: {text[:200]!r}"
    except Exception:  # noqa: BLE001 - whatever it is, it is what is looked for
        return f"{name} {seed}: {traceback.format_exc()}"
    finally:
        path.write_bytes(whole)
    return ""


def main() -> int:
    """Try files until the time is over; give the number of failures, at most 99."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--count", type=int, default=1_000_000_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="part of a name; page = the review page")
    asked = parser.parse_args()
    until, tried, failed, slowest = time.monotonic() + asked.seconds, 0, 0, (0.0, "")
    with tempfile.TemporaryDirectory() as name:
        # The page is asked for by name: its requests go to one town, which takes them in.
        of_page = asked.only.startswith("page")
        every = requests_of(Path(name)) if of_page else seeds(Path(name))
        made = [one for one in every if asked.only in one[0]]
        while time.monotonic() < until and tried < asked.count:
            start = time.monotonic()
            number = asked.seed + tried // len(made)
            said = attempt(made[tried % len(made)], number)
            slowest = max(
                slowest, (time.monotonic() - start, f"{made[tried % len(made)][0]} {number}")
            )
            tried += 1
            if said:
                failed += 1
                print(said, flush=True)
    print(f"{tried} files, {failed} failures, slowest {slowest[0]:.1f} s ({slowest[1]})")
    return min(failed, 99)


if __name__ == "__main__":
    sys.exit(main())
