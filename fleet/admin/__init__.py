"""The register's pages on the desk."""

from fleet.admin import equipment, people

__all__ = ["equipment", "people"]
