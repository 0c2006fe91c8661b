"""Loads the Celery application in every Django process, so that tasks queue to our broker."""

from django.apps import AppConfig


class StartUpConfig(AppConfig):
    name = "config"

    def ready(self) -> None:
        from config import celery  # noqa: F401
