"""Importing the calculation service loads no framework and none of the heavy libraries."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

CALC = Path(__file__).parents[2] / "prepdesk" / "calc"
MODULES = sorted(
    ".".join(path.relative_to(CALC).with_suffix("").parts)
    for path in CALC.rglob("*.py")
    if path.stem != "__init__"
)
FORBIDDEN = ("django", "rest_framework", "periodictable", "pint", "numpy", "molmass", "thermo", "chemicals")


def loaded_after(code: str) -> list[str]:
    program = f"{code}\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=CALC.parents[1]
    )
    return json.loads(done.stdout.splitlines()[-1])


def test_importing_every_module_loads_nothing_heavy():
    loaded = loaded_after("; ".join(f"import prepdesk.calc.{name}" for name in MODULES))
    assert "prepdesk.calc.catalogue" in loaded
    assert [name for name in loaded if name.split(".")[0] in FORBIDDEN] == []


@pytest.mark.parametrize(
    ("code", "library"),
    [
        ("from prepdesk.calc.atoms import molar_mass; molar_mass('NaCl')", "periodictable"),
        ("from prepdesk.calc.units import to_g; to_g(1, 'kg')", "pint"),
    ],
)
def test_the_first_question_loads_the_library_it_needs(code, library):
    # The check above would pass for nothing if the libraries were never loaded at all.
    assert library in loaded_after(code)


def test_looking_up_a_substance_needs_no_heavy_library():
    loaded = loaded_after(
        "from prepdesk.calc.catalogue import standard_catalogue; standard_catalogue().resolve('7647-14-5')"
    )
    assert [name for name in loaded if name.split(".")[0] in FORBIDDEN] == []
