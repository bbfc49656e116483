"""The fixed cast, and what decides whether a test can run on this machine."""

import os
import shutil
from collections.abc import Callable, Iterator

import pytest
from django.db import connection
from django.test import override_settings
from hypothesis import HealthCheck, settings

# Playwright's loop counts as asynchronous for Django; the live server's database use is safe with it.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
HOW_TO_GET_CHROMIUM = (
    "no Chromium found: install it (Debian: apt-get install chromium) or set CHROMIUM to its path"
)
NO_SKIPS = os.environ.get("NO_SKIPS") == "1"

# A change is judged by the same examples every time, on a machine as slow as it may be; whoever runs the
# tests by hand meets new ones.
settings.register_profile(
    "judged", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
if os.environ.get("CI"):
    settings.load_profile("judged")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    on_postgres = os.environ.get("DATABASE_URL", "").startswith("postgres")
    for item in items:
        if item.get_closest_marker("browser") and not CHROMIUM:
            item.add_marker(pytest.mark.skip(reason=HOW_TO_GET_CHROMIUM))
        if item.get_closest_marker("postgres") and not on_postgres:
            item.add_marker(pytest.mark.skip(reason="no PostgreSQL: run the tests by `make test`"))
        if item.get_closest_marker("redis") and not os.environ.get("REDIS_URL"):
            item.add_marker(pytest.mark.skip(reason="no Redis: run the tests by `make test`"))


def pytest_terminal_summary(terminalreporter: "pytest.TerminalReporter") -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if skipped:
        terminalreporter.section("TESTS THAT COULD NOT RUN HERE")
        for reason in sorted({str(report.longrepr[2]) for report in skipped}):
            terminalreporter.write_line(reason)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if NO_SKIPS and reporter is not None and reporter.stats.get("skipped") and exitstatus == 0:
        session.exitstatus = 1


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict) -> dict:
    """The system's Chromium; nothing is downloaded."""
    quiet = ["background-networking", "component-update", "sync", "quic", "gpu", "dev-shm-usage"]
    flags = ["--no-sandbox", "--no-first-run", *(f"--disable-{name}" for name in quiet)]
    return {**browser_type_launch_args, "executable_path": CHROMIUM, "args": flags}


@pytest.fixture(autouse=True, scope="session")
def files_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Files that a test keeps go to a folder of its own, never to the store of this checkout."""
    with override_settings(MEDIA_ROOT=str(tmp_path_factory.mktemp("files"))):
        yield


@pytest.fixture
def person(db) -> Callable:
    """Make a person: ``person("ada", "instructor")``."""
    return make_person


def make_person(username: str, role: str, **more):
    """A person who can be signed in by force alone: Argon2 takes its time on purpose."""
    from prepdesk.accounts.models import User

    user = User(username=username, role=role, **more)
    user.set_unusable_password()
    user.save()
    return user


# The cast of all tests: role, first name, last name.
CAST = {
    "ines": ("instructor", "Ines", "Vale"),
    "otto": ("instructor", "Otto", "Marsh"),
    "pia": ("prep", "Pia", "Brook"),
    "paul": ("prep", "Paul", "Reed"),
    "mara": ("manager", "Mara", "Stone"),
}


def one_of_the_cast(username: str):
    """Make a person of the cast."""
    role, first, last = CAST[username]
    return make_person(username, role, first_name=first, last_name=last)


@pytest.fixture
def instructor(db):
    """Owns the orders of a test."""
    return one_of_the_cast("ines")


@pytest.fixture
def colleague(db):
    """Another instructor, who must not see them."""
    return one_of_the_cast("otto")


@pytest.fixture
def prep(db):
    return one_of_the_cast("pia")


@pytest.fixture
def second_prep(db):
    return one_of_the_cast("paul")


@pytest.fixture
def manager(db):
    return one_of_the_cast("mara")


@pytest.fixture
def any_draw(db) -> None:
    """A department where an order may take the last of a bottle without asking anybody."""
    from requests_app.models import DepartmentRules

    DepartmentRules.objects.update_or_create(pk=1, defaults={"large_draw_percent": 100})


@pytest.fixture
def on_postgres(db) -> bool:
    return connection.vendor == "postgresql"
