"""Turns a plan into the contract's JSON: amounts become text at their digits, records become objects."""

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from prepdesk.calc.catalogue import data_version
from prepdesk.calc.coverage import coverage_factor, effective_degrees_of_freedom
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import (
    Amount,
    Apparatus,
    Component,
    Contribution,
    Draw,
    Plan,
    RouteStage,
    Shortage,
    Step,
)
from prepdesk.calc.planner.instead import Instead
from prepdesk.calc.planner.wanted import title_for

Json = dict[str, Any]
# Beyond so many degrees of freedom a coverage factor of 2 needs no remark.
_UNLIMITED: Final = 1000.0


def answer_of(plan: Plan, instead: Sequence[Instead] = ()) -> Json:
    """The whole answer of the contract for one plan, with what would serve instead.

    What would serve stands with the shortage of its component; where nothing is short it is an offer.
    """
    request = plan.request
    short = {one.component for one in plan.shortages}
    return {
        "feasible": plan.feasible,
        "title": title_for(request.components, request.solvent),
        "components": [_component(one, plan.molar_masses) for one in request.components],
        "volume": {"value": request.volume.number.text, "unit": request.volume.unit},
        "makes": _amount(plan.makes) if plan.makes else None,
        "tolerance_percent": plan.tolerance_percent,
        "tolerance_basis": plan.tolerance_basis,
        "temperature_c": request.temperature_c,
        "solvent": request.solvent,
        "equipment": request.equipment,
        "steps": [_step(one) for one in plan.steps],
        "result": _result(plan),
        "budget": [
            _budget_row(index, request.components[index], row)
            for index, rows in enumerate(plan.budget)
            for row in rows
        ],
        "cautions": [{"code": one.code, "text": one.text} for one in plan.cautions],
        "problems": [{"code": one.code, "text": one.text, "severity": one.severity} for one in plan.problems],
        "explanation": plan.explanation,
        "runner_up": plan.runner_up,
        "working": list(plan.working),
        "draws": [_draw(one, request.components[one.component]) for one in plan.draws],
        "shortages": [_shortage(one, instead) for one in plan.shortages],
        "offers": [_instead(one) for one in instead if one.component not in short],
        "route": [_stage(one) for one in plan.route],
        "ions": [{"ion": ion, "value": plain(value, 4), "unit": "mol/L"} for ion, value in plan.ions.items()],
        "settling": dict(plan.settling),
        "minutes": round(plan.minutes),
        "data_version": data_version(),
    }


def plain(value: float, digits: int = 6) -> str:
    """A figure at up to so many significant digits [1], never with an exponent.

    >>> plain(0.00005), plain(109310.4, 5), plain(0.25)
    ('0.00005', '109310', '0.25')
    """
    return f"{Decimal(f'{value:.{digits}g}'):f}"


def _amount(amount: Amount) -> Json:
    return {"value": amount.text, "unit": amount.unit}


def _component(one: Component, molar_masses: Mapping[str, float]) -> Json:
    substance = one.substance
    mass = molar_masses.get(substance.key)
    return {
        "substance": substance.name,
        "key": substance.key,
        "formula": substance.formula,
        "formula_pretty": parse_formula(substance.formula).pretty,
        "cas": substance.cas,
        "form": substance.form,
        "molar_mass": {"value": f"{mass:.3f}", "unit": "g/mol"} if mass is not None else None,
        "target": {"value": one.target.number.text, "unit": one.target.unit},
        "equivalents": one.equivalents,
    }


def apparatus_of(item: Apparatus) -> Json:
    """One apparatus as the contract's ``equipment``."""
    found: Json = {"type": item.type}
    if item.nominal_ml is not None:
        found["nominal"] = {"value": plain(item.nominal_ml), "unit": "mL"}
    if item.readability_g is not None:
        found["readability"] = {"value": plain(item.readability_g), "unit": "g"}
    if item.tolerance_ml is not None:
        found["tolerance"] = {"value": plain(item.tolerance_ml), "unit": "mL"}
    if item.division_ml is not None:
        found["division"] = {"value": plain(item.division_ml), "unit": "mL"}
    found["class"] = item.apparatus_class
    found["standard"] = item.standard
    if item.id:
        found["item"] = item.id
    return found


