"""The app's name."""

from django.apps import AppConfig


class ApiConfig(AppConfig):
    """REST API."""

    name = "api"
    verbose_name = "REST API"
