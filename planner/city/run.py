"""A whole city, from its project folder to one choice for each pipe; read `run_city` first."""

from __future__ import annotations

import fcntl
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from planner.city.code import code_mark
from planner.city.copy import WorkingCopy
from planner.city.filing import (
    CityError,
    digest_of,
    in_one_line,
    read_frame,
    read_json,
    read_record,
    write_frame,
    write_json,
)
from planner.city.gather import (
    all_parts,
    central_tables,
    known_rows,
    lay_result,
    summary_lines,
    summed,
    totals_of,
)
from planner.city.memory import plain_memory
from planner.city.numbers import KINDS, number_pipes
from planner.city.pool import Pool, Say, Task
from planner.city.rows import are_there, write_rows
from planner.city.ruled import FOLDER as RULED
from planner.city.split import Marks, Tables, Town, split_town
from planner.city.week import Said, plan_city_week, week_lines, with_week
from planner.city.whole import write_whole
from planner.city.work import JOB, count_work, number_work, part_work
from planner.city.zones import ZoneWorkers
from planner.collecting import rarely
from planner.contracts import INSPECTIONS, OBSERVATIONS
from planner.contracts.facts import RunFacts
from planner.ground.ids import KnownIds, highest_in
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.outputs.record import write_record as write_run_record
from planner.plan import facts_of
from planner.repairs.quantity_bands import in_force, list_quantities
from planner.run_folders import write_aside
from planner.screening.axis import ENOUGH, Listed
from planner.store.chosen import store_of
from planner.tables import empty, records_in

HOME, RESULT = ".city", "city"
_MOST_ROUNDS = 4


@dataclass(frozen=True)
class CityRun:
    """What a run came to: lines to print, the folder, sums, parts proposed in this run."""

    lines: list[str]
    out: Path
    totals: dict[str, Any]
    redone: int


@dataclass
class Job:
    """A run under way: where, of what, by whom, and what is to be done for each part.

    `job` is what every task reads; `redone` are the parts that this run proposed, `same` those
    whose tables with the city's ids are as an earlier run left them.
    """

    home: Path
    inputs: Inputs
    town: Town
    pool: Pool
    say: Say
    job: dict[str, Any] = field(default_factory=dict)
    redone: set[int] = field(default_factory=set)
    same: set[int] = field(default_factory=set)

    @property
    def folders(self) -> list[Path]:
        """Folders of the parts, in their order."""
        return [self.home / "parts" / part["rows"] for part in self.job["parts"]]

    def run(self, what: str, task: Task, numbers: list[int]) -> dict[int, dict[str, Any]]:
        """Do a task for some parts, telling how far it is."""
        for number in numbers:
            self._give_known(number)
        write_json(self.home / JOB, self.job)
        found: dict[int, dict[str, Any]] = {}
        for number, summary in self.pool.run(task, str(self.home), numbers):
            found[number] = summary
            self.say(f"{what}: {len(found)} of {len(numbers)} parts")
        return found

    def let_go(self) -> None:
        """Let go of the rows of the parts, which lie in files by now."""
        self.town = self.town.without_rows()
        none = {"inspections": empty(INSPECTIONS), "observations": empty(OBSERVATIONS)}
        self.inputs = self.inputs.with_rows(**none)

    def _give_known(self, number: int) -> None:
        """Write the ids known now beside the rows of a part that is to be worked on."""
        part = self.job["parts"][number]
        place, known = self.home / "parts" / part["rows"], part["known"]
        if read_json(place / "known.json").get("known") != known:
            # Without its digest the file counts for nothing, should the run end here.
            (place / "known.json").unlink(missing_ok=True)
            write_frame(place / "known.parquet", self.town.known_of(number))
            write_json(place / "known.json", {"known": known})


