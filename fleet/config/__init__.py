"""Configuration: settings, addresses, and the Celery application that the tasks belong to."""

from fleet.config.celery import app as celery_app

__all__ = ["celery_app"]
