"""The Celery application: `celery -A fleet.config.celery worker` and `... beat`."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")

app = Celery("spanbook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.set_default()  # for every thread: a web server's threads send tasks, too
app.autodiscover_tasks(["calibration"])
