"""Answer the plan of Quillhaven as its people would: what they decided, what they did.

    python data_demo/make_forms.py         # writes decisions.csv and done.csv beside it

Run it after `make_town.py`, whenever rules or placement change: the forms name spans
by id and steps by place. The answers are invented and seeded.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from planner.folder import accept_form, run_project
from planner.repairs.chain import PREPARE

HERE = Path(__file__).parent
SEED = 33
DECIDED = 0.85  # of the referred spans
ACCEPTED = 0.92  # of the proposed pipes
READY = 0.68  # of the accepted sleeve pipes have their first works done
STARTED = 0.5  # of the others have had their access checked
DECISION_HEAD = ("pipe_id", "span_id", "decision", "by", "on", "reason")
DONE_HEAD = ("step", "pipe_id", "node_id", "from_m", "to_m", "done_on", "by", "find_from_m",
             "find_to_m", "inside_mm", "laterals_known_from_m", "laterals_known_to_m")  # fmt: skip
REASONS = {
    "sleeve": "seen on the film, local, sound pipe on both sides",
    "liner": "goes on along the pipe",
    "dig": "shape is gone",
    "watch": "unchanged since the survey before",
    "nothing": "a mark on the wall, no damage",
}


def write_form(path: Path, head: Iterable[str], rows: list[dict[str, object]]) -> None:
    """Write one form."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, tuple(head), restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def decide_spans(town: Path, rng: np.random.Generator) -> list[dict[str, object]]:
    """Decide most referred spans: by the first method that no rule closes."""
    tables = run_project(town).tables
    referred = tables["verdicts"][tables["verdicts"]["verdict"] == "refer"]
    rows: list[dict[str, object]] = []
    for row in referred.to_dict("records"):
        if rng.random() > DECIDED:
            continue
        open_to = [m for m in ("sleeve", "liner", "dig") if row[m] != "closed"]
        words = [*open_to[:1] * 3, *open_to[1:2], "watch"]
        word = str(rng.choice(words))
        rows.append(decision(str(row["pipe_id"]), str(row["span_id"]), word, REASONS[word]))
    return rows


def decision(pipe_id: str, span_id: str, word: str, reason: str) -> dict[str, object]:
    """Give one row of the form."""
    return {
        "pipe_id": pipe_id, "span_id": span_id, "decision": word, "by": "M. Okafor",
        "on": "2026-01-06", "reason": reason,
    }  # fmt: skip


def accept_pipes(town: Path, rng: np.random.Generator) -> list[dict[str, object]]:
    """Accept most of what is proposed, refuse a few."""
    choices = run_project(town).tables["choices"]
    rows = []
    for row in choices[choices["state"] == "proposed"].to_dict("records"):
        draw = rng.random()
        if draw < ACCEPTED:
            rows.append(decision(str(row["pipe_id"]), "", "accept", "as proposed"))
        elif draw < ACCEPTED + 0.04:
            rows.append(decision(str(row["pipe_id"]), "", "refuse", "street is rebuilt next year"))
    return rows


def report_done(town: Path, rng: np.random.Generator) -> list[dict[str, object]]:
    """Report the first works of about two thirds of the sleeve pipes, and some checks."""
    works = run_project(town).tables["works"]
    rows: list[dict[str, object]] = []
    sleeved = set(works.loc[works["step"] == "sleeve", "pipe_id"])
    for pipe_id, part in works.groupby("pipe_id", sort=True):
        if pipe_id not in sleeved:
            continue
        ready, started = rng.random() < READY, rng.random() < STARTED
        for work in part.to_dict("records"):
            step = str(work["step"])
            before = step in PREPARE
            if before and (ready or (started and step == "check_access")):
                rows.append(done(work, str(pipe_id)))
    return rows


def done(work: dict[str, object], pipe_id: str) -> dict[str, object]:
    """Give one row of done.csv: checks early, cleaning just before the week."""
    days = {"check_access": "2026-01-07", "cut_roots": "2026-01-08", "cut_intrusion": "2026-01-08",
            "descale": "2026-01-08", "grout": "2026-01-08", "clean": "2026-01-08"}  # fmt: skip
    step = str(work["step"])
    row: dict[str, object] = {
        "step": step, "pipe_id": pipe_id, "by": "Cleaning",
        "done_on": days.get(step, "2026-01-09"),
    }  # fmt: skip
    if step not in ("check_access", "clean", "look"):
        row |= {
            "from_m": f"{float(str(work['from_m'])):.2f}",
            "to_m": f"{float(str(work['to_m'])):.2f}",
        }
    return row


def main() -> None:
    """Make both forms."""
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory() as name:
        town = Path(name)
        for path in HERE.iterdir():
            if path.suffix in (".toml", ".gpkg") or path.name in ("surveys.csv", "stock.csv"):
                shutil.copyfile(path, town / path.name)
        spans = decide_spans(town, rng)
        write_form(town / "decisions.csv", DECISION_HEAD, spans)
        print(*accept_form(town, town / "decisions.csv"), sep="\n")
        pipes = accept_pipes(town, rng)
        write_form(HERE / "decisions.csv", DECISION_HEAD, [*spans, *pipes])
        write_form(town / "accepted.csv", DECISION_HEAD, pipes)
        print(*accept_form(town, town / "accepted.csv"), sep="\n")
        rows = report_done(town, rng)
        write_form(HERE / "done.csv", DONE_HEAD, rows)
    print(f"{len(spans)} spans and {len(pipes)} pipes decided, {len(rows)} steps done")


if __name__ == "__main__":
    main()
