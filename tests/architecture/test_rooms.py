"""The shape of the house: arrows between the rooms, the pure core, the lock, the deployment files."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(*command: str, **environment: str) -> "subprocess.CompletedProcess[str]":
    left_out = {"DATABASE_URL", "REDIS_URL", "DJANGO_ALLOW_ASYNC_UNSAFE"}
    kept = {name: value for name, value in os.environ.items() if name not in left_out}
    return subprocess.run(
        command,
        cwd=ROOT,
        capture_output=True,
        text=True,
        env={**kept, **environment},
        timeout=120,
        check=False,
    )


def test_the_arrows_between_the_rooms_hold():
    result = run(str(Path(sys.executable).with_name("lint-imports")), "--no-cache")
    assert result.returncode == 0, result.stdout
    assert "0 broken" in result.stdout


def test_the_linter_would_notice_a_wrong_arrow(tmp_path):
    """The check above can fail: the same contracts, over a core that imports an app."""
    for name in ("prepdesk", "requests_app", "inventory"):
        package = tmp_path / name
        package.mkdir()
        (package / "__init__.py").write_text("")
    for room in ("urls", "reports", "accounts", "access", "core", "calc"):
        (tmp_path / "prepdesk" / f"{room}.py").write_text("")
    (tmp_path / "prepdesk" / "calc.py").write_text("import inventory\n")
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = next(c for c in contracts if c["type"] == "layers")
    (tmp_path / "arrows.ini").write_text(
        "[importlinter]\nroot_packages =\n  prepdesk\n  requests_app\n  inventory\n"
        "[importlinter:contract:1]\nname = rooms\ntype = layers\nlayers =\n"
        + "".join(f"  {layer}\n" for layer in layers["layers"])
    )
    result = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache", "--config", "arrows.ini"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(tmp_path), "PATH": "/usr/bin:/bin"},
    )
    assert result.returncode == 1
    assert "prepdesk.calc is not allowed to import inventory" in result.stdout


def test_the_calculation_service_loads_without_the_framework():
    """A linter reads imports; this one runs them, in a fresh interpreter."""
    modules = sorted(
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in (ROOT / "prepdesk" / "calc").rglob("*.py")
        if path.name != "__init__.py"
    )
    code = (
        "import importlib, sys\n"
        f"for name in {modules!r}: importlib.import_module(name)\n"
        "heavy = {'django', 'rest_framework', 'celery', 'redis', 'numpy', 'pint', 'periodictable', 'scipy'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    result = run(sys.executable, "-c", code)
    assert result.returncode == 0, result.stderr
    assert result.stdout.strip() == "[]"


def test_the_package_itself_stays_empty_so_that_the_core_can_be_imported_alone():
    assert (ROOT / "prepdesk" / "__init__.py").read_text() == ""


@pytest.mark.parametrize(("lock", "groups"), [("requirements.txt", ()), ("requirements-dev.txt", ("dev",))])
def test_every_named_dependency_is_locked_with_hashes(lock, groups):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    wanted = list(project["project"]["dependencies"])
    for group in groups:
        wanted += project["dependency-groups"][group]
    names = {re.split(r"[\[<>=;~ ]", line, maxsplit=1)[0].lower().replace("_", "-") for line in wanted}
    text = (ROOT / lock).read_text()
    locked = {match.lower() for match in re.findall(r"^([A-Za-z0-9_.-]+)==", text, re.MULTILINE)}
    assert names <= locked
    assert text.count("--hash=sha256:") >= len(locked)
    assert "://" not in text, "a lock that names a host works on one network only"


def test_what_runs_is_what_was_tested():
    """Both locks name the same versions of the packages they share."""

    def versions(name: str) -> set[str]:
        lines = (ROOT / name).read_text().splitlines()
        return {line.split(" ")[0] for line in lines if re.match(r"[A-Za-z0-9]", line)}

    assert versions("requirements.txt") <= versions("requirements-dev.txt")


def test_the_compose_file_follows_the_published_schema():
    """Compose specification, as shipped by check-jsonschema."""
    tool = str(Path(sys.executable).with_name("check-jsonschema"))
    result = run(tool, "--builtin-schema", "vendor.compose-spec", "docker-compose.yml")
    assert result.returncode == 0, result.stdout


def test_production_refuses_to_start_without_a_secret_key():
    result = run(sys.executable, "manage.py", "check", DEBUG="0", SECRET_KEY="", ALLOWED_HOSTS="example.org")
    assert result.returncode != 0
    assert "SECRET_KEY is not set" in result.stderr


def test_production_settings_pass_the_deployment_check():
    result = run(
        sys.executable,
        "manage.py",
        "check",
        "--deploy",
        "--fail-level",
        "WARNING",
        DEBUG="0",
        SECRET_KEY="p" * 30 + "0123456789abcdefghijklmnopqrstuvwxyz",
        ALLOWED_HOSTS="example.org",
    )
    assert result.returncode == 0, result.stderr


def test_pages_carry_no_inline_script_or_style_and_no_number_field():
    """The content security policy forbids the first two; the third turns 2,5 into 25."""
    wrong = re.compile(
        r"<style|\sstyle\s*=|\son[a-z]+\s*=\s*[\"']|<script(?![^>]*\ssrc=)|type=[\"']number|javascript:",
        re.IGNORECASE,
    )
    for page in (ROOT / "templates").rglob("*"):
        if page.is_file():
            found = wrong.search(page.read_text())
            assert found is None, f"{page.relative_to(ROOT)}: {found.group()}"


def test_no_form_draws_a_browser_number_field():
    """Django's own decimal and integer fields do; the project's typed field doesn't."""
    for source in [*ROOT.glob("*/forms.py"), *ROOT.glob("*/*/forms.py")]:
        text = source.read_text()
        assert not re.search(r"forms\.(DecimalField|IntegerField|FloatField|NumberInput)\b", text), source


def test_the_top_level_holds_only_what_the_design_names():
    tracked = run("git", "ls-files").stdout.split()
    if not tracked:
        pytest.fail("git knows no files here; the check can't say anything")
    files = "README.md DEVELOPERS.md CHANGELOG.md LICENSE Makefile Dockerfile docker-compose.yml manage.py"
    for_tools = "pyproject.toml requirements.txt requirements-dev.txt .gitignore .dockerignore .ci"
    rooms = "prepdesk requests_app inventory templates tests"
    allowed = set(f"{files} {for_tools} {rooms}".split())
    assert {path.split("/")[0] for path in tracked} <= allowed
