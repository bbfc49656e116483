"""A full plan beside the same numbers without planning, as floats and as unit-carrying quantities."""

import math
import subprocess
import sys
from typing import Any

import pint

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview
from tests.bench.timing import medians, show

_REQUEST: dict[str, Any] = {
    "components": [
        {
            "substance": "sodium chloride",
            "target": {"value": "2.00", "unit": "mol/L"},
            "source": {
                "kind": "solid",
                "formula": "NaCl",
                "assay_percent": "100",
                "assay_tolerance_percent": "0.1",
            },
        }
    ],
    "volume": {"value": "500", "unit": "mL"},
    "equipment": "standard",
}
_DAY = [
    ("sodium chloride", "2.00", "mol/L", "500"),
    ("copper(II) sulfate pentahydrate", "0.100", "mol/L", "250"),
    ("potassium permanganate", "0.0200", "mol/L", "1000"),
    ("sodium hydroxide", "0.1", "mol/L", "2000"),
    ("silver nitrate", "0.050", "mol/L", "100"),
    ("hydrochloric acid", "1.0", "mol/L", "1000"),
    ("D-(+)-glucose, anhydrous", "5.0", "% w/v", "500"),
    ("potassium chloride", "100", "mg/L", "1000"),
]


def _straight_line_floats() -> dict[str, float]:
    """2.00 mol/L sodium chloride, 500 mL: mass, each input's uncertainty, the sum, the window."""
    molar_mass, u_molar_mass = 58.44, 0.0058
    concentration, volume_ml, assay, u_assay = 2.0, 500.0, 1.0, 0.001 / math.sqrt(3)
    mass = concentration * volume_ml / 1000 * molar_mass / assay
    u_mass = math.sqrt(2 * (0.01 / 2 / math.sqrt(3)) ** 2 + 0.01**2)
    u_volume = math.sqrt(
        (0.25 / math.sqrt(6)) ** 2 + (0.1) ** 2 + (volume_ml * 2.1e-4 * 3 / math.sqrt(3)) ** 2
    )
    parts = {
        "mass": u_mass / mass,
        "volume": u_volume / volume_ml,
        "assay": u_assay / assay,
        "molar mass": u_molar_mass / molar_mass,
    }
    combined = math.sqrt(sum(part**2 for part in parts.values()))
    tolerance = 0.005 / 2.0
    room = tolerance - 2 * combined
    shares = {f"share of {name}": part**2 / combined**2 for name, part in parts.items()}
    return {"mass": mass, "U": 2 * combined, "low": mass * (1 - room), "high": mass * (1 + room), **shares}


def _straight_line_quantities(ureg: pint.UnitRegistry) -> dict[str, Any]:
    """The same lines, every number carrying its unit."""
    q = ureg.Quantity
    molar_mass, u_molar_mass = q(58.44, "g/mol"), q(0.0058, "g/mol")
    concentration, volume, assay = q(2.0, "mol/L"), q(500.0, "mL"), q(1.0, "dimensionless")
    u_assay = q(0.001, "dimensionless") / math.sqrt(3)
    mass = (concentration * volume * molar_mass / assay).to("g")
    readability, repeatability = q(0.01, "g"), q(0.01, "g")
    u_mass = (2 * (readability / 2 / math.sqrt(3)) ** 2 + repeatability**2) ** 0.5
    expansion, swing = q(2.1e-4, "1/delta_degC"), q(3, "delta_degC")
    u_volume = (
        (q(0.25, "mL") / math.sqrt(6)) ** 2
        + q(0.1, "mL") ** 2
        + (volume * expansion * swing / math.sqrt(3)) ** 2
    ) ** 0.5
    parts = {
        "mass": (u_mass / mass).to("dimensionless"),
        "volume": (u_volume / volume).to("dimensionless"),
        "assay": (u_assay / assay).to("dimensionless"),
        "molar mass": (u_molar_mass / molar_mass).to("dimensionless"),
    }
    combined = sum((part**2 for part in parts.values()), start=q(0.0, "dimensionless")) ** 0.5
    tolerance = (q(0.005, "mol/L") / concentration).to("dimensionless")
    room = tolerance - 2 * combined
    shares = {f"share of {name}": (part**2 / combined**2).to("dimensionless") for name, part in parts.items()}
    return {"mass": mass, "U": 2 * combined, "low": mass * (1 - room), "high": mass * (1 + room), **shares}


def _order(number: int) -> dict[str, Any]:
    substance, value, unit, volume = _DAY[number % len(_DAY)]
    return {
        "components": [{"substance": substance, "target": {"value": value, "unit": unit}}],
        "volume": {"value": volume, "unit": "mL"},
        "equipment": "standard",
    }


def run() -> None:
    catalogue, shelf = standard_catalogue(), Shelf()
    ureg: pint.UnitRegistry = pint.UnitRegistry()

    def plan() -> dict[str, Any]:
        return preview(_REQUEST, catalogue=catalogue, shelf=shelf)

    assert plan()["feasible"]
    figures = medians(
        {
            "straight line of floats, no planning (a)": _straight_line_floats,
            "straight line of unit-carrying quantities, no planning (b)": lambda: _straight_line_quantities(
                ureg
            ),
            "full plan over the standard apparatus set": plan,
        },
        repeat=50,
    )
    show(
        "One plan: 2.00 mol/L sodium chloride, 500 mL",
        figures,
        base="full plan over the standard apparatus set",
    )

    def day() -> None:
        for number in range(500):
            preview(_order(number), catalogue=catalogue, shelf=shelf)

    figures = medians({"500 orders planned": day}, repeat=1, rounds=3)
    print(f"\nA day of 500 orders of eight kinds: {figures['500 orders planned']:.3f} s of process time")

    code = (
        "import time; t = time.perf_counter(); import prepdesk.calc.preview; print(time.perf_counter() - t)"
    )
    times = [float(subprocess.check_output([sys.executable, "-c", code])) for _ in range(5)]
    print(f"Import of the calculation service, fresh process: {sorted(times)[2] * 1000:.0f} ms (median of 5)")
