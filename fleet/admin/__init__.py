"""The register's pages on the desk."""

from fleet.admin import audit, dealers, equipment, people

__all__ = ["audit", "dealers", "equipment", "people"]
