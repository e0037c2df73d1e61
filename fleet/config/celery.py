"""The Celery application: `celery -A fleet.config.celery worker` and `... beat`."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")

app = Celery("spanbook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["calibration"])
