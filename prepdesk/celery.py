"""The task queue. A task is a hint to look at rows that already say what is due."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
app = Celery("prepdesk")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
