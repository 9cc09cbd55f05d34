"""Pipes, nodes, laterals and streets.

Geometry is in the run's local metric projection (`ground.measure.local_crs`);
the source's own system comes back on output.
"""

from planner.tables import Table, flag, number, text, whole

LENGTH_FROM = ("survey", "stated", "drawn", "none")

PIPES = Table(
    "pipes",
    "one pipe, from node to node",
    (
        text("pipe_id", "id as the network names it", blank=False),
        text("us_node", "node at x = 0, upstream as the network names it"),
        text("ds_node", "node at the other end"),
        text("use", "what flows in it", one_of=("foul", "storm", "combined")),
        text("shape", "profile", one_of=("circular", "egg", "box", "other", "unknown")),
        number("height_mm", "mm", "inside height", low=0),
        number("width_mm", "mm", "inside width", low=0),
        number("dn_mm", "mm", "nominal size as named", low=0),
        number("inside_mm", "mm", "measured inside diameter", low=0),
        flag("size_estimated", "the list itself calls the size an estimate"),
        text("material", "material as read from the list, or as written"),
        flag("lined", "a liner over the full length is in it already"),
        number("stated_m", "m", "length as the network states it", low=0),
        number("drawn_m", "m", "length of the drawing, 2D", low=0),
        number(
            "length_m", "m", "length of the pipe's own axis, wall to wall; set by locate", low=0
        ),
        text("length_from", "where length_m comes from", one_of=LENGTH_FROM),
        number("length_doubt_m", "m", "how far length_m may be off", low=0),
        text("placing", "whether things may be placed", one_of=("ok", "flagged", "stopped")),
        number("us_invert_m", "m", "invert level at us_node"),
        number("ds_invert_m", "m", "invert level at ds_node"),
        number("depth_m", "m", "depth of invert under ground, mean", low=0),
        number("water_over_crown_m", "m", "groundwater above the crown"),
        number("joint_every_m", "m", "length of one pipe unit", low=0),
        number("laterals_known_from_m", "m", "laterals are known from this x", low=0),
        number("laterals_known_to_m", "m", "laterals are known to this x", low=0),
        whole("year", "", "year laid"),
        text("street_class", "class of the street above"),
        text("area", "area or catchment"),
        number("consequence_ratio", "-", "user's factor: what a failure does here", low=0),
        text("file", "file it was read from"),
        whole("row", "", "row in that file, 1 = first feature or record"),
    ),
    key=("pipe_id",),
    geometry="line from us_node to ds_node, or None",
)

NODES = Table(
    "nodes",
    "one manhole, chamber or end",
    (
        text("node_id", "id as the network names it", blank=False),
        text("kind", "manhole, chamber, end, ... as given"),
        number("depth_m", "m", "depth of invert under the lid", low=0),
        number("invert_m", "m", "level of the invert"),
        number("lid_mm", "mm", "clear opening of the lid", low=0),
        flag("turn_ok", "a packer can be turned into the pipe here"),
        text(
            "access",
            "how it is reached",
            one_of=("open", "key", "private", "buried", "unknown"),
            blank=False,
        ),
        text("street_class", "class of the street it lies in"),
        text("street", "name of the street or place"),
    ),
    key=("node_id",),
    geometry="point, or None",
)

LATERALS = Table(
    "laterals",
    "one connection on a pipe",
    (
        text("lateral_id", "pipe and place", blank=False),
        text("pipe_id", "pipe it joins", blank=False),
        number("x_m", "m", "centre, from us_node along the pipe's own axis", blank=False, low=0),
        number("clock_h", "clock h", "position on the clock, seen downstream", low=0, high=12),
        number("size_mm", "mm", "inside size", low=0),
        text(
            "state",
            "unknown counts as live",
            one_of=("open", "closed", "unknown"),
            blank=False,
        ),
        text("source", "inspection id, or the network file"),
    ),
    key=("lateral_id",),
)

STREETS = Table(
    "streets",
    "one stretch of street",
    (
        text("street_id", "row in the file", blank=False),
        text("name", "street name"),
        text("class", "street class"),
        number("speed_kmh", "km/h", "speed to reckon with", low=0),
        flag("oneway", "driven only in the drawn direction"),
    ),
    key=("street_id",),
    geometry="line, or None",
)

ADDRESSES = Table(
    "addresses",
    "one house or plot, and the pipe that it hangs on",
    (
        text("address_id", "id in the file, or its row", blank=False),
        text("street", "street, with the house number where one column holds both"),
        text("house", "house number"),
        text("pipe_id", "pipe it hangs on, '' where none is known"),
        text(
            "pipe_from",
            "whether the file names the pipe or it is the nearest within reach",
            one_of=("named", "nearest", "none"),
            blank=False,
        ),
        number("away_m", "m", "from the nearest pipe; blank where one is named", low=0),
        number("population", "persons", "how many live there; blank = not stated", low=0),
    ),
    key=("address_id",),
    geometry="point, or None",
)
