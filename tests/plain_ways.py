"""Options, their lines and the break-even as first written: way by way, line by line.

The planner reckons the ways of all pipes at once, over arrays; this is what it must give. It
stands on `chain.steps_of`, which says of one way what it takes, and on the prices' own quote.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import pandas as pd

from planner.contracts import BREAK_EVEN, OPTION_LINES, OPTIONS
from planner.contracts.sums import MAIN_ITEMS, WITHIN
from planner.ground.money import list_prices, money
from planner.ground.quantities import dn_said
from planner.repairs.break_even import first_count
from planner.repairs.chain import LINED, Job, Piece, Spot, steps_of
from planner.repairs.jobs import jobs_of
from planner.settings import Sleeving
from planner.tables import conform

Row = dict[str, object]
Tables = dict[str, pd.DataFrame]


def plain_options(
    tables: Tables, prices: pd.DataFrame, lives: Sleeving
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Options and option lines of a town."""
    flat = tables["systems"].set_index("system")["flat_ends"].to_dict()
    options, lines = [], []
    for job in jobs_of(tables).values():
        for method in _offered(job):
            if _is_barred(job, method, lives, flat):
                options.append({**_way(job, method), "possible": False, "why": "barred"})
                continue
            own = _lines(job, method, prices)
            lines += own
            options.append(_way(job, method) | _sum(job, method, own, lives))
    return conform(options, OPTIONS), conform(lines, OPTION_LINES)


def _kept(job: Job, method: str) -> list[Piece]:
    needed = {spot.span_id for spot in job.mend if spot.liner != "open"}
    under = [piece for piece in job.pieces if piece.spans & needed]
    return {"sleeve": list(job.pieces), "sleeve_liner": under}.get(method, [])


def _is_served(job: Job, method: str, spot: Spot) -> bool:
    """Whether a sleeve or the liner mends it."""
    sleeved = any(spot.span_id in piece.spans for piece in _kept(job, method))
    return sleeved or (method in LINED and spot.liner == "open")


def _dug(job: Job, method: str) -> list[Spot]:
    if method == "liner":
        return []
    return [
        spot
        for spot in job.mend
        if method == "dig" or (spot.dig == "open" and not _is_served(job, method, spot))
    ]


def _offered(job: Job) -> list[str]:
    lined = any(spot.liner == "open" for spot in job.mend)
    closed = [spot for spot in job.mend if spot.liner != "open"]
    ways = ["sleeve", "liner", "dig"] if job.mend else []
    ways += ["sleeve_liner"] if lined and closed and _kept(job, "sleeve_liner") else []
    return ways + (["dig_liner"] if lined and any(one.dig == "open" for one in closed) else [])


def _is_barred(job: Job, method: str, lives: Sleeving, flat: dict[str, object]) -> bool:
    """Whether it cannot mend the whole pipe; tests/test_options.py has the sentences."""
    if method == "sleeve" and not flat and any(spot.sleeve == "open" for spot in job.mend):
        return True
    dug = [spot.span_id for spot in _dug(job, method) if spot.dig == "open"]
    unsure = [spot for spot in job.mend if spot.span_id not in dug]
    if any(method == "dig" or not _is_served(job, method, spot) for spot in unsure):
        return True
    pieces = _kept(job, method)
    states = [flat.get(piece.system) for piece in pieces if method == "sleeve_liner"]
    return (
        (method == "sleeve" and not pieces)
        or len(pieces) > lives.max_per_pipe_count
        or any(pd.isna(state) or not state for state in states)
    )


def _lines(job: Job, method: str, prices: pd.DataFrame) -> list[Row]:
    items, pieces = set(prices["item"]), {one.sleeve_id: one for one in _kept(job, method)}
    main = "liner" if method in LINED else method
    lines = [_line(prices, part, item, job.dn_mm) for part, item in _moves(job, method, items)]
    for step in steps_of(job, method):
        piece = pieces.get(step.sleeve_id)
        part = "dig" if step.step == "dig" else "sleeve" if piece else main
        if piece and step.step == "sleeve":
            lines += _sleeve(piece, prices, items)
        elif step.step == "reopen" and not piece:
            lines.append(_line(prices, part, "reopen", job.dn_mm, times=job.live_laterals))
        elif step.step != "reopen":
            length, own = step.to_m - step.from_m, step.sleeve_id
            lines.append(_line(prices, part, step.step, job.dn_mm, length, sleeve_id=own))
    return [
        line | {"pipe_id": job.pipe_id, "method": method, "seq": seq} | _told(line, prices, items)
        for seq, line in enumerate(lines, 1)
    ]


def _moves(job: Job, method: str, items: set[str]) -> list[tuple[str, str]]:
    moves = [("sleeve", "setup")] if method == "sleeve" or _kept(job, method) else []
    if method in LINED:
        moves.append(("liner", "setup_liner" if "setup_liner" in items else "setup"))
    return moves + ([("dig", "setup_dig")] if _dug(job, method) and "setup_dig" in items else [])


def _line(
    prices: pd.DataFrame, part: str, item: str, dn: float, length: float = 0.0, *,
    times: int = 1, sleeve_id: str = "", system: str = "",
) -> Row:  # fmt: skip
    cents, price_id = list_prices(prices, item, system).quote(dn, length)
    line = {"part": part, "item": item, "dn_mm": dn, "length_m": length, "times_count": times}
    return line | {"sleeve_id": sleeve_id, "one_cents": cents, "price_id": price_id}


