"""What goes with works that are done and is none itself: moves, sealed ends, nights.

The items are those that the bill charges, as often as it charges them. They come from what was
reported; what was not is taken from the plan of the same work and said, or is not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.event_places import same_work
from planner.ground.money import list_prices
from planner.settings import Takeoff
from planner.tables import records_in

Row = dict[str, Any]
# The reported end of a sleeve this near to a manhole [m] closes at its wall; ours, no source.
AT_MANHOLE_M = 0.05
_ENDS = {"pipe": 0, "us_manhole": 1, "ds_manhole": 1, "both": 2}


def lines_beside(
    done: Sequence[tuple[Row, Row]],
    tables: Tables,
    happened: Sequence[Row],
    prices: pd.DataFrame,
    settings: Takeoff,
) -> list[Row]:
    """List what goes with the works, each with the word of the works it goes with.

    Parameters
    ----------
    done
        Each work that is done, in time, and its line of `PAY` with ``chargeable`` on it.
    tables
        Of it: pipes, sleeves; setup_works and visits where a week is planned.
    happened
        Events that count, in time.
    prices
        Prices in force; an item that none names is within the main price and has no line.
    settings
        Hours of night.
    """
    items = set(prices["item"])
    pipes = {str(row["pipe_id"]): row for row in records_in(
        pd.DataFrame(tables["pipes"][["pipe_id", "dn_mm", "length_m"]])
    )}  # fmt: skip
    lines = list(_moves(done, pipes, prices, items))
    if "end_seal" in items:
        sleeves = {str(row["sleeve_id"]): row for row in records_in(tables["sleeves"])}
        lines += _sealed(done, pipes, sleeves, prices)
    if "night" in items:
        lines += _nights(done, _Starts.of(tables, happened, settings), _one_price(prices, "night"))
    if "mobilisation" in items and done:
        own = [line for _, line in done]
        note = "once for the project"
        lines.append(_line(own, "mobilisation", note) | _one_price(prices, "mobilisation"))
    return lines


def _line(carriers: Sequence[Row], item: str, note: str, **more: object) -> Row:
    """Write one line that goes with works; a person's word on one of them is its word."""
    first = carriers[0]
    named = ("event_id", "pipe_id", "step", "sleeve_id", "from_m", "to_m", "installed_at")
    line = {name: first[name] for name in named}
    line |= {"item": item, "system": "", "length_m": 0.0, "times_count": 1, **more}
    words = [str(one["chargeable"]) for one in carriers]
    said = next((one for one in carriers if one["chargeable"] == "yes"), None)
    if said is not None:
        line |= {"chargeable": "yes", "said_by": said["said_by"]}
        why = ""
    elif set(words) == {"no"}:
        line |= {"chargeable": "no", "said_by": ""}
        why = "what it goes with failed"
    else:
        line |= {"chargeable": "unknown", "said_by": ""}
        why = "nobody said that what it goes with may be charged: not paid"
    return line | {"note": "; ".join(filter(None, (note, why)))}


def _quoted(line: Row, prices: pd.DataFrame, system: str, dn_mm: float) -> Row:
    """Price a line by its size; without a price it has a note."""
    cents, price_id = list_prices(prices, line["item"], system).quote(dn_mm, 0.0)
    line = line | {"dn_mm": dn_mm}
    if cents is None:
        return line | {"note": "; ".join(filter(None, ("no price at this size", line["note"])))}
    count = line["times_count"]
    return line | {"one_cents": cents, "price_id": price_id, "sum_cents": int(count) * cents}


def _one_price(prices: pd.DataFrame, item: str) -> Row:
    """Price an item that has no size and is of no pipe, as the bill does."""
    own = prices[prices["item"] == item].iloc[0]
    cents = int(own["each_cents"])
    nowhere = {"pipe_id": "", "sleeve_id": "", "from_m": float("nan"), "to_m": float("nan")}
    return {**nowhere, "price_id": own["price_id"], "one_cents": cents, "sum_cents": cents}


def _moves(
    done: Sequence[tuple[Row, Row]], pipes: Mapping[str, Row], prices: pd.DataFrame, items: set[str]
) -> Iterator[Row]:
    """Give one move to each pipe for its sleeves, its liner, its digs, as the bill has them."""
    liner = "setup_liner" if "setup_liner" in items else "setup"
    for step, item in (("sleeve", "setup"), ("liner", liner), ("dig", "setup_dig")):
        if item not in items:
            continue
        by_pipe: dict[str, list[Row]] = {}
        for _, line in done:
            if line["step"] == step:
                by_pipe.setdefault(str(line["pipe_id"]), []).append(line)
        for pipe, own in by_pipe.items():
            note = "once a pipe, as the bill has it"
            dn_mm = float(pipes[pipe]["dn_mm"]) if pipe in pipes else float("nan")
            yield _quoted(_line(own, item, note), prices, "", dn_mm)


