"""People and the tokens they give to programs."""

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models

from prepdesk.access import policy


class User(AbstractUser):
    """A person of the department, in one of the roles of :mod:`prepdesk.access.policy`."""

    class Role(models.TextChoices):
        INSTRUCTOR = policy.INSTRUCTOR, "Instructor"
        PREP = policy.PREP, "Prep staff"
        MANAGER = policy.MANAGER, "Manager"

    role = models.CharField(max_length=12, choices=Role.choices, default=Role.INSTRUCTOR)

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
