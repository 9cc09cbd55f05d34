"""A rulebook in words, and two of them side by side on one project."""

from __future__ import annotations

import pandas as pd

from planner.errors import RulebookError
from planner.ground.money import money
from planner.screening.because import Sentence
from planner.screening.rule_text import Clause, Limit, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.wording import nearest

_OPS = {"has": "names one of", "has_none": "names none of", "in": "is one of", "=": "is"}


def book_lines(book: Rulebook, only: str = "") -> list[str]:
    """Print a rulebook: what each rule asks and does, with its limits, source and standing.

    Parameters
    ----------
    book
        As loaded, with the project's figures in it.
    only
        Id of one rule; blank = all.

    Raises
    ------
    RulebookError
        If no rule of that id is in force.
    """
    if only and only not in {rule.id for rule in book.rules}:
        near = nearest(only, [rule.id for rule in book.rules])
        message = f"{book.file}: no rule '{only}' is in force{near}"
        raise RulebookError(message)
    rules = [rule for rule in book.rules if only in ("", rule.id)]
    counts = pd.Series([rule.standing for rule in book.rules]).value_counts()
    standing = ", ".join(f"{counts[word]} {word}" for word in sorted(counts.index))
    lines = [f"{book.name}, version {book.version}: {len(book.rules)} rules ({standing})"]
    for rule in rules:
        lines += ["", *_rule_lines(rule)]
    for rule in book.idle if not only else ():
        days = f"since {rule.since}" if rule.since else ""
        days += f" until {rule.until}" if rule.until else ""
        lines += ["", f"{rule.id}: not in force on the day of the plan ({days.strip()})"]
    return lines


def _rule_lines(rule: Rule) -> list[str]:
    names = ", ".join(rule.mechanism) or "all"
    about = f"{rule.about} with {names}" if rule.about == "span" else f"each {rule.about}"
    if rule.about == "totals":
        about = "the sleeves of one pipe together"
    lines = [f"{rule.id}: {rule.title}", f"  about: {about}"]
    if rule.when:
        lines.append("  when: " + " and ".join(_clause(one) for one in rule.when))
    lines.append(f"  then: {_effect(rule)}")
    lines += [f"  limit: {_limit(one)}" for one in rule.limit]
    if rule.if_blank != "refer":
        lines.append(f"  if that is not known: {rule.if_blank}")
    lines += [f"  says: {_sentence(rule.because)}", f"  source: {rule.source} ({rule.standing})"]
    if rule.since or rule.until:
        lines.append(f"  in force: {rule.since or 'ever'} to {rule.until or 'further notice'}")
    return lines


def _clause(one: Clause) -> str:
    if one.op == "is_blank":
        return f"{one.column} is not known"
    value = one.value
    if isinstance(value, bool):
        return f"{one.column} is {'yes' if value else 'no'}"
    if isinstance(value, float):
        return f"{one.column} {one.op} {value:g}{_unit(one.unit)}"
    words = ", ".join(value) if isinstance(value, tuple) else str(value)
    return f"{one.column} {_OPS[one.op]} {words}"


def _limit(one: Limit) -> str:
    unit = _unit(one.unit)
    if one.ask == one.ok:
        return f"open up to {one.column} {one.ok:g}{unit}, closed above"
    if one.ask == float("inf"):
        return f"open up to {one.column} {one.ok:g}{unit}, asked above"
    return f"open up to {one.column} {one.ok:g}{unit}, asked up to {one.ask:g}{unit}, closed above"


def _effect(rule: Rule) -> str:
    methods = ", ".join(rule.method)
    if rule.effect in ("needs", "urgency"):
        return f"{rule.effect} {rule.level}"
    if rule.effect == "first":
        return f"first {rule.work}"
    if rule.effect == "refer":
        return f"a person decides on {methods or 'every method'}"
    return f"{rule.effect.replace('_', ' ')} {methods or 'it'}"


