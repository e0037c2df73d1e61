"""Why a stop has no day: the first reason that holds. Pure."""

from datetime import date

from calibration.planning.problem import Problem, Stop


def why_unplaced(problem: Problem, i: int, *, latest: date, starts_on: date) -> str:
    """Return why a stop is in no tour.

    Parameters
    ----------
    problem, i
        The stop's place in the problem.
    latest, starts_on
        The last working day before the season, and the day on which it starts.
    """
    stop = problem.stops[i]
    if not problem.technicians:
        return "the dealer has no active technician; give somebody that role"
    worked = _worked(problem)
    if not worked:
        return f"no technician's working day is left before the season starts on {starts_on}"
    open_days = worked - stop.barred
    if not open_days:
        return (
            f"the customer cannot be visited on any of the {len(worked)} working days up to "
            f"{latest}, the last before the season"
        )
    needed = _needed(problem, i, stop, open_days)
    if needed is not None:
        return needed
    return (
        f"no technician has {_hours(stop.minutes)} and the drive left on any day up to {latest}, "
        "the last working day before the season"
    )


def _worked(problem: Problem) -> set[int]:
    """Days on which at least one technician works."""
    return {
        day for each in problem.technicians for day, minutes in enumerate(each.minutes) if minutes
    }


def _needed(problem: Problem, i: int, stop: Stop, open_days: set[int]) -> str | None:
    """Return how long the visit takes, where that is longer than any technician's day."""
    days = [
        (each.minutes[day] - 2 * problem.drive[i][problem.home(t)], each.minutes[day])
        for t, each in enumerate(problem.technicians)
        for day in open_days
        if each.minutes[day]
    ]
    room, longest = max(days)
    if stop.minutes <= room:
        return None
    drive = longest - room
    return (
        f"the work takes {_hours(stop.minutes)} and the drive {_hours(drive)}, more than a "
        f"technician's day of {_hours(longest)}"
    )


def _hours(minutes: int) -> str:
    return f"{minutes / 60.0:.3g} h"
