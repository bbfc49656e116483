"""The examples in the docstrings are true."""

import doctest
import importlib
from pathlib import Path

import pytest

CALC = Path(__file__).parents[2] / "prepdesk" / "calc"
MODULES = sorted(
    ".".join(path.relative_to(CALC).with_suffix("").parts)
    for path in CALC.rglob("*.py")
    if ">>>" in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_come_out_as_written(name):
    done = doctest.testmod(importlib.import_module(f"prepdesk.calc.{name}"))
    assert done.attempted > 0
    assert done.failed == 0
