"""The register's pages on the desk."""

from fleet.admin import audit, equipment, people

__all__ = ["audit", "equipment", "people"]
