"""The invented department, served to a real browser; one browser window per person."""

import re
from collections.abc import Callable

import pytest
from django.apps import apps
from django.conf import settings as django_settings
from django.contrib.contenttypes.models import ContentType
from django.core.management import call_command
from django.core.management.color import no_style
from django.db import connection
from django.test import override_settings
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

PASSWORD = "demo-bench"


@pytest.fixture(scope="session")
def kept_rows() -> dict[str, str]:
    """The rows of the demo scenario, once it was loaded: laying them out again takes a tenth of the time."""
    return {}


@pytest.fixture
def department(transactional_db, live_server, kept_rows):
    """The demo scenario as a newcomer finds it."""
    if kept_rows:
        # Emptying the database left it with content types of its own; those of the rows take their place.
        ContentType.objects.all().delete()
        connection.creation.deserialize_db_from_string(kept_rows["demo"])
        with connection.cursor() as cursor:
            for statement in connection.ops.sequence_reset_sql(no_style(), apps.get_models()):
                cursor.execute(statement)
    else:
        with override_settings(DEBUG=True):
            call_command("load_catalogue", verbosity=0)
            call_command("load_demo", verbosity=0)
        kept_rows["demo"] = connection.creation.serialize_db_to_string()
    return live_server


@pytest.fixture
def sign_in(department, browser: Browser) -> Callable[..., Page]:
    """Open a window of its own for a person: ``sign_in("prep")``. Anything the browser complains of fails."""
    contexts = []
    complaints: list[str] = []

    def open_window(username: str, **options) -> Page:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **options})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console",
            lambda message: (
                complaints.append(message.text)
                # Refusals (4xx) are expected; htmx reports each preview that a newer one overtook.
                if message.type == "error" and not re.search(r"status of 4|Error Code 4|^htmx:", message.text)
                else None
            ),
        )
        page.goto(department.url + reverse(django_settings.LOGIN_URL))
        page.get_by_label("Name").first.fill(username)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda address: "sign-in" not in address)
        return page

    yield open_window
    for context in contexts:
        context.close()
    assert complaints == []


def scan_what_is_asked_for(page: Page) -> None:
    """Show the step on the screen its bottle, as a scanner does, where it asks for one."""
    asked = page.locator("main [data-scan-part]").first
    if asked.count() and asked.get_attribute("data-scan-state") in ("needed", "refused"):
        page.keyboard.type(asked.get_attribute("data-right-lot") or "", delay=2)
        page.keyboard.press("Enter")
        expect(page.locator("main [data-scan-state='done']").first).to_be_visible()
