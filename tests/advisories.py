"""Ask the published advisories about every installed package: `python -m tests.advisories`.

Exit code 1 where one is known to be vulnerable. Where the advisories cannot be reached, that is
said: then nothing is known, which is no failure of what is here.
"""

import json
import subprocess
import sys
from typing import Any

ASK = ("pip_audit", "--skip-editable", "--progress-spinner", "off", "--format", "json")


def asked() -> list[dict[str, Any]] | None:
    """Return what pip-audit says of each package; None where it could not ask at all."""
    command = [sys.executable, "-m", *ASK]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    try:
        packages: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except ValueError:
        return None
    return packages


def report(packages: list[dict[str, Any]] | None) -> tuple[list[str], bool]:
    """Return lines for a person, and whether something is known to be vulnerable."""
    known = [each for each in packages or () if "skip_reason" not in each]
    lines = [
        f"{each['name']} {each['version']}: {hole['id']}, mended in "
        f"{', '.join(hole['fix_versions']) or 'no version yet'}"
        for each in known
        for hole in each["vulns"]
    ]
    if not known:
        return ["advisories: they cannot be reached from here, so nothing is known"], False
    skipped = len(packages or ()) - len(known)
    return [
        *lines,
        f"advisories: {len(lines)} for {len(known)} packages; {skipped} could not be asked about",
    ], bool(lines)


if __name__ == "__main__":
    said, vulnerable = report(asked())
    print("\n".join(said))
    sys.exit(vulnerable)
