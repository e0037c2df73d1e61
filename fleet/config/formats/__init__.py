"""How days and moments are written at the desk: ISO 8601, in every language."""
