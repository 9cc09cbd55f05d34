"""What the map draws of the work: pipes, defects, sleeves; `ground_layers` draws the rest.

Each function turns contract tables into one `packing.Layer`; rows that cannot be
drawn are counted by `undrawn`, so that the panel can say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.contracts.repairs import NO_METHOD, WAY_WORDS, WAYS
from planner.ground.money import money
from planner.outputs.grade_text import grade_texts
from planner.outputs.links import media_link
from planner.outputs.map_strips import strips_of_week
from planner.outputs.packing import Axis, Layer, has_shape, known, records, shapes_of, stretch_text
from planner.outputs.palette import DRAW_ORDER, LOOKS
from planner.outputs.wording import metres, size

# A liner after digs or over sleeves looks like a liner; the words say what comes first.
_SEQUENCES = {"sleeve_liner": "liner", "dig_liner": "liner"}
CLASS_OF_METHOD = {**{word: word for word in LOOKS}, "nothing": "none", **_SEQUENCES}
DRAWN_ROLES = ("damage", "condition", "flag")


@dataclass(frozen=True)
class Sheet:
    """Tables and facts of a run, and what several layers look up in them."""

    tables: Tables
    facts: RunFacts

    @cached_property
    def axis(self) -> Axis:
        """Where places of a pipe's own axis lie on the drawing."""
        return Axis.of(self.tables["pipes"])

    @cached_property
    def verdicts(self) -> dict[str, dict[str, Any]]:
        """Row of `VERDICTS` by span."""
        return {str(row["span_id"]): row for row in records(self.tables["verdicts"])}

    @cached_property
    def choices(self) -> dict[str, dict[str, Any]]:
        """Row of `CHOICES` by pipe."""
        return {str(row["pipe_id"]): row for row in records(self.tables["choices"])}

    @cached_property
    def planned(self) -> dict[str, str]:
        """Day and crew of each sleeve that is on the week's list, by sleeve."""
        works = self.tables["works"]
        part = works.loc[(works["step"] == "sleeve"), ["work_id", "sleeve_id"]]
        rows = part.merge(self.tables["setup_works"][["setup_id", "work_id"]], on="work_id").merge(
            self.tables["visits"], on="setup_id"
        )
        return {
            str(sleeve): f"{day}, {crew}, stop {seq}"
            for sleeve, day, crew, seq in zip(
                rows["sleeve_id"], rows["date"], rows["crew"], rows["seq"], strict=True
            )
        }

    @property
    def crs(self) -> object:
        """System of all shapes."""
        return getattr(self.tables["pipes"], "crs", None) or self.facts.local_crs

    @cached_property
    def grades(self) -> dict[str, str]:
        """What each scheme of grades says of a pipe in short, by pipe."""
        return grade_texts(self.tables["grades"]) if "grades" in self.tables else {}

    @cached_property
    def break_even(self) -> dict[str, str]:
        """From how many sleeves on a liner costs less, in one short sentence, by pipe."""
        rows = records(self.tables["break_even"]) if "break_even" in self.tables else []
        return {str(row["pipe_id"]): _break_even(row) for row in rows}

    def length(self, value: float) -> str:
        """Write a length [m] in the project's print units."""
        return metres(value, self.facts.units)

    def links(self, names: pd.Series) -> list[str]:
        """Give the way from a map under ``out/`` to each file that rows name, '' where none is."""
        return [media_link(self.facts.media.get(str(name), "")) for name in names]

    def money(self, cents: object) -> str:
        """Write an amount [cents] with its currency; what is not known says so."""
        if not known(cents):
            return "not costed"
        return f"{money(int(str(cents)))} {self.facts.currency}".strip()


def pipe_classes(tables: Tables) -> list[str]:
    """Give each row of `PIPES` the word of `palette.LOOKS` that it is drawn in.

    A held choice or a length that stops all placing is ``refer``; otherwise the choice's
    method, and ``none`` where it was refused. A pipe without a choice, or one for which
    none can be made before systems and prices are stated, takes the verdict of its spans
    that `palette.DRAW_ORDER` draws highest; without spans it is ``none`` if a survey lies
    on it and ``unseen`` if not.
    """
    pipes, choices = tables["pipes"], tables["choices"]
    seen = set(tables["inspections"]["pipe_id"]) - {""}
    chosen = {
        row["pipe_id"]: _class_of_choice(row) for row in records(choices) if not unchosen(row)
    }
    highest: dict[str, str] = {}
    verdicts = tables["verdicts"]
    for pipe, word in zip(verdicts["pipe_id"], verdicts["verdict"], strict=True):
        highest[pipe] = max(highest.get(pipe, "unseen"), word, key=DRAW_ORDER.index)
    out = []
    for pipe, placing in zip(pipes["pipe_id"], pipes["placing"], strict=True):
        if placing == "stopped":
            out.append("refer")
        else:
            bare = highest.get(pipe, "none" if pipe in seen else "unseen")
            out.append(chosen.get(pipe, bare))
    return out


