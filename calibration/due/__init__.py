"""When a sensor is due, and what follows from that at once: its reminder, its visit's lines.

`settle` is called in the transaction that stores a record, and by the scan, which asks first what
is `differing`; `refresh` where nobody has read the calibrations. `days` holds the rule over
arrays, `reading` lays the rows beside the sensors, `states` keeps the stored due days, `reminders`
and `lines` close the loop, `needs` says what of it is worth a visit now, `reasons` why a day is
what it is.
"""

from calibration.due.lines import give_up
from calibration.due.needs import Need, Window, due_machines, window, window_of
from calibration.due.reading import Newest
from calibration.due.reasons import Reasoned, reasons
from calibration.due.states import DueChange, catch_up, differing, refresh, settle

__all__ = [
    "DueChange",
    "Need",
    "Newest",
    "Reasoned",
    "Window",
    "catch_up",
    "differing",
    "due_machines",
    "give_up",
    "reasons",
    "refresh",
    "settle",
    "window",
    "window_of",
]
