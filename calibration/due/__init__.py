"""When a sensor is due, and what follows from that at once: its reminder, its visit's lines.

`settle` is called in the transaction that stores a record, and by the scan, which asks first what
is `differing`; `refresh` where nobody has read the calibrations. `days` holds the rule over
arrays, `reading` lays the rows beside the sensors, `states` keeps the stored due days, `reminders`
and `lines` close the loop, `needs` says what of it is worth a visit now.
"""

from calibration.due.needs import Need, Window, due_machines, window
from calibration.due.reading import Newest
from calibration.due.states import DueChange, catch_up, differing, out_of_step, refresh, settle

__all__ = [
    "DueChange",
    "Need",
    "Newest",
    "Window",
    "catch_up",
    "differing",
    "due_machines",
    "out_of_step",
    "refresh",
    "settle",
    "window",
]