def _sentence(because: Sentence) -> str:
    return "".join(
        piece if isinstance(piece, str) else f"({piece.column})" for piece in because.pieces
    )


def _unit(unit: str) -> str:
    if unit.startswith("level"):
        return f" ({unit})"
    return "" if unit in ("", "-") else f" {unit}"


def compared_lines(
    ours: Rulebook, other: Rulebook, mine: dict[str, pd.DataFrame], theirs: dict[str, pd.DataFrame]
) -> list[str]:
    """Say which verdicts and choices change from one book to another.

    Parameters
    ----------
    ours, other
        The two books.
    mine, theirs
        What each made of the same project: verdicts, spans, choices.
    """
    name, new = f"{ours.name} {ours.version}", f"{other.name} {other.version}"
    lines = [f"{name} against {new}", *_rule_differences(ours, other)]
    spans = mine["spans"].set_index("span_id")
    own = mine["verdicts"].set_index("span_id")
    them = theirs["verdicts"].set_index("span_id").reindex(own.index)
    changed = own.index[(own["verdict"] != them["verdict"]).to_numpy()]
    lines += ["", f"{len(changed)} of {len(own)} verdicts change"]
    pairs = pd.Series([f"{own.loc[i, 'verdict']} -> {them.loc[i, 'verdict']}" for i in changed])
    lines += [f"  {count} {pair}" for pair, count in sorted(pairs.value_counts().items())]
    for key in changed:
        span, verdict = spans.loc[key], them.loc[key]
        where = f"pipe {span['pipe_id']} at {span['from_m']:.2f} to {span['to_m']:.2f} m"
        what = str(span["mechanisms"]).replace("+", ", ")
        rules = f" [{verdict['rules'].replace('+', ', ')}]" if verdict["rules"] else ""
        lines.append(
            f"{key} ({where}, {what}): {own.loc[key, 'verdict']} -> {verdict['verdict']}: "
            f"{verdict['why']}{rules}"
        )
    return lines + _choice_differences(mine["choices"], theirs["choices"])


def _rule_differences(ours: Rulebook, other: Rulebook) -> list[str]:
    mine, theirs = ({rule.id: rule for rule in book.rules} for book in (ours, other))
    lines = []
    for key in sorted(mine.keys() | theirs.keys()):
        if key not in theirs:
            lines.append(f"  only in {ours.name}: {key}: {mine[key].title}")
        elif key not in mine:
            lines.append(f"  only in {other.name}: {key}: {theirs[key].title}")
        else:
            own, them = _parts(mine[key]), _parts(theirs[key])
            lost = "; ".join(part for part in own if part not in them)
            won = "; ".join(part for part in them if part not in own)
            if lost or won:
                lines.append(f"  {key}: {lost or 'nothing'} -> {won or 'nothing'}")
    return lines or ["  the rules are the same"]


def _parts(rule: Rule) -> list[str]:
    """Give what a rule hangs on, piece by piece; titles and sources may differ."""
    parts = [f"for {name}" for name in rule.mechanism] + [_clause(one) for one in rule.when]
    return [*parts, _effect(rule), *(_limit(one) for one in rule.limit)]


def _choice_differences(mine: pd.DataFrame, theirs: pd.DataFrame) -> list[str]:
    own, them = (frame.set_index("pipe_id")["method"] for frame in (mine, theirs))
    both = own.index.union(them.index)
    own, them = own.reindex(both).fillna(""), them.reindex(both).fillna("")
    changed = both[(own != them).to_numpy()]
    lines = ["", f"{len(changed)} of {len(both)} pipes get another choice"]
    lines += [f"pipe {key}: {own[key] or 'none'} -> {them[key] or 'none'}" for key in changed]
    for word, frame in (("first", mine), ("second", theirs)):
        count = int(frame["cost_cents"].notna().sum())
        cost = money(int(frame["cost_cents"].sum()))
        lines.append(f"cost of the {count} priced choices of the {word} book: {cost}")
    return lines