def unchosen(choice: Mapping[str, Any]) -> bool:
    """Tell whether a pipe is held, by nobody, because what is on offer is not stated yet."""
    bare = choice.get("state") == "held" and not choice["by"]
    return bare and str(choice["reason"]).startswith(NO_METHOD)


def _class_of_choice(choice: Mapping[str, Any]) -> str:
    if choice["state"] == "held":
        return "refer"
    return "none" if choice["state"] == "refused" else CLASS_OF_METHOD[choice["method"]]


def pipes_layer(sheet: Sheet) -> Layer:
    """Draw each pipe that has a line, in the look of its choice."""
    pipes = sheet.tables["pipes"]
    drawn = has_shape(pipes)
    classes = [c for c, ok in zip(pipe_classes(sheet.tables), drawn, strict=True) if ok]
    part = pipes.loc[drawn].reset_index(drop=True)
    rows = records(part)
    chosen = [sheet.choices.get(row["pipe_id"], {}) for row in rows]
    strips = strips_of_week(sheet.tables, sheet.facts)
    fields = {
        "Pipe": [row["pipe_id"] for row in rows],
        "From, to": [f"{row['us_node'] or '?'} to {row['ds_node'] or '?'}" for row in rows],
        "Size": [pipe_size(row, sheet.facts.units) for row in rows],
        "Material": [row["material"] for row in rows],
        "Carries": [row["use"] for row in rows],
        "Length": [pipe_length(row, sheet) for row in rows],
        "Proposal": [_proposal(word, row) for word, row in zip(classes, chosen, strict=True)],
        "State": [_state(row) for row in chosen],
        "Why": [row.get("reason", "") for row in chosen],
        "Grades": [sheet.grades.get(row["pipe_id"], "") for row in rows],
        "Cost": [sheet.money(row["cost_cents"]) if _costs(row) else "" for row in chosen],
        "Break-even": [sheet.break_even.get(row["pipe_id"], "") for row in rows],
    }
    return Layer(
        shapes_of(part),
        part.crs,
        classes,
        fields,
        more_title="Places on this pipe",
        more=_spans_by_row(sheet, fields["Pipe"]),
        pictures={n: strips[pipe] for n, pipe in enumerate(fields["Pipe"]) if pipe in strips},
    )


def _break_even(row: Mapping[str, Any]) -> str:
    """Say the row of `BREAK_EVEN` shortly; '' where sleeves and liner could not be compared."""
    if not (known(row["sleeve_each_cents"]) and known(row["liner_cents"])):
        return ""
    by_cost, by_year = (_from(row[f"{name}_from_count"]) for name in ("liner", "annual"))
    way, placed = WAY_WORDS[row["liner_method"]], row["sleeves_count"]
    return f"{way} costs less {by_cost} (by the cost a year {by_year}); {placed} placed"


def _from(count: object) -> str:
    if not known(count):
        return "at no number of sleeves"
    return f"from {int(str(count))} sleeve{'' if count == 1 else 's'} on"


def _costs(choice: Mapping[str, Any]) -> bool:
    return choice.get("method") in WAYS


def pipe_size(row: Mapping[str, Any], units: str) -> str:
    """Write a pipe's size: nominal, else shape with width and height."""
    if known(row["dn_mm"]) or not known(row["height_mm"]):
        return size(row["dn_mm"], units)
    wide = row["width_mm"] if known(row["width_mm"]) else row["height_mm"]
    shape = row["shape"] or "shape not known"
    return f"{shape}, {wide:.0f} x {row['height_mm']:.0f} mm (wide x high)"


