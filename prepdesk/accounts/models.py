"""People and the tokens they give to programs."""

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q

from prepdesk.access import policy
from prepdesk.accounts.kinds import KINDS


class User(AbstractUser):
    """A person of the department, in one of the roles of :mod:`prepdesk.access.policy`."""

    class Role(models.TextChoices):
        INSTRUCTOR = policy.INSTRUCTOR, "Instructor"
        PREP = policy.PREP, "Prep staff"
        MANAGER = policy.MANAGER, "Manager"

    role = models.CharField(max_length=12, choices=Role.choices, default=Role.INSTRUCTOR)
    # Which kinds of notices come by mail: {kind: yes or no}; a kind that is missing follows the table.
    mail_choices = models.JSONField(default=dict, blank=True)
    # Which kinds stand on the page of notices: {kind: no}; a kind that is missing stands there.
    page_choices = models.JSONField(default=dict, blank=True)

    def __str__(self) -> str:
        return self.get_full_name() or self.username


class ApiToken(models.Model):
    """A key that lets a program act for one person; only its hash is kept."""

    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=80)
    hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.name} of {self.owner}"


class CalendarKey(models.Model):
    """The secret address of a person's calendar; only its hash is kept."""

    owner = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="calendar_key"
    )
    hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"calendar of {self.owner}"


class Notice(models.Model):
    """Something a person was told. The row is the truth; a mail about it only repeats it."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="notices")
    # A key of prepdesk.accounts.kinds.KINDS.
    kind = models.CharField(max_length=20)
    text = models.CharField(max_length=400)
    path = models.CharField(max_length=200)
    # The event, so that nobody is told of it twice.
    key = models.CharField(max_length=120)
    at = models.DateTimeField(auto_now_add=True)
    read_at = models.DateTimeField(null=True, blank=True)
    # Settled when it is written: who chooses mail later is not sent old news.
    by_mail = models.BooleanField(default=False)
    mail_tried_at = models.DateTimeField(null=True, blank=True)
    mailed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "key"], name="told_once")]
        indexes = [
            models.Index(fields=["person", "read_at"], name="notice_of_person"),
            models.Index(fields=["at"], condition=Q(by_mail=True, mailed_at=None), name="notice_to_mail"),
        ]
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.kind} for {self.person_id}"

    @property
    def label(self) -> str:
        """The kind in words; of a kind that is no more, its key."""
        return KINDS[self.kind].label if self.kind in KINDS else self.kind.replace("_", " ").capitalize()
