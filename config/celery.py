"""The Celery application; its settings are the CELERY_ ones of config/settings.py."""

import os
import signal

from celery import Celery
from celery.signals import worker_process_init

from config.processes import die_with_parent

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("wearbook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.autodiscover_tasks(["fleet.plumbing"])


@worker_process_init.connect
def _end_with_worker(**_: object) -> None:
    # The time limits are kept by the worker's main process. Were it killed, a pool process in the
    # middle of a task would run on without limit, beside the copy that is delivered again.
    die_with_parent(signal.SIGKILL)