def pipe_length(row: Mapping[str, Any], sheet: Sheet) -> str:
    """Write a pipe's length, where it comes from, and whether the lengths disagree."""
    source = row["length_from"]
    if not known(row["length_m"]):
        return f"{sheet.length(row['drawn_m'])} (drawn)"
    text = sheet.length(row["length_m"]) + (f" ({source})" if source else "")
    if row["placing"] == "stopped":
        text += "; lengths disagree, nothing is placed"
    elif row["placing"] == "flagged":
        text += "; lengths disagree"
    return text


def _proposal(word: str, choice: Mapping[str, Any]) -> str:
    look = LOOKS[word]
    if not choice:
        return look.meaning
    if choice["state"] == "held" and choice["method"] == "nothing":
        return f"no method is chosen; {'verdict ' if word != 'refer' else ''}{LOOKS[word].word}"
    method = CLASS_OF_METHOD[choice["method"]]
    text = WAY_WORDS.get(choice["method"], LOOKS[method].meaning)
    system = f", {choice['system']}" if choice["system"] else ""
    asked = f"; {look.meaning}" if word == "refer" else ""
    return text + system + asked


def _state(choice: Mapping[str, Any]) -> str:
    if not choice:
        return ""
    if choice["assumed_accepted"]:
        return "proposed; taken as accepted for this plan, nobody has signed"
    who = f" by {choice['by']}" if choice["by"] else ""
    when = f" on {choice['on']}" if choice["on"] else ""
    return f"{choice['state']}{who}{when}"


def _spans_by_row(sheet: Sheet, pipe_ids: list[str]) -> dict[int, list[str]]:
    spans = sheet.tables["spans"].sort_values(["pipe_id", "from_m", "span_id"])
    row_of = {pipe: number for number, pipe in enumerate(pipe_ids)}
    more: dict[int, list[str]] = {}
    columns = ("span_id", "pipe_id", "from_m", "to_m", "mechanisms")
    for span_id, pipe, start, end, what in zip(*(spans[c] for c in columns), strict=True):
        if pipe not in row_of:
            continue
        place = stretch_text(start, end, sheet.length)
        verdict = sheet.verdicts.get(span_id)
        says = f"{LOOKS[verdict['verdict']].word}. {verdict['why']}" if verdict else "not screened"
        more.setdefault(row_of[pipe], []).append(f"{place}, {words(what)}: {says}")
    return more


def words(joined: str) -> str:
    """Write names joined with ``+`` as a person reads them."""
    return joined.replace("+", ", ").replace("_", " ")


