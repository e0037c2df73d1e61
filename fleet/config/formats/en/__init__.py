"""The formats of the desk's language."""
