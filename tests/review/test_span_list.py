"""The list in memory against a plain loop over the tables; paging; a pipe put in its place."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import pytest

from planner.contracts import (
    CHOICES,
    DECISIONS,
    FINDINGS,
    NODES,
    PIPES,
    SPAN_ROWS,
    SPANS,
    VERDICTS,
)
from planner.contracts.verdicts import URGENCY
from planner.review.live import Change
from planner.review.span_list import FACETS, FLAGS, PAGE_ROWS, SpanList, Wanted
from planner.tables import conform

VERDICT, STATE = ("sleeve", "liner", "refer", "none"), ("proposed", "accepted", "held", "")
AREAS, DAMAGE = ("north", "south", ""), ("crack", "joint_gap+roots", "break")
KEPT = [{"version": 4, "pipe_id": "P03", "decision": "hold", "by": "A", "on": "2026-01-02",
         "reason": "so"}]  # fmt: skip


@dataclass
class Row:
    """What one span is like, as the loop sees it."""

    span_id: str
    pipe_id: str
    from_m: float
    mechanisms: str
    verdict: str
    urgency: str
    close: bool
    assumed: bool
    look_first: bool
    photo: bool
    state: str
    cost: int | None
    area: str
    street: str
    standing: str


@dataclass
class Stub:
    """A project in memory as far as the list asks."""

    rows: list[Row]
    last: dict[str, int] = field(default_factory=dict)
    told: Any = None

    @property
    def inputs(self) -> Stub:
        return self

    @property
    def nodes(self) -> pd.DataFrame:
        return conform([{"node_id": "S", "access": "open", "street": "Quay"}], NODES)

    @property
    def decisions(self) -> pd.DataFrame:
        return conform(KEPT, DECISIONS)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        return tables_of(self.rows)

    def proposal(self) -> Stub:
        return self

    def rows_of(self, pipe_id: str, *_names) -> dict[str, pd.DataFrame]:
        return tables_of([row for row in self.rows if row.pipe_id == pipe_id])

    def last_version(self, pipe_id: str) -> int:
        return self.last.get(pipe_id, 0)

    def watch(self, told: Any) -> None:
        self.told = told


def tables_of(rows: list[Row]) -> dict[str, pd.DataFrame]:
    """Write the rows as the tables that they would come from."""
    spans, verdicts, findings, links, defects = [], [], [], [], []
    pipes: dict[str, dict[str, Any]] = {}
    choices: dict[str, dict[str, Any]] = {}
    for row in rows:
        spans.append({"span_id": row.span_id, "pipe_id": row.pipe_id, "from_m": row.from_m,
                      "to_m": row.from_m + 0.1, "kind": "point", "role": "damage",
                      "state": "open",
                      "mechanisms": row.mechanisms, "extent_from": "coded", "find_m": 0.3,
                      "counter_node": "S", "soil_visible": False,
                      "void_visible": False})  # fmt: skip
        verdicts.append({"span_id": row.span_id, "pipe_id": row.pipe_id, "needs": "mend",
                         "urgency": row.urgency, "sleeve": "open", "liner": "open", "dig": "open",
                         "verdict": row.verdict,
                         "first": "clean+look" if row.look_first else "clean",
                         "assumed": row.assumed, "close_call": row.close, "why": "so"})  # fmt: skip
        if row.standing:
            part = {"about": "span", "key": row.span_id, "effect": "allows", "why": "so",
                    "state": "yes", "standing": row.standing}  # fmt: skip
            findings.append({**part, "finding_id": f"f{row.span_id}"})
        # Neither a rule that does not hold nor a note makes a verdict rest on anything.
        for effect, state in (("allows", "no"), ("note", "yes")):
            findings.append({"finding_id": f"{effect}{row.span_id}", "about": "span", "why": "so",
                             "key": row.span_id, "effect": effect, "state": state,
                             "standing": "practice"})  # fmt: skip
        links.append({"span_id": row.span_id, "observation_id": row.span_id, "part": "own"})
        defects.append({"observation_id": row.span_id, "photo": "p" if row.photo else ""})
        pipes[row.pipe_id] = {"pipe_id": row.pipe_id, "us_node": "U", "area": row.area,
                              "ds_node": "S" if row.street else "D", "length_m": 40.0}  # fmt: skip
        if row.state:
            choices[row.pipe_id] = {"pipe_id": row.pipe_id, "method": "sleeve", "state": row.state,
                                    "cost_cents": row.cost, "reason": "so", "fingerprint": "f",
                                    "assumed_accepted": False}  # fmt: skip
    plain = pd.DataFrame(defects, columns=["photo", "observation_id"], dtype="str")
    return {
        "spans": conform(spans, SPANS), "verdicts": conform(verdicts, VERDICTS),
        "findings": conform(findings, FINDINGS), "span_rows": conform(links, SPAN_ROWS),
        "pipes": conform(list(pipes.values()), PIPES), "defects": plain,
        "choices": conform(list(choices.values()), CHOICES),
    }  # fmt: skip


def town(seed: int, count: int = 160) -> Stub:
    """Rows as chance makes them; those of one pipe share its choice, area and street."""
    chance, rows = random.Random(seed), []
    for number in range(count):
        pipe = chance.randrange(40)
        of_pipe = random.Random(seed * 1000 + pipe)
        state = of_pipe.choice(STATE)
        cost = of_pipe.choice([None, 100, 2000, 50000]) if state else None
        assumed = chance.random() < 0.3
        rows.append(Row(
            f"D-{number:06d}", f"P{pipe:02d}", chance.randrange(300) / 10, chance.choice(DAMAGE),
            chance.choice(VERDICT), chance.choice(URGENCY), chance.random() < 0.2, assumed,
            chance.random() < 0.4, chance.random() < 0.5, state, cost, of_pipe.choice(AREAS),
            of_pipe.choice(["Quay", ""]),
            "assumed" if assumed else chance.choice(["cited", "practice", ""]),
        ))  # fmt: skip
    return Stub(rows)


def fits(row: Row, wanted: Wanted, but: str = "") -> bool:
    """Tell by a plain look whether a row is wanted, one limit left out."""
    texts = f"{row.pipe_id} {row.span_id} {row.street} {row.mechanisms}".lower()
    words = {"verdict": row.verdict, "state": row.state or "none", "area": row.area,
             "standing": row.standing}  # fmt: skip
    return (
        all(part in texts for part in wanted.text.lower().split())
        and wanted.pipe_id in ("", row.pipe_id)
        and all(getattr(row, name) for name in wanted.flags)
        and all(words[name] in some for name, some in wanted.facets.items() if name != but)
    )


def by_loop(rows: list[Row], wanted: Wanted) -> list[str]:
    rows = [row for row in rows if fits(row, wanted)]
    rows.sort(key=lambda row: (row.pipe_id, row.from_m, row.span_id))
    if wanted.sort == "urgency":
        rows.sort(key=lambda row: -URGENCY.index(row.urgency))
    if wanted.sort == "cost":
        rows.sort(key=lambda row: -row.cost if row.cost is not None else 1)
    return [row.span_id for row in rows]


def all_ids(spans: SpanList, wanted: Wanted) -> list[str]:
    """Go through all pages."""
    found, after = [], ""
    while True:
        page = spans.page(wanted, after)
        assert len(page.rows) <= PAGE_ROWS
        found += [row["span_id"] for row in page.rows]
        after = page.more
        if not after:
            return found


def asked(chance: random.Random) -> Wanted:
    facets = {
        "verdict": frozenset(chance.sample(VERDICT, chance.randrange(3))),
        "state": frozenset(chance.sample(["proposed", "held", "none"], chance.randrange(2))),
        "area": frozenset(chance.sample(AREAS, chance.randrange(2))),
        "standing": frozenset(chance.sample(["cited", "assumed"], chance.randrange(2))),
    }
    return Wanted(
        {name: words for name, words in facets.items() if words},
        frozenset(chance.sample(FLAGS, chance.choice([0, 0, 1, 2]))),
        chance.choice(["", "", "p1", "QUAY", "roots gap", "D-00001", "nothing such"]),
        chance.choice(["", "", "", "P07"]),
        chance.choice(["pipe", "urgency", "cost"]),
    )


@pytest.mark.parametrize("seed", range(3))
def test_rows_order_and_counts_are_those_of_a_plain_loop(seed: int) -> None:
    """Thirty wishes each; the counts of a limit leave that limit out."""
    stub, chance = town(seed), random.Random(seed)
    spans = SpanList(stub)  # type: ignore[arg-type]
    for _ in range(30):
        wanted = asked(chance)
        wanted_ids = by_loop(stub.rows, wanted)
        assert all_ids(spans, wanted) == wanted_ids
        page = spans.page(wanted)
        kept = [row for row in stub.rows if row.span_id in set(wanted_ids)]
        assert (page.spans, page.pipes) == (len(kept), len({row.pipe_id for row in kept}))
        for name in FACETS:
            for word, count in page.counts[name].items():
                attribute = "state" if name == "state" else name
                same = [
                    r for r in stub.rows
                    if (getattr(r, attribute) or ("none" if name == "state" else "")) == word
                    and fits(r, wanted, but=name)
                ]  # fmt: skip
                assert count == len(same), (name, word)
        flags = {name: sum(getattr(row, name) for row in kept) for name in FLAGS}
        assert page.counts["flag"] == flags


def test_a_changed_pipe_is_put_where_it_stands_and_nothing_else_moves() -> None:
    """Then the list is that of a project read anew; the number seen goes along."""
    stub = town(7)
    spans = SpanList(stub)  # type: ignore[arg-type]
    assert {row["seen"] for row in spans.rows_of("P03")} == {4}
    before = {row.span_id: row.state for row in stub.rows}
    for row in stub.rows:
        if row.pipe_id == "P05":
            row.state, row.cost, row.verdict, row.urgency = "refused", 77, "dig", "now"
    stub.last["P05"] = 9
    stub.told(Change(1, ("P05",), "Ada"))
    anew = SpanList(town_like(stub))  # type: ignore[arg-type]
    for sort in ("pipe", "urgency", "cost"):
        wanted = Wanted({"verdict": frozenset({"dig", "sleeve"})}, sort=sort)
        assert all_ids(spans, wanted) == all_ids(anew, wanted) == by_loop(stub.rows, wanted)
    assert {row["seen"] for row in spans.rows_of("P05")} == {9}
    assert all(spans.row(one)["state"] == (state or "none") for one, state in before.items()
               if spans.row(one)["pipe_id"] != "P05")  # fmt: skip
    assert spans.page(Wanted()).counts["state"]["refused"] == len(spans.rows_of("P05")) > 0


def test_where_only_the_state_changed_the_rows_are_those_of_a_list_made_anew() -> None:
    """Also of a pipe that changed otherwise just before, and of one whose choice is gone."""
    stub = town(9)
    spans = SpanList(stub)  # type: ignore[arg-type]
    for row in stub.rows:
        if row.pipe_id in ("P01", "P04"):
            row.state, row.cost = "accepted", 55
        elif row.pipe_id == "P02":
            row.verdict, row.state = "dig", "held"
        elif row.pipe_id == "P06":
            row.state = ""
    stub.told(Change(1, ("P02",), "Ada"))
    for number, pipe in enumerate(("P01", "P02", "P04", "P06"), start=2):
        stub.told(Change(number, (pipe,), "Ada", only_state=True))
    anew = SpanList(town_like(stub))  # type: ignore[arg-type]
    for pipe in ("P01", "P02", "P04", "P06"):
        mine, theirs = (pd.DataFrame(one.rows_of(pipe)) for one in (spans, anew))
        assert len(mine)
        pd.testing.assert_frame_equal(mine.drop(columns="seen"), theirs.drop(columns="seen"))


def town_like(stub: Stub) -> Stub:
    return Stub(stub.rows)


def test_a_pipe_with_a_new_span_has_it_in_the_list() -> None:
    stub = town(3)
    spans = SpanList(stub)  # type: ignore[arg-type]
    first = stub.rows[0]
    stub.rows.append(Row(**{**vars(first), "span_id": "D-999999", "from_m": 0.0}))
    stub.told(Change(1, (first.pipe_id,), "Ada"))
    assert spans.row("D-999999") is not None
    assert all_ids(spans, Wanted()) == by_loop(stub.rows, Wanted())


@pytest.mark.parametrize("sort", ["pipe", "urgency", "cost"])
def test_who_decides_row_by_row_misses_none_on_the_next_page(sort: str) -> None:
    """Of the first page all pipes are accepted, so that they leave what is listed."""
    stub = town(11)
    spans = SpanList(stub)  # type: ignore[arg-type]
    wanted = Wanted({"state": frozenset({"proposed", "held"})}, sort=sort)
    first = spans.page(wanted)
    seen = {row["span_id"] for row in first.rows}
    done = {row["pipe_id"] for row in first.rows}
    assert first.more
    left = [one for one in by_loop(stub.rows, wanted) if one not in seen]
    for row in stub.rows:
        if row.pipe_id in done:
            row.state = "accepted"
    stub.told(Change(1, tuple(sorted(done)), "Ada", only_state=True))
    following = [row["span_id"] for row in spans.page(wanted, first.more).rows]
    still = [one for one in left if spans.row(one)["state"] != "accepted"]
    assert following == still[:PAGE_ROWS]


def test_no_spans_at_all() -> None:
    """An empty project has an empty list, and a span that is not there is none."""
    spans = SpanList(Stub([]))  # type: ignore[arg-type]
    page = spans.page(Wanted(text="x"))
    assert (page.rows, page.more, page.spans, page.pipes) == ([], "", 0, 0)
    assert spans.row("D-000001") is None
    assert spans.areas == []


def test_what_the_address_says_is_read_and_what_it_may_not_say_is_not() -> None:
    wanted = Wanted.of({"verdict": ["=sleeve", "liner"], "area": ["="], "flag": ["close", "evil"],
                        "sort": ["__class__"], "text": ["  a  " + "x" * 500]})  # fmt: skip
    assert wanted.facets == {"verdict": frozenset({"sleeve"}), "area": frozenset({""})}
    assert wanted.flags == {"close"}
    assert wanted.sort == "pipe"
    assert len(wanted.text) == 200
