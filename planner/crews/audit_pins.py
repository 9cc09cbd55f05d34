"""Audit of what people said by hand: promised days, crews and days bound, days put off, off."""

from __future__ import annotations

from collections.abc import Iterator

from planner.crews.audit_rows import Book, Broken, Row, by_key


def pins_broken(book: Book) -> Iterator[Broken]:
    """Give every visit that stands against what people said of its set-up.

    Parameters
    ----------
    book
        The week.
    """
    if "pins" not in book.tables:
        return
    pins = by_key(book.tables["pins"], "setup_id")
    for visit in book.visits:
        pin = pins.get(visit["setup_id"])
        if pin is not None and not book.past(visit):
            yield from _pin_broken(book, visit, pin)


def _pin_broken(book: Book, visit: Row, pin: Row) -> Iterator[Broken]:
    key, day = visit["visit_id"], visit["date"]
    if pin["off"]:
        yield key, "taken off", f"a visit on {day}", f"none this week, as {pin['by']} said"
    wrong = pin["crew"] not in ("", visit["crew"]) or pin["date"] not in ("", day)
    if wrong:
        bound = " on ".join(part for part in (pin["crew"], pin["date"]) if part)
        yield key, "lock", f"{visit['crew']} on {day}", bound
    if pin["not_before"] > day:
        yield key, "put off", f"on {day}", f"not before {pin['not_before']}"
    if pin["for_date"] and day not in promised_on(book, visit, pin):
        yield key, "promise", f"on {day}", f"on {pin['for_date']}, as was promised"


def promised_on(book: Book, visit: Row, pin: Row) -> set[str]:
    """Give the days that residents were told of: by hand, or by a notice that was sent."""
    pipe_id = book.setups.get(visit["setup_id"], {}).get("pipe_id", "")
    rows = [one for one in book.listed("notices") if one["pipe_id"] == pipe_id]
    sent = {str(one["for_date"]) for one in rows if one["sent_on"]}
    return sent | {pin["for_date"]}
