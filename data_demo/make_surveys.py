"""Invent what the camera saw in Quillhaven, coded as EN 13508-2 has it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

HEAD = ("survey", "pipe", "from_mh", "towards_mh", "date", "station", "code", "c1", "c2", "q1",
        "q2", "clock1", "clock2", "cont", "joint", "note", "photo", "film", "second")  # fmt: skip
SURVEYS = 120


@dataclass
class Run:
    """One camera run: where it starts and what has been coded so far."""

    rng: np.random.Generator
    number: int
    pipe: str
    start: str
    end: str
    date: str
    length: float
    unit: float
    dn: int
    material: str
    rows: list[dict[str, object]] = field(default_factory=list)
    stretches: int = 0

    def put(self, s: float, code: str, c1: str = "", c2: str = "", **more: object) -> None:
        """Add one coded row."""
        self.rows.append({"station": round(s, 2), "code": code, "c1": c1, "c2": c2, **more})

    def joint(self) -> float:
        """Pick a joint at least 1.2 m from both ends."""
        count = max(int((self.length - 2.4) / self.unit), 1)
        return 1.2 + self.unit * int(self.rng.integers(0, count))

    def place(self) -> float:
        """Pick a place at least 1.2 m from both ends."""
        return float(self.rng.uniform(1.2, max(self.length - 1.5, 1.3)))

    def clock(self) -> int:
        """Pick an hour of the clock."""
        return int(self.rng.integers(1, 13))


def crack(run: Run) -> None:
    """Code a crack or fracture along the pipe."""
    width = float(run.rng.choice([0.3, 0.5, 1, 1, 2, 2, 3, 4, 6]))
    kind = "C" if width >= 5 else "B" if width >= 0.5 else "A"
    q1: object = "" if kind == "A" else width
    s, hour = run.place(), run.clock()
    if run.rng.random() < 0.3 and s + 2.6 < run.length:
        run.stretches += 1
        n = run.stretches
        to = s + float(run.rng.uniform(1.1, 2.4))
        run.put(s, "BAB", kind, "A", q1=q1, clock1=hour, cont=f"A{n}")
        run.put(to, "BAB", kind, "A", q1=q1, clock1=hour, cont=f"B{n}")
        return
    run.put(s, "BAB", kind, "A", q1=q1, clock1=hour)


def ring_crack(run: Run) -> None:
    """Code a crack round the pipe at a joint."""
    width = float(run.rng.choice([1, 2, 3]))
    run.put(run.joint(), "BAB", "B", "B", q1=width, clock1=12, clock2=12, joint="A")


def broken(run: Run) -> None:
    """Code pieces displaced or missing, sometimes with soil or a void behind."""
    s, missing = run.place(), run.rng.random() < 0.45
    size = int(run.rng.integers(40, int(0.34 * run.dn)))
    hour = run.clock()
    run.put(s, "BAC", "B" if missing else "A", q1=size, clock1=hour, clock2=hour % 12 + 1)
    if missing and run.rng.random() < 0.22:
        run.put(s, "BAO", clock1=hour, clock2=hour % 12 + 1)
        if run.rng.random() < 0.35:
            run.put(s, "BAP", clock1=hour, clock2=hour % 12 + 1)


def open_joint(run: Run) -> None:
    """Code an open joint, often with roots or a leak in it."""
    s = run.joint()
    run.put(s, "BAJ", "A", q1=int(run.rng.integers(12, 44)), joint="A")
    if run.rng.random() < 0.45:
        run.put(s, "BBA", "B", q1=int(run.rng.integers(3, 15)), clock1=12, clock2=12, joint="A")
    elif run.rng.random() < 0.5:
        level = str(run.rng.choice(["A", "A", "B", "C"]))
        run.put(s, "BBF", level, clock1=run.clock(), joint="A")


def step(run: Run) -> None:
    """Code a displaced joint."""
    hour = run.clock()
    run.put(run.joint(), "BAJ", "B", q1=int(run.rng.integers(8, 38)), clock1=hour, joint="A")


def roots(run: Run) -> None:
    """Code roots at a joint."""
    kind = str(run.rng.choice(["B", "B", "C", "A"]))
    share = int(run.rng.integers(4, 34))
    run.put(run.joint(), "BBA", kind, q1=share, clock1=12, clock2=12, joint="A")


def leak(run: Run) -> None:
    """Code water coming in at a joint."""
    level = str(run.rng.choice(["A", "A", "B", "C", "D"], p=[0.4, 0.2, 0.2, 0.15, 0.05]))
    run.put(run.joint(), "BBF", level, clock1=run.clock(), joint="A")


def deposits(run: Run) -> None:
    """Code settled deposits over a stretch of the invert."""
    s = run.place()
    to = min(s + float(run.rng.uniform(2, 9)), run.length - 0.3)
    if to - s < 1:
        return
    run.stretches += 1
    n, share = run.stretches, int(run.rng.choice([5, 5, 10, 10, 15, 20, 30]))
    kind = str(run.rng.choice(["A", "A", "B", "C"]))
    run.put(s, "BBC", kind, q1=share, cont=f"A{n}")
    run.put(to, "BBC", kind, q1=share, cont=f"B{n}")


def scale(run: Run) -> None:
    """Code encrustation."""
    share = int(run.rng.choice([2, 3, 5, 10]))
    run.put(run.joint(), "BBB", "A", q1=share, clock1=12, clock2=12, joint="A")


def worn(run: Run) -> None:
    """Code surface damage."""
    stage = str(run.rng.choice(["A", "C", "E"]))
    run.put(run.place(), "BAF", stage, "D", clock1=4, clock2=8)


def bulge(run: Run) -> None:
    """Code deformation; only soft pipes deform."""
    if run.material in ("PVC-U", "polyethylene"):
        run.put(run.place(), "BAA", "A", q1=int(run.rng.choice([3, 4, 6, 8, 12])))
    else:
        crack(run)


def intruding(run: Run) -> None:
    """Code a connection that stands into the pipe."""
    s, hour = run.place(), int(run.rng.choice([2, 3, 9, 10]))
    run.put(s, "BCA", "E", "A", q1=150, clock1=hour)
    run.put(s, "BAG", q1=int(run.rng.choice([5, 10, 15, 20])), clock1=hour)


def collapse(run: Run) -> None:
    """Code a collapse; the survey cannot pass it."""
    run.put(run.length * 0.6, "BAC", "C")


KINDS: tuple[tuple[Callable[[Run], None], float], ...] = (
    (crack, 0.24), (ring_crack, 0.10), (broken, 0.15), (open_joint, 0.12), (step, 0.08),
    (roots, 0.08), (leak, 0.05), (deposits, 0.05), (scale, 0.04), (worn, 0.03), (bulge, 0.03),
    (intruding, 0.03),
)  # fmt: skip


def one_run(pipe: dict[str, object], number: int, rng: np.random.Generator) -> Run:
    """Film one pipe from one end to the other."""
    drawn = float(pipe["geometry"].length)  # type: ignore[attr-defined]
    length = drawn - 0.8 + float(rng.normal(0, 0.12))
    nodes = [str(pipe["from_mh"]), str(pipe["to_mh"])]
    if rng.random() < 0.32:
        nodes.reverse()
    day = int(rng.integers(1, 28))
    dn = int("".join(c for c in str(pipe["size"]) if c.isdigit()))
    date = f"2025-{4 + number % 8:02d}-{day:02d}"
    unit, material = float(pipe["unit_m"] or 5.0), str(pipe["material"])  # type: ignore[arg-type]
    run = Run(rng, number, str(pipe["pipe"]), *nodes, date, length, unit, dn, material)
    run.put(0.0, "BCD", "A", q1="", note=f"start {nodes[0]}")
    run.put(0.0, "BDD", "A", q1=int(rng.choice([5, 5, 10, 15])))
    s = float(rng.uniform(2.5, 8.0))
    while s < length - 2.0:
        kind = str(rng.choice(["A", "A", "B", "E"]))
        closed = "B" if rng.random() < 0.08 else "A"
        run.put(s, "BCA", kind, closed, q1=int(rng.choice([125, 150, 150])),
                clock1=int(rng.choice([2, 3, 9, 10])))  # fmt: skip
        s += float(rng.uniform(4, 9))
    return run


def damage(run: Run) -> None:
    """Put damage into one run: none, little, or a lot."""
    rng = run.rng
    count = int(rng.choice([0, 1, 2, 3, 4, 6, 11], p=[0.10, 0.2, 0.24, 0.2, 0.12, 0.09, 0.05]))
    weights = np.array([w for _, w in KINDS])
    for index in rng.choice(len(KINDS), size=count, p=weights / weights.sum()):
        KINDS[index][0](run)


def special(run: Run, number: int) -> None:
    """Put in, once each, what a reader must survive."""
    if number in (9, 77):
        run.rows = [r for r in run.rows if float(str(r["station"])) < run.length * 0.6]
        collapse(run)
        run.put(run.length * 0.6, "BDC", "A", "D", note="cannot pass")
        return
    run.put(run.length, "BCE", "A", note=f"end {run.end}")
    if number == 14:
        run.put(run.length * 0.4, "BBC", "A", q1=10, cont="A9")  # never closed
    if number == 23:
        run.put(run.length * 0.5, "BXQ", "A", clock1=3, note="code not in the list")
    if number == 31:
        run.put(run.length + 3.4, "BAB", "B", "A", q1=2, clock1=3)  # beyond the pipe
    if number == 38:
        run.put(run.length * 0.3, "BAB", "B", "A", q1=2, clock1=15)  # no such hour
    if number == 64:  # damage between two steps that no packer passes
        run.put(15.2, "BAJ", "B", q1=55, clock1=12, joint="A")
        run.put(25.4, "BAB", "B", "A", q1=3, clock1=12)
        run.put(35.2, "BAJ", "B", q1=55, clock1=6, joint="A")
    if number == 66:  # damage beside a manhole: the sleeve ends there and is sealed
        run.put(0.25, "BAB", "B", "A", q1=3, clock1=11)
    if number == 89:  # damage that a packer reaches from one manhole alone, past a bend
        run.put(10.2, "BAJ", "C", q1=14, clock1=3, joint="A")
        run.put(28.4, "BAB", "B", "A", q1=3, clock1=2)
    if number == 45:
        run.put(run.length * 0.7, "BCB", "B", clock1=12, clock2=12, note="old sleeve")


def write_surveys(pipes: list[dict[str, object]], rng: np.random.Generator, path: Path) -> int:
    """Film 120 pipes and write the coded rows; gives the number of rows."""
    picked = rng.permutation([i for i in range(len(pipes)) if len(str(pipes[i]["size"])) < 7])
    rows: list[dict[str, object]] = []
    for number, index in enumerate(sorted(picked[:SURVEYS].tolist()), start=1):
        run = one_run(pipes[index], number, rng)
        damage(run)
        special(run, number)
        if number == 52:
            run.length = run.length + 3.6  # counter slipped: all stations are too long
            for row in run.rows:
                row["station"] = round(float(str(row["station"])) * 1.09, 2)
        if number == 60:
            run.pipe = "9999"  # a pipe nobody knows, between manholes nobody knows
            run.start, run.end = "8801", "8802"
        run.rows.sort(key=lambda r: float(str(r["station"])))
        for shot, row in enumerate(run.rows, start=1):
            coded = str(row["code"]).startswith(("BA", "BB"))
            rows.append(
                {
                    "survey": f"QH-{number:03d}",
                    "pipe": run.pipe,
                    "from_mh": run.start,
                    "towards_mh": run.end,
                    "date": run.date,
                    "photo": f"qh{number:03d}_{shot:02d}.jpg" if coded else "",
                    "film": f"qh{number:03d}.mp4",
                    "second": round(float(str(row["station"])) / 0.15 + 20 * shot),
                    **row,
                }
            )
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, HEAD, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)
