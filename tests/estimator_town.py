"""A small town for the estimator's desk: two pipes to mend, all priced, names that bite."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path

from small_project import CREWS, PROJECT, SYSTEMS, write_project
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

from planner.contracts import TABLES
from planner.outputs.files import write_table, write_tables
from planner.outputs.record import write_record
from planner.outputs.workbook import write_workbook
from planner.plan import Plan
from planner.review.app import make_app
from planner.review.live import Asked, Live
from planner.review.users import LOCAL, Person

EVIL = "<img src=x onerror=\"window.pwn='price'\">"
EVIL_ID = "=cmd|'x'!A1<script>window.pwn='id'</script>"
AMOUNTS: Mapping[str, tuple[float, float, float]] = {
    "sleeve": (1200.0, 1.0, 260.0),
    "liner": (9000.0, 0.0, 100.0),
    "dig": (7000.0, 2.0, 900.0),
    "clean": (100.0, 0.0, 3.0),
    "setup": (400.0, 0.0, 0.0),
    "verify": (90.0, 0.0, 0.0),
}
MATERIALS = """
[[system.part]]
part = "A"
share = 2
share_by = "mass"
density_kg_per_l = 1.16
[[system.part]]
part = "B"
share = 1
share_by = "mass"
density_kg_per_l = 1.0
[[system.material]]
material = "tape"
form = "turns"
width_mm = 50
turns_count = 2
"""
HEAD = "inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1,stretch"
STEPS = ["check_access", "clean", "look", "prove_laterals", "flow_control", "sleeve", "verify"]
DAYS = ["mon", "tue", "wed", "thu", "fri"]
# The second pipe, 0018 elsewhere, has a name that would run.
SECOND = "0018<b onmouseover=\"window.pwn='pipe'\">"
PIPES = ("0017", SECOND)


def write_town(folder: Path, prices: str | None = None) -> Path:
    """Write the project: a crack at 5.2 m of the first pipe, at 6 m of the second."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(HEAD.split(","))
    for run, (pipe, start, at, wide) in enumerate(
        (("0017", "A", 5.2, 2), (SECOND, "B", 6.0, 3)), 1
    ):
        for s_m, code, q in ((0, "BCD", ""), (at, "BAB", wide), (39.2, "BCE", "")):
            chars = ("B", "A") if code == "BAB" else ("A", "")
            rows.writerow([f"R{run}", pipe, start, "2025-05-01", s_m, code, *chars, q, ""])
    systems = SYSTEMS.replace("lengths_m = [1.0]", "lengths_m = [1.0, 2.0]").replace(
        "[[packer]]", MATERIALS + "[[packer]]", 1
    )
    project = PROJECT + "[takeoff]\ncontingency_ratio = 0.05\n"
    crews = CREWS.replace('["sleeve"]', json.dumps(STEPS)).replace('["mon"]', json.dumps(DAYS))
    given = write_prices() if prices is None else prices
    write_project(
        folder, surveys_csv=out.getvalue(), systems_toml=systems, prices_toml=given,
        planner_toml=project, crews_toml=crews, done_csv="",
    )  # fmt: skip
    layer = folder / "pipes.geojson"
    layer.write_text(layer.read_text("utf-8").replace('"0018"', json.dumps(SECOND)), "utf-8")
    return folder


def write_prices() -> str:
    """Write prices; the first has an id and a source that would run where text is markup."""
    texts = []
    for item, (each, within, beyond) in AMOUNTS.items():
        price_id = EVIL_ID if item == "sleeve" else f"{item}-0"
        texts.append(
            f"[[price]]\nprice_id = '''{price_id}'''\nitem = \"{item}\"\ndn_from_mm = 100\n"
            f"dn_to_mm = 300\neach = {each}\nincluded_m = {within}\nextra_per_m = {beyond}\n"
            f"source = '''{EVIL}'''\nyear = 2025\nplace = '''{EVIL}'''\n"
        )
    texts.append("[[price]]\nprice_id = 'mob'\nitem = 'mobilisation'\neach = 1000.0\n")
    return "\n".join(texts)


def write_bare_run(made: Plan, folder: Path) -> Path:
    """Write of a run what the page reads: tables, record, workbook."""
    out = folder / "out" / "0001"
    out.mkdir(parents=True)
    shaped = {table.name for table in TABLES if table.geometry}
    # Of plan.gpkg only what has a shape is read back; each layer takes its time.
    write_tables({n: t for n, t in made.tables.items() if n in shaped}, made.facts, out)
    for table in TABLES:
        if table.name in made.tables and table.name not in shaped:
            write_table(out / "tables" / f"{table.name}.csv", made.tables[table.name], table)
    write_record(out, made.inputs.settings, made.inputs.hashes, made.facts)
    write_workbook(made.tables, made.facts, made.inputs.settings.takeoff.contingency_ratio, out)
    return out


def decide(live: Live, pipe_id: str, decision: str, by: str = "M. Okafor") -> list[str]:
    """Decide on a pipe as the page does."""
    seen = live.last_version(pipe_id)
    return live.decide(Asked(pipe_id, "", decision, "", "because", by, seen, opened=True))


class _As:
    """Stands in for the guard: it has let somebody in."""

    def __init__(self, app: ASGIApp, person: Person) -> None:
        self._app, self._person = app, person

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._app({**scope, "person": self._person, "csrf": "t"}, receive, send)


def client(live: Live, role: str = LOCAL, name: str = "E. Noor") -> TestClient:
    """Open the page as somebody of a role."""
    return TestClient(_As(make_app(live), Person(name, role)))
