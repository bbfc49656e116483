"""WSGI entry point."""

import os
from threading import Thread

from django.conf import settings
from django.core.wsgi import get_wsgi_application

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
application = get_wsgi_application()


def warm_up() -> None:
    """Plan once, so that the first person who orders does not wait for the chemistry libraries."""
    salt = {"substance": "sodium-chloride", "target": {"value": "1", "unit": "mol/L"}}
    question = {"components": [salt], "volume": {"value": "1", "unit": "L"}, "equipment": "standard"}
    preview(question, catalogue=standard_catalogue(), shelf=Shelf())


Thread(target=warm_up, daemon=True, name="warm-up").start()


def send_what_is_due() -> None:
    """Look for notices to mail every few minutes, where no worker and its clock do."""
    from prepdesk.accounts.mail import keep_looking  # noqa: PLC0415 (models, so the apps come first)

    keep_looking()


if settings.MAIL_IS_ON and not settings.REDIS_URL:
    Thread(target=send_what_is_due, daemon=True, name="mail-clock").start()