def _step(step: Step) -> Json:
    found: Json = {
        "number": step.number,
        "action": step.action,
        "text": step.text,
        "equipment": apparatus_of(step.equipment) if step.equipment else None,
        "cautions": [{"code": one.code, "text": one.text} for one in step.cautions],
        "shown": step.shown,
    }
    if step.substance:
        found["substance"] = step.substance
    if step.component is not None:
        found["component"] = step.component
    if step.quantity is not None:
        found["quantity"] = _amount(step.quantity)
    if step.window is not None:
        found["window"] = {
            "low": step.window.low.text,
            "high": step.window.high.text,
            "unit": step.window.low.unit,
        }
    if step.stage is not None:
        found["stage"] = step.stage
    if step.lot is not None:
        found["lot"] = {"id": step.lot[0], "code": step.lot[1]}
    return found


def _result(plan: Plan) -> Json:
    density = plan.density
    mass = plan.mass_of_solution_g
    return {
        "concentrations": [
            {
                "substance": one.substance,
                "value": one.amount.text,
                "unit": one.amount.unit,
                "expanded_uncertainty_percent": float(f"{one.expanded_uncertainty_percent:.3g}"),
                **trust_of(rows),
            }
            for one, rows in zip(plan.concentrations, plan.budget, strict=True)
        ],
        "density": None
        if density is None
        else {"value": f"{density.g_per_ml:.4f}", "unit": "g/mL", "basis": density.basis},
        "mass_of_solution": None if mass is None else {"value": plain(mass, 5), "unit": "g"},
    }


def trust_of(rows: tuple[Contribution, ...]) -> Json:
    """Degrees of freedom behind an uncertainty, null where unlimited, and the factor they would ask for."""
    freedom = effective_degrees_of_freedom(
        (row.relative_standard_uncertainty_percent, row.degrees_of_freedom) for row in rows
    )
    return {
        "effective_degrees_of_freedom": int(freedom) if freedom < _UNLIMITED else None,
        "coverage_factor_95_percent": coverage_factor(freedom),
    }


def _budget_row(index: int, component: Component, row: Contribution) -> Json:
    return {
        "component": index,
        "substance": component.substance.name,
        "input": row.input,
        "relative_standard_uncertainty_percent": float(f"{row.relative_standard_uncertainty_percent:.3g}"),
        "share_percent": round(row.share_percent, 2),
        "distribution": row.distribution,
        "source": row.source,
        "degrees_of_freedom": None if math.isinf(row.degrees_of_freedom) else row.degrees_of_freedom,
    }


def _draw(one: Draw, component: Component) -> Json:
    return {
        "component": one.component,
        "substance": one.substance or component.substance.name,
        "substance_key": one.substance_key,
        "lot": None if one.lot_id is None else {"id": one.lot_id, "code": one.lot_code},
        "amount": _amount(one.amount),
    }


def _shortage(one: Shortage, instead: Sequence[Instead]) -> Json:
    return {
        "component": one.component,
        "substance": one.substance,
        "needed": _amount(one.needed),
        "free": _amount(one.free),
        "missing": _amount(one.missing),
        "alternatives": list(one.alternatives),
        "instead": [_instead(each) for each in instead if each.component == one.component],
    }


def _instead(one: Instead) -> Json:
    lot = one.lot
    stock = lot is not None and lot.kind == "solution"
    return {
        "component": one.component,
        "kind": one.kind,
        "substance_key": one.substance.key if one.substance else None,
        "substance": one.substance.name if one.substance else None,
        "lot": None if lot is None else {"id": lot.id, "code": lot.code},
        "amount": _amount(one.amount),
        "concentration": {"value": lot.strength_shown, "unit": "mol/L"}
        if lot is not None and stock and lot.concentration_mol_per_l
        else None,
        "uncertainty": {"value": plain(lot.relative_uncertainty_percent), "unit": "%"}
        if lot is not None and stock and lot.relative_uncertainty_percent is not None
        else None,
        "expires": (lot.expires or None) if lot else None,
        "prepared_by": (lot.prepared_by or None) if lot else None,
        "as_it_is": one.as_it_is,
        "text": one.text,
        "cautions": [{"code": each.code, "text": each.text} for each in one.cautions],
        "feasible": one.feasible,
        "tolerance_percent": one.tolerance_percent,
        # Put into the request as the component's source, this makes the plan use it.
        "source": None if lot is None else {"kind": "lot", "id": lot.id},
    }


def _stage(one: RouteStage) -> Json:
    return {
        "stage": one.stage,
        "inputs": [
            {
                "kind": each.kind,
                "label": each.label,
                "amount": _amount(each.amount),
                "measured_by": apparatus_of(each.measured_by),
            }
            for each in one.inputs
        ],
        "vessel": apparatus_of(one.vessel),
        "vessel_count": one.vessel_count,
        "gives": one.gives,
    }
