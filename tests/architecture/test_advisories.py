"""What the question about known holes in our packages says."""

from tests.advisories import report

SOUND = {"name": "one", "version": "1.0", "vulns": []}
HOLE = {
    "name": "two",
    "version": "2.0",
    "vulns": [{"id": "PYSEC-2026-1", "fix_versions": ["2.1"]}],
}
UNKNOWN = {"name": "three", "skip_reason": "not found"}


def test_a_known_hole_fails_and_is_named():
    assert report([SOUND, HOLE, UNKNOWN]) == (
        [
            "two 2.0: PYSEC-2026-1, mended in 2.1",
            "advisories: 1 for 2 packages; 1 could not be asked about",
        ],
        True,
    )


def test_no_known_hole_passes():
    assert report([SOUND]) == (
        ["advisories: 0 for 1 packages; 0 could not be asked about"],
        False,
    )


def test_who_could_not_ask_says_so():
    for packages in (None, [], [UNKNOWN]):
        (line,), vulnerable = report(packages)
        assert "nothing is known" in line
        assert not vulnerable
