"""The pairwise part of the scan, done by others on the same rows.

The job: a straight line through the points of every calibration, the change of its slope against
the calibration before of the same sensor in the same installation, flagged beyond 3 %. No
uncertainty, no history, no reason, nothing written. All must flag the same calibrations.
"""