def defect_classes(tables: Tables, part: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Give each defect of `part` the verdict and the id of the span that it belongs to.

    Own rows come before flags and lent ones; among spans of one rank the first id
    counts. A defect in no span (an older survey's) is ``none``.
    """
    rank = {"own": 0, "flag": 1, "lent": 2}
    rows = tables["span_rows"].copy()
    rows["rank"] = rows["part"].map(rank).fillna(3)
    rows = rows.sort_values(["observation_id", "rank", "span_id"]).drop_duplicates("observation_id")
    span_of = dict(zip(rows["observation_id"], rows["span_id"], strict=True))
    verdicts = tables["verdicts"]
    word_of = dict(zip(verdicts["span_id"], verdicts["verdict"], strict=True))
    spans = [span_of.get(one, "") for one in part["observation_id"]]
    return [word_of.get(span, "refer") if span else "none" for span in spans], spans


def _why(verdict: Mapping[str, Any]) -> str:
    why = str(verdict.get("why", ""))
    close = verdict.get("close_call")
    return f"{why} (a close call)" if pd.notna(close) and close else why


def defects_layer(sheet: Sheet) -> Layer:
    """Draw each damage, condition and flag at the middle of its extent."""
    defects = sheet.tables["defects"]
    part = defects.loc[
        defects["role"].isin(DRAWN_ROLES) & sheet.axis.holds(defects["pipe_id"])
    ].reset_index(drop=True)
    points, angles = sheet.axis.points(part["pipe_id"], (part["from_m"] + part["to_m"]) / 2)
    classes, spans = defect_classes(sheet.tables, part)
    rows = records(part)
    whys = [_why(sheet.verdicts.get(span, {})) for span in spans]
    text = sheet.length
    fields = {
        "Defect": [words(row["mechanism"]) for row in rows],
        "Pipe": [row["pipe_id"] for row in rows],
        "Place": [
            f"{stretch_text(row['x_from_m'], row['x_to_m'], text)} from the upstream node"
            for row in rows
        ],
        "Counter": [
            f"{text(row['counter_m'])} from {row['counter_node']}, +/- {text(row['find_m'])}"
            for row in rows
        ],
        "Clock": [_clock(row) for row in rows],
        "Code": [_code(row) for row in rows],
        "Verdict": [LOOKS[word].word if span else "not screened" for word, span in
                    zip(classes, spans, strict=True)],
        "Why": whys,
        "Span": spans,
        "Doubt": [row["flags"] for row in rows],
        "Remark": [row["remark"] for row in rows],
        "Seen on": [row["seen_on"] for row in rows],
        "Photo": [row["photo"] for row in rows],
        "Video": [video_text(row) for row in rows],
        "Row": [f"{row['file']}, row {row['row']}" if row["file"] else "" for row in rows],
    }  # fmt: skip
    links = {name.title(): sheet.links(part[name]) for name in ("photo", "video")}
    return Layer(points, sheet.crs, classes, fields, angles=angles, links=links)


def _clock(row: Mapping[str, Any]) -> str:
    if not known(row["clock_h"]):
        return ""
    arc = row["arc_h"]
    wide = f", over {arc:g} h" if known(arc) and arc > 0 else ""
    return f"{row['clock_h']:g} o'clock seen downstream{wide}"


def _code(row: Mapping[str, Any]) -> str:
    return " ".join(str(row[k]) for k in ("code", "char1", "char2", "q1", "q2") if row[k])


def video_text(row: Mapping[str, Any]) -> str:
    """Name the film and the second in it."""
    at = f", second {row['video_s']:.0f}" if known(row["video_s"]) else ""
    return f"{row['video']}{at}" if row["video"] else ""


def sleeves_layer(sheet: Sheet) -> Layer:
    """Draw each sleeve of a choice over its own stretch of pipe."""
    sleeves = sheet.tables["sleeves"]
    wanted = set(sheet.tables["choice_sleeves"]["sleeve_id"])
    part = sleeves.loc[
        sleeves["sleeve_id"].isin(wanted) & sheet.axis.holds(sleeves["pipe_id"])
    ].reset_index(drop=True)
    lines = sheet.axis.parts(part["pipe_id"], part["from_m"], part["to_m"])
    rows = records(part)
    text = sheet.length
    fields = {
        "Sleeve": [row["sleeve_id"] for row in rows],
        "Pipe": [row["pipe_id"] for row in rows],
        "Made": [
            f"{size(row['dn_mm'], sheet.facts.units)} x {text(row['length_m'])}, {row['system']}"
            for row in rows
        ],
        "Place": [
            f"{stretch_text(row['from_m'], row['to_m'], text)} from the upstream node"
            for row in rows
        ],
        "Counter": [f"{text(row['counter_m'])} from {row['counter_node']}" for row in rows],
        "Ends": ["" if row["end"] == "pipe" else f"seals at {words(row['end'])}" for row in rows],
        "Connections": [_covered(row) for row in rows],
        "Cost": [sheet.money(row["cost_cents"]) for row in rows],
        "State": [_state(sheet.choices.get(row["pipe_id"], {})) for row in rows],
        "Planned": [sheet.planned.get(row["sleeve_id"], "not this week") for row in rows],
    }
    if any(row["placed_by"] for row in rows):
        fields["Placed"] = [row["placed_by"] for row in rows]
    return Layer(lines, sheet.crs, ["sleeve"] * len(rows), fields)


def _covered(row: Mapping[str, Any]) -> str:
    count = int(row["laterals_count"])
    text = f"{count} to reopen" if count else "none covered"
    return text + ("; not known here, prove them first" if row["laterals_unknown"] else "")


def undrawn(sheet: Sheet) -> list[str]:
    """Say in a line each what the tables hold and the map cannot show."""
    tables = sheet.tables
    counts = {
        "pipes without a line": int((~has_shape(tables["pipes"])).sum()),
        "nodes without a point": int((~has_shape(tables["nodes"])).sum()),
        "defects on such pipes": int((~sheet.axis.holds(tables["defects"]["pipe_id"])).sum()),
        "set-ups without a point": int((~has_shape(tables["setups"])).sum()),
    }
    return [f"{count} {what}" for what, count in counts.items() if count]