def _sealed(
    done: Sequence[tuple[Row, Row]],
    pipes: Mapping[str, Row],
    sleeves: Mapping[str, Row],
    prices: pd.DataFrame,
) -> Iterator[Row]:
    """Give the ends of each sleeve that close at a manhole; the journal names none."""
    for _, line in done:
        if line["step"] != "sleeve":
            continue
        planned = sleeves.get(str(line["sleeve_id"]))
        if planned is not None:
            ends, note = _ENDS[str(planned["end"])], "sealed ends not reported: as planned there"
        elif str(line["pipe_id"]) in pipes:
            far = float(pipes[str(line["pipe_id"])]["length_m"]) - AT_MANHOLE_M
            ends = int(float(line["from_m"]) <= AT_MANHOLE_M) + int(float(line["to_m"]) >= far)
            note = "sealed ends not reported: those that lie at a manhole"
        else:
            continue
        if ends:
            one = _line([line], "end_seal", note, times_count=ends, system=line["system"])
            yield _quoted(one, prices, str(line["system"]), float(line["dn_mm"]))


def _nights(done: Sequence[tuple[Row, Row]], starts: _Starts, price: Row) -> Iterator[Row]:
    """Give each crew's day with work begun at night, or done then and begun at no known hour."""
    begun: dict[tuple[str, str], list[tuple[Row, str]]] = {}
    open_: dict[tuple[str, str], list[Row]] = {}
    for work, line in done:
        route, night, note = starts.of_work(work)
        if night is None:
            open_.setdefault(route, []).append(line)
        elif night:
            begun.setdefault(route, []).append((line, note))
    for route in sorted({*begun, *open_}):
        if route in begun:
            first_note = begun[route][0][1]
            note = "; ".join(filter(None, ("a route at night", first_note)))
            yield _line([line for line, _ in begun[route]], "night", note) | price
        else:
            note = "done at night; when it was begun is not reported, nor planned"
            line = _line(open_[route], "night", note, times_count=pd.NA)
            yield line | price | {"sum_cents": pd.NA}


class _Starts:
    """When works were begun: by a report, else by the visit that they were planned in."""

    def __init__(
        self,
        begun: Mapping[str, Sequence[Row]],
        works: Mapping[str, Sequence[str]],
        visits: Mapping[str, Row],
        settings: Takeoff,
    ) -> None:
        self._begun, self._works, self._visits = begun, works, visits
        self._settings = settings

    @classmethod
    def of(cls, tables: Tables, happened: Sequence[Row], settings: Takeoff) -> _Starts:
        """Look up starts reported, works named by events, visits planned."""
        begun: dict[str, list[Row]] = {}
        for event in happened:
            if event["kind"] == "started":
                begun.setdefault(str(event["pipe_id"]), []).append(event)
        works = {
            str(one["event_id"]): [w for w in (*str(one["works"]).split("+"), one["work_id"]) if w]
            for one in happened
        }
        visits: dict[str, Row] = {}
        if "visits" in tables and "setup_works" in tables:
            by_setup = {str(row["setup_id"]): row for row in records_in(tables["visits"])}
            for setup, work in tables["setup_works"][["setup_id", "work_id"]].itertuples(
                index=False
            ):
                if str(setup) in by_setup:
                    visits[str(work)] = by_setup[str(setup)]
        return cls(begun, works, visits, settings)

    def of_work(self, work: Row) -> tuple[tuple[str, str], bool | None, str]:
        """Give crew and day, whether it began at night (None = not known), and what that is from.

        A row of done.csv has no hour: nothing says that it was at night.
        """
        crew, day = str(work.get("crew") or ""), str(work["at"])[:10]
        if str(work["event_id"]) not in self._works:
            return (crew, day), False, ""
        near = self._begun.get(str(work["pipe_id"]), ())
        reported = [one for one in near if one["at"] <= work["at"] and same_work(one, work)]
        if reported:
            last = reported[-1]
            route = (crew or str(last["crew"]), str(last["at"])[:10])
            return route, self._at_night(_second(last["at"])), ""
        for name in self._works[str(work["event_id"])]:
            visit = self._visits.get(name)
            if visit is not None and day in _days(visit) and crew in ("", str(visit["crew"])):
                night = self._at_night(int(visit["start_s"]))
                said = "start not reported: as planned"
                return (str(visit["crew"]), str(visit["date"])), night, said
        return (crew, day), (None if self._at_night(_second(work["at"])) else False), ""

    def _at_night(self, second: int) -> bool:
        """Tell whether it is night [s from midnight], as the bill does."""
        at = second % 86_400
        return at >= self._settings.night_from_s or at < self._settings.night_to_s


def _second(at: str) -> int:
    return int(at[11:13]) * 3600 + int(at[14:16]) * 60


def _days(visit: Row) -> set[str]:
    """Give the days on which a visit may be reported done: a night's work ends on the next."""
    day = pd.Timestamp(str(visit["date"]))
    nights = int(visit["end_s"]) // 86_400
    return {(day + pd.Timedelta(days=n)).date().isoformat() for n in range(nights + 1)}
