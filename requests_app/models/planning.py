"""A whole term ordered at once: how far it is, so that anybody can go on with it."""

from django.conf import settings
from django.db import models

from requests_app import states
from requests_app.models.teaching import Term


class TermRun(models.Model):
    """One going-through of a term's plan: orders are made, put together into batches, and planned."""

    term = models.ForeignKey(Term, on_delete=models.PROTECT, related_name="runs")
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=states.RUN_STATES, default=states.RUNNING)
    # What it was asked for: which courses, from which week to which.
    options = models.JSONField(default=dict, blank=True)
    stage = models.CharField(max_length=20, blank=True)
    total = models.PositiveIntegerField(default=0)
    done = models.PositiveIntegerField(default=0)
    orders_made = models.PositiveIntegerField(default=0)
    orders_kept = models.PositiveIntegerField(default=0)
    orders_waiting = models.PositiveIntegerField(default=0)
    batches_made = models.PositiveIntegerField(default=0)
    # What could not be ordered and why, a sentence each.
    problems = models.JSONField(default=list, blank=True)
    message = models.CharField(max_length=600, blank=True)
    # Goes up with each try; whoever works for an older one stops.
    attempt = models.PositiveIntegerField(default=1)
    at = models.DateTimeField(auto_now_add=True)
    seen_alive_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.term} planned {self.at:%Y-%m-%d}"