@plain_memory()
def run_city(
    folder: Path,
    pool: Pool,
    overrides: Mapping[str, str] | None = None,
    *,
    week: bool = False,
    most: int | None = None,
    say: Say = lambda _: None,
) -> CityRun:
    """Go the engineer's half of the way for a project, part by part, and keep the ids given.

    What an earlier run finished, of the same rows by the same code, is not done again.

    Parameters
    ----------
    folder
        Project folder, with planner.toml in it.
    pool
        Who does the parts, got ready.
    overrides
        Settings from the command line.
    week
        Plan the week too; zones of it are dealt by `pool`.
    most
        Pipes of one part at most; None = as `parts.most_of` has it.
    say
        Hears how far it is.

    Raises
    ------
    PlannerError
        If nothing can be made, or another run is under way in this folder.
    """
    store = store_of(folder)
    copy = WorkingCopy(folder.resolve() / HOME)
    inputs = read_project(folder, overrides, store.read_events(), store.read_price_edits(), copy)
    known, decisions = rarely(store.read_known)(), store.read_decisions()
    planned: list[str] = []
    with in_one_line(folder), alone(folder.resolve() / HOME) as home:
        job = Job(home, inputs, split_town(inputs, known, decisions, most), pool, say)
        # The rows of a city take much room: only its week looks at them again.
        whole = inputs if week else None
        del inputs
        summaries = propose_parts(job, known)
        central = central_tables(job.inputs, job.town, summaries)
        totals, facts = totals_of(summaries, central), facts_of(job.inputs)
        known = known_after(job, known)
        if whole is not None:
            tables = all_parts(
                [place / "tables" for place in job.folders], central, whole.pipes.crs
            )
            said = Said(decisions, store.read_week_edits())
            made = plan_city_week(whole, tables, known, said, ZoneWorkers(home, pool, say))
            known, facts = made.known, made.facts
            central, planned = with_week(made, tables, central), week_lines(made)
            totals |= {name: len(made.tables[name]) for name in ("visits", "unserved")}
        # Ids first: a run killed after that finds all parts finished, and only lays them out.
        store.write_known(known)
        out = write_aside(folder, lambda part: _write(part, job, central, totals, facts),
                          lambda runs: runs / RESULT)  # fmt: skip
        sweep(job, finished=True)
        copy.sweep()
    project = job.inputs.settings.project
    lines = summary_lines(totals, project.name, project.currency)
    lines += planned
    lines.append(f"parts      {len(job.redone)} proposed, "
                 f"{len(summaries) - len(job.redone)} as an earlier run left them")  # fmt: skip
    return CityRun(lines, out, totals, len(job.redone))


def propose_parts(job: Job, known: KnownIds) -> list[dict[str, Any]]:
    """Propose every part that is not as it was, and give all of them the city's ids."""
    job.job = lay_out(job)
    job.let_go()
    quantities = pd.DataFrame()
    wanted = _counted(job)
    for _ in range(_MOST_ROUNDS):
        quantities = list_quantities(job.inputs.prices, summed(wanted))
        set_prices(job, quantities)
        summaries = _proposed(job)
        # A place of somebody's own that cannot be is known only once it was tried.
        again = [one["wanted"] for one in summaries]
        if _out_of_force(list_quantities(job.inputs.prices, summed(again))) == _out_of_force(
            quantities
        ):
            return _numbered(job, known, summaries)
        wanted = again
    message = (
        "prices by quantity do not settle: what could be ordered turns on the prices in force; "
        "plan this project with: sleeveplan plan"
    )
    raise CityError(message)


@rarely
def lay_out(job: Job) -> dict[str, Any]:
    """Write the rows of each part that is new, and say what its key is."""
    town, marks = job.town, Marks(job.town)
    whole = write_whole(job.home, job.inputs)
    stated = (town.frames["pipes"]["stated_m"] > 0.0).to_numpy(dtype=bool)
    parts = []
    for number in range(town.count):
        rows, known = marks.of_part(number)
        # By how much lists are too long matters only where there is a list.
        lists = bool(stated[town.own["pipes"].rows(number)].any())
        listed = _listed_key(town.listed) if lists else ""
        asked = digest_of({"rows": rows, "whole": whole, "listed": listed})
        place = job.home / "parts" / rows
        if not are_there(place / "rows"):
            write_rows(place / "rows", town.part(number))
        part = {"rows": rows, "known": known, "asked": asked}
        parts.append(part)
    return {
        "code": code_mark(),
        "whole": whole,
        "listed": asdict(town.listed),
        "quantities": [],
        "parts": parts,
    }


def _listed_key(listed: Listed) -> str:
    return f"{listed.both_m!r} {listed.spread_m!r} {listed.count >= ENOUGH}"


def _finished(place: Path, part: Mapping[str, Any], by: str = "asked") -> dict[str, Any]:
    """Give what is recorded of a part whose tables are those of a whole run; else nothing.

    A part whose ids are those that its last run gave would be given the same again.
    """
    record = read_record(place / "tables")
    fits = record.get(by) == part[by] and record.get("after") == part["known"]
    return record if fits else {}


def _proposed_before(place: Path, part: Mapping[str, Any], by: str = "asked") -> dict[str, Any]:
    """Give what is recorded of a part that lacks only the city's ids; else nothing."""
    record = read_record(place / "raw")
    fits = record.get(by) == part[by] and record.get("known") == part["known"]
    return record if fits else {}


