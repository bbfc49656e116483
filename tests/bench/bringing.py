"""Ten thousand bottles from a file beside the same bottles received one by one through the same service."""

import os
import subprocess
import sys
import tempfile


def run() -> None:
    """Measure in a process and a SQLite file of their own, and print both per bottle."""
    with tempfile.TemporaryDirectory(prefix="pd-bring-") as folder:
        environment = {
            **os.environ,
            "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3",
            "REDIS_URL": "",
            "DEBUG": "0",
            "TLS": "0",
            "SECRET_KEY": "only-for-this-measurement",
        }
        command = [sys.executable, "-m", "tests.bench.bringing_process"]
        print(subprocess.run(command, env=environment, check=True, capture_output=True, text=True).stdout)
