"""Fill a PostgreSQL database with the invented fleet of the scan's bench.

Run ``python -m tests.bench.scan_fleet --sensors 100000 --database postgresql://.../mine``: it is
made anew (an existing one only if the bench made it), migrated and filled by COPY. Nothing is
judged yet. Content digests are random and of the right form only: `verify` would refuse them.
"""

import argparse
import time
from datetime import UTC, datetime

from tests.bench import scan_database
from tests.bench.scan_readings import Fleet


def main() -> None:
    """Fill the database that was named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sensors", type=int, default=10_000)
    parser.add_argument("--database", metavar="URL", default=scan_database.default_url())
    asked = parser.parse_args()
    clock = time.monotonic()
    fleet = Fleet(asked.sensors, today=datetime.now(UTC).date())
    scan_database.make(asked.database, fleet)
    print(
        f"{scan_database.name_of(asked.database)}: {fleet.size:,} cells of "
        f"{len(fleet.register.changed)} dealers, filled in {time.monotonic() - clock:.1f} s"
    )


if __name__ == "__main__":
    main()
