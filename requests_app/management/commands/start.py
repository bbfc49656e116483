"""One command for a first look: set up what is missing, then serve."""

import errno
import os
import socket
import sys
from io import StringIO
from typing import Any

from django.conf import settings
from django.core.management import CommandError, call_command
from django.core.management.base import BaseCommand, CommandParser
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from prepdesk.accounts.models import User
from requests_app.demo.build import is_loaded
from requests_app.demo.scenario import DEMO_LOGINS, DEMO_PASSWORD


class Command(BaseCommand):
    """Migrate if needed, load catalogue and demo scenario on the first start, serve."""

    help = __doc__ or ""
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen at (127.0.0.1)")
        parser.add_argument("--port", default=8000, type=int, help="port to listen at (8000)")

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        if not settings.DEBUG:
            raise CommandError(
                "“start” is for a first look and serves with DEBUG on. With DEBUG off run the site behind "
                "gunicorn: gunicorn prepdesk.wsgi"
            )
        self._require_free(host, port)
        settings.VAR_DIR.mkdir(parents=True, exist_ok=True)
        self._set_up()
        self._say_where(host, port)
        # Django's own warning that this is no production server; for a first look it only alarms.
        os.environ.setdefault("DJANGO_RUNSERVER_HIDE_WARNING", "true")
        call_command("runserver", f"{host}:{port}", use_reloader=False, skip_checks=True)

    def _require_free(self, host: str, port: int) -> None:
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError as error:
                if error.errno == errno.EADDRINUSE:
                    raise CommandError(
                        f"Port {port} is taken by another program. Stop that one, or choose another port: "
                        f"make run PORT={port + 1}"
                    ) from error
                raise CommandError(f"Can't listen at {host}:{port}: {error.strerror}.") from error

    def _set_up(self) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            self.stdout.write("Preparing the database ...")
            call_command("migrate", interactive=False, verbosity=0, skip_checks=True)
        if not User.objects.exists():
            self.stdout.write("Loading the catalogue and the demo scenario ...")
            call_command("load_catalogue", stdout=StringIO())
            call_command("load_demo", stdout=StringIO())

    def _say_where(self, host: str, port: int) -> None:
        shown = "localhost" if host in ("127.0.0.1", "0.0.0.0", "::1") else host  # noqa: S104 (only compared)
        self.stdout.write(f"\nPrepdesk is at http://{shown}:{port}/")
        if is_loaded():
            self.stdout.write(f"Sign in with the password {DEMO_PASSWORD} as one of:")
            for username, what in DEMO_LOGINS:
                self.stdout.write(f"  {username:<12}{what}")
        self.stdout.write("Stop with Ctrl+C.\n")
        # Said before the server's own first line, also where the output goes to a file.
        sys.stdout.flush()
