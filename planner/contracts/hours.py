"""When work may be done in a street, and what has been promised or permitted."""

from planner.tables import Table, date, flag, text, whole

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_S = 86_400  # s; what is later belongs to the next day's early hours

WINDOWS = Table(
    "windows",
    "hours in which a street of one class may be worked in, on one weekday",
    (
        text("street_class", "class of the street; '' = each class that no other row names"),
        text("weekday", "day on which the window opens", one_of=WEEKDAYS, blank=False),
        whole("open_s", "s", "work may start, from midnight", blank=False, low=0),
        whole("close_s", "s", "street free again; above 86400 = on the next day", blank=False),
        flag("permit", "only on days and hours of a granted permit", blank=False),
        text("source", "where it is from"),
        whole("row", "", "record in its file"),
    ),
    key=("street_class", "weekday", "open_s"),
)
CLOSED = Table(
    "closed",
    "days on which no work may be done",
    (
        date("from_date", "first day", blank=False),
        date("to_date", "last day", blank=False),
        text("street_class", "class of the street; '' = each"),
        text("street", "street; '' = each"),
        text("area", "area of the pipe; '' = each"),
        text("why", "what stands against it", blank=False),
        whole("row", "", "record in its file"),
    ),
    key=("from_date", "row"),
)
WEATHER_WORDS = ("rain", "storm", "frost", "heat")
WEATHER = Table(
    "weather",
    "what is forecast for one day",
    (
        date("date", "", blank=False),
        text("weather", "", one_of=WEATHER_WORDS, blank=False),
        text("source", "who says so"),
        whole("row", "", "record in its file"),
    ),
    key=("date", "weather"),
)
PERMIT_STATES = ("asked", "granted", "refused")
PERMITS = Table(
    "permits",
    "leave of the road authority to work in one street, or at one manhole",
    (
        text("number", "number of the permit; '' = none yet"),
        text("street", "street; '' where a manhole is named"),
        text("node_id", "manhole; '' where a street is named"),
        date("from_date", "first day", blank=False),
        date("to_date", "last day", blank=False),
        whole("open_s", "s", "from midnight", blank=False, low=0),
        whole("close_s", "s", "from midnight; above 86400 = on the next day", blank=False),
        text("state", "", one_of=PERMIT_STATES, blank=False),
        whole("row", "", "record in its file"),
    ),
    key=("from_date", "row"),
)
NOTICES = Table(
    "notices",
    "one notice to one address; once it is sent it is a promise",
    (
        text("notice_id", "file and row", blank=False),
        text("pipe_id", "pipe whose connections will be shut", blank=False),
        text("address", "who was told"),
        date("for_date", "day that it names", blank=False),
        date("sent_on", "day it was sent; blank = not sent"),
        text("by", "who sent it"),
        text("file", "file it was read from"),
        whole("row", "", "row in that file"),
    ),
    key=("notice_id",),
)
SETUP_HOURS = Table(
    "setup_hours",
    "one stretch of one day in which a set-up may start, or why a day has none",
    (
        text("setup_id", "", blank=False),
        date("date", "", blank=False),
        whole("open_s", "s", "earliest start of work, from midnight; blank = none", low=0),
        whole("close_s", "s", "latest start of work, from midnight", low=0),
        text("reason", "why nothing may start that day; '' where something may"),
        flag("promised", "a sent notice or a granted permit names this day", blank=False),
        whole("notice_days", "days", "working days of notice that it wants", low=0),
    ),
    key=("setup_id", "date", "open_s"),
)
PINS = Table(
    "pins",
    "what people said by hand of one set-up of this week, as far as it is in force",
    (
        text("setup_id", "", blank=False),
        text("crew", "crew that it is bound to; '' = any"),
        date("date", "day that it is bound to; blank = any"),
        date("for_date", "day that residents were promised; blank = none"),
        date("not_before", "earliest day; blank = any"),
        flag("off", "taken off this week", blank=False),
        text("by", "who, '+' between"),
        text("why", "reasons that were given, '; ' between"),
    ),
    key=("setup_id",),
)
