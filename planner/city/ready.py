"""All that a process has loaded before its first part; others are forked from it, ready at once.

Nobody calls it: the process that starts workers imports it by name, see `forked.READY`. A
worker that takes another's place begins within a fraction of a second, and workers of one
host share the memory of what is loaded here.
"""

import contextlib

import pyarrow.dataset  # noqa: F401 - the readers load it with the first file

import planner.city.work  # with all that it stands on
import planner.city.zones  # noqa: F401
from planner import marks
from planner.city import texts
from planner.city.code import code_mark
from planner.city.small import propose_small
from planner.collecting import hold_still
from planner.repairs.place_flat_rows import warm_up
from planner.screening import screen

# A worker that cannot read or compile either says so in one line.
with contextlib.suppress(OSError):
    # The mark of the code as it is loaded here: files that change later do not change what runs.
    code_mark()
    warm_up()
    texts.warm_up()
    marks.warm_up()
# Whatever else stops the small part: the parts of a city tell it better than a worker that
# does not start.
with contextlib.suppress(Exception):
    # The walks of the book are loaded here, and so pay from the first part on.
    screen.CODED_FROM = 0
    propose_small()
# What is here now stays: looking for waste among it would copy it into each worker.
hold_still()
