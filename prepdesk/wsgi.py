"""WSGI entry point."""

import os
from threading import Thread

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