def _counted(job: Job) -> list[dict[str, float]]:
    """Count what could be ordered of each price by quantity; nothing where there is none."""
    prices, parts = job.inputs.prices, job.job["parts"]
    if not (prices["quantity_from"].notna() | prices["quantity_to"].notna()).any():
        return []
    found: dict[int, dict[str, float]] = {}
    for number, (place, part) in enumerate(zip(job.folders, parts, strict=True)):
        earlier = read_json(place / "wanted.json")
        fits = earlier.get("asked") == part["asked"] and earlier.get("known") == part["known"]
        record = (
            _finished(place, part) or _proposed_before(place, part) or (earlier if fits else {})
        )
        if record:
            found[number] = record["wanted"]
    left = [number for number in range(len(parts)) if number not in found]
    counted = job.run("counted", count_work, left)
    found |= {number: one["wanted"] for number, one in counted.items()}
    return [found[number] for number in range(len(parts))]


def _out_of_force(quantities: pd.DataFrame) -> list[str]:
    return sorted(quantities["price_id"][~quantities["in_force"].astype(bool)])


def set_prices(job: Job, quantities: pd.DataFrame) -> None:
    """Say to all parts which prices are in force; their results hang on that."""
    job.job["quantities"] = records_in(quantities)
    prices = in_force(job.inputs.prices, quantities)
    said = "\x1f".join(sorted(prices["price_id"]))
    for part in job.job["parts"]:
        part["key"] = digest_of({"asked": part["asked"], "prices": said})


def _proposed(job: Job) -> list[dict[str, Any]]:
    """Propose the parts that are not as they were; give what is recorded of all."""
    found: dict[int, dict[str, Any]] = {}
    for number, (place, part) in enumerate(zip(job.folders, job.job["parts"], strict=True)):
        record = _finished(place, part, "key") or _proposed_before(place, part, "key")
        if record:
            found[number] = record
    left = [number for number in range(len(job.folders)) if number not in found]
    job.say(f"{len(found)} of {len(job.folders)} parts are as an earlier run left them")
    found |= job.run("proposed", part_work, left)
    job.redone.update(left)
    return [found[number] for number in range(len(job.folders))]


def _numbered(job: Job, known: KnownIds, summaries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Give all parts that lack them the ids of the city."""
    parts = job.job["parts"]
    open_ = [
        number
        for number, (place, part) in enumerate(zip(job.folders, parts, strict=True))
        if not _finished(place, part, "key")
    ]
    job.same = set(range(len(parts))).difference(open_)
    fresh = [read_frame(job.folders[n] / "raw" / "fresh.parquet") for n in open_]
    highest = highest_in(known, KINDS)
    left = []
    for number, own in zip(open_, number_pipes(fresh, highest), strict=True):
        place, part = job.folders[number], parts[number]
        part["numbers"] = digest_of({"numbers": own.to_csv(index=False), "key": part["key"]})
        done = read_record(place / "tables")
        if done.get("numbers") != part["numbers"] or done.get("known") != part["known"]:
            write_frame(place / "numbers.parquet", own)
            left.append(number)
    job.run("numbered", number_work, left)
    return summaries


def known_after(job: Job, known: KnownIds) -> KnownIds:
    """Give what is known once all parts have the city's ids: the next run starts from it."""
    # Of a part that is as it was the ids are those known before, which its record says.
    before = [job.town.known_elsewhere, job.town.known_on(sorted(job.same))]
    made = [place / "tables" for n, place in enumerate(job.folders) if n not in job.same]
    rows = known_rows(made, before)
    after = KnownIds(rows, known.highest, known.setup_works)
    return KnownIds(rows, {**known.highest, **highest_in(after, KINDS)}, known.setup_works)


def _write(part: Path, job: Job, central: Tables, totals: dict[str, Any], facts: RunFacts) -> None:
    lay_result(part, [place / "tables" for place in job.folders], central)
    write_json(part / "summary.json", totals)
    write_run_record(part, job.inputs.settings, job.inputs.hashes, facts)


def sweep(job: Job, *, finished: bool) -> None:
    """Delete parts that are no more, and what served only to finish the others.

    `finished` tells that the store knows the ids of all parts; else what may be needed to
    number a part anew stays.
    """
    parts = {place.name: part for place, part in zip(job.folders, job.job["parts"], strict=True)}
    for place in (job.home / "parts").iterdir():
        if place.name not in parts:
            shutil.rmtree(place, ignore_errors=True)
        elif finished or _finished(place, parts[place.name]):
            for once in ("raw", RULED):
                shutil.rmtree(place / once, ignore_errors=True)
        for rest in place.glob(".part-*"):
            shutil.rmtree(rest, ignore_errors=True)
    for place in (job.home / "whole").iterdir():
        if place.name != job.job["whole"]:
            shutil.rmtree(place, ignore_errors=True)


@contextmanager
def alone(home: Path) -> Iterator[Path]:
    """Hold the folder of the parts for this run alone."""
    if home.is_symlink():
        message = f"{home}: is a link to another folder; nothing is written through it"
        raise CityError(message)
    home.mkdir(exist_ok=True)
    with (home / "lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            message = f"{home}: another run of this city is under way"
            raise CityError(message) from None
        yield home
