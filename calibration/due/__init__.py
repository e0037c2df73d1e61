"""When a sensor is due, and what follows from that at once: its reminder, its visit's lines.

`refresh` is called in the transaction that stores a record, and by the scan. `days` holds the
rule, `states` keeps the stored due days, `reminders` and `lines` close the loop, `needs` says
what of it is worth a visit now.
"""

from calibration.due.needs import Need, Window, due_machines, window
from calibration.due.states import DueChange, out_of_step, refresh

__all__ = ["DueChange", "Need", "Window", "due_machines", "out_of_step", "refresh", "window"]