def _sleeve(piece: Piece, prices: pd.DataFrame, items: set[str]) -> list[Row]:
    """A sleeve as placement costed it, and what is within that beside it."""
    own = {"sleeve_id": piece.sleeve_id, "system": piece.system}
    length = round(piece.to_m - piece.from_m, 6)
    alone = _line(prices, "sleeve", "sleeve", piece.dn_mm, length, **own)
    counts = {"reopen": piece.laterals}
    counts |= {"end_seal": piece.wall_ends} if "end_seal" in items else {}
    beside = [
        _line(prices, "sleeve", item, piece.dn_mm, times=times, **own)
        for item, times in counts.items()
        if times
    ]
    if piece.cost_cents is None:
        return [alone | {"one_cents": None}]
    within = sum(line["times_count"] * (line["one_cents"] or 0) for line in beside)
    return [alone | {"one_cents": piece.cost_cents - within}, *beside]


def _told(line: Row, prices: pd.DataFrame, items: set[str]) -> Row:
    """The sum of a line or why it has none, and where its price comes from."""
    source = prices[prices["price_id"] == line["price_id"]]
    told = {one: source[one].iloc[0] for one in ("year", "place", "source") if len(source)}
    if line["one_cents"] is not None:
        return told | {"sum_cents": line["times_count"] * line["one_cents"], "note": ""}
    within = line["item"] not in {*MAIN_ITEMS, *items}
    return told | {"note": WITHIN if within else f"no price at {dn_said(line['dn_mm'])}"}


def _way(job: Job, method: str) -> Row:
    pieces = _kept(job, method)
    return {"pipe_id": job.pipe_id, "method": method, "system": pieces[0].system if pieces else ""}


def _sum(job: Job, method: str, lines: list[Row], lives: Sleeving) -> Row:
    within = dict.fromkeys(line["item"] for line in lines if line["note"] == WITHIN)
    counted = Counter()
    for line in lines:
        if line["item"] not in within and not (line["item"] == "reopen" and line["sleeve_id"]):
            counted[line["item"]] += line["times_count"]
    row: Row = {"possible": True}
    row["why"] = ", ".join(f"{count} x {item}" for item, count in sorted(counted.items()))
    row["why"] += f"; without a price of their own: {', '.join(within)}" if within else ""
    if method in LINED and not job.laterals_known:
        row["why"] += "; laterals are not known over the whole pipe"
    lacking = {line["item"] for line in lines if line["one_cents"] is None} - set(within)
    if lacking:
        missing = f"{', '.join(sorted(lacking))} at {dn_said(job.dn_mm)}"
        row["why"] += f"; not costed: no price for {missing}"
        return row
    years = {part: _life(part, method, lives) for part in sorted({one["part"] for one in lines})}
    cents = sum(line.get("sum_cents", 0) for line in lines)
    annual = round(
        sum(Fraction(one.get("sum_cents", 0)) / Fraction(years[one["part"]]) for one in lines)
    )
    said = [f"{life:g} years ({part})" for part, life in years.items()]
    alike = method in LINED or len(years) == 1
    over = f"{min(years.values()):g} years" if alike else " and ".join(said)
    row["why"] += f"; {money(cents)}, {money(annual)} a year over {over}"
    return row | {"cost_cents": cents, "annual_cents": annual, "life_years": min(years.values())}


def _life(part: str, method: str, lives: Sleeving) -> float:
    return getattr(lives, f"{'liner' if method in LINED else part}_life_years")


def plain_break_even(options: pd.DataFrame, lines: pd.DataFrame, lives: Sleeving) -> pd.DataFrame:
    """The break-even of each pipe but its sentence."""
    rows = []
    for pipe_id, ways in options.groupby("pipe_id"):
        costs = ways.set_index("method")["cost_cents"].dropna().astype(int).to_dict()
        own = lines[lines["pipe_id"] == pipe_id].fillna({"sum_cents": 0})
        sleeve, dig = (own[own["method"] == way] for way in ("sleeve", "dig"))
        placed = sleeve[sleeve["sleeve_id"] != ""]
        digs = dig[(dig["part"] == "dig") & (dig["item"] != "setup_dig")]
        row = {"pipe_id": pipe_id, "sleeves_count": placed["sleeve_id"].nunique(), "why": "-"}
        for way, all_, mine in (("sleeve", sleeve, placed), ("dig", dig, digs)):
            if way in costs:
                total, sum_ = int(all_["sum_cents"].sum()), int(mine["sum_cents"].sum())
                count = int(mine.loc[mine["item"] == way, "times_count"].sum())
                row[f"{way}_base_cents"] = total - sum_
                row[f"{way}_each_cents"] = round(Fraction(sum_, count)) if count else 0
        liners = [way for way in ("liner", "dig_liner") if way in costs]
        if liners:
            row["liner_method"] = min(liners, key=costs.__getitem__)
            row["liner_cents"] = costs[row["liner_method"]]
        if liners and "sleeve" in costs:
            base, each = row["sleeve_base_cents"], row["sleeve_each_cents"]
            dug = int(sleeve.loc[sleeve["part"] == "dig", "sum_cents"].sum())
            life, liner = Fraction(lives.sleeve_life_years), row["liner_cents"]
            row["liner_from_count"] = first_count(Fraction(base), Fraction(each), Fraction(liner))
            row["annual_from_count"] = first_count(
                (base - dug) / life + dug / Fraction(lives.dig_life_years),
                each / life,
                liner / Fraction(lives.liner_life_years),
            )
        rows.append(row)
    return conform(rows, BREAK_EVEN)
