"""Every public name of the calculation service says what it means, in which units, and what it refuses."""

import ast
import inspect
import re
from pathlib import Path

import pytest

CALC = Path(__file__).parents[2] / "prepdesk" / "calc"

# Formulas and figures of the outside world: these say where they come from.
FROM_OUTSIDE = {
    "formula": {"parse_formula"},
    "atoms": {"molar_mass", "atomic_weight"},
    "units": {"factor"},
    "identity": {"cas_from_text"},
    "apparatus": {"tolerance_ml", "limit_of", "standard_set", "usual_balances", "vessels", "limits"},
    "density": {
        "water_density",
        "solution_density",
        "reagent_density",
        "tabulated_density",
        "laliberte_density",
        "density_at_concentration",
        "density_at_mass_concentration",
    },
    "solubility": {"solubility_g_per_100g_water"},
    "catalogue": {"standard_catalogue"},
}


def walk_public_names():
    for path in sorted(CALC.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                yield pytest.param(path.stem, node, id=f"{path.stem}.{node.name}")
                if isinstance(node, ast.ClassDef):
                    for inner in node.body:
                        if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                            yield pytest.param(path.stem, inner, id=f"{path.stem}.{node.name}.{inner.name}")


PUBLIC = list(walk_public_names())


def docstring_of(node) -> str:
    return inspect.cleandoc(ast.get_docstring(node) or "")


@pytest.mark.parametrize(("module", "node"), PUBLIC)
def test_a_public_name_begins_with_a_sentence_that_says_what_it_is(module, node):
    first = docstring_of(node).split("\n\n")[0]
    assert first, f"{module}.{node.name} has no docstring"
    assert first.rstrip().endswith((".", ":")), first
    assert first[0].isupper() or first.startswith("``"), first


@pytest.mark.parametrize(("module", "node"), PUBLIC)
def test_a_function_that_refuses_says_what_it_raises(module, node):
    if isinstance(node, ast.ClassDef):
        return
    raised = {
        call.func.id if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) else ""
        for statement in ast.walk(node)
        if isinstance(statement, ast.Raise) and (call := statement.exc) is not None
    }
    if raised:
        assert re.search(r"Raises:|Raises as", docstring_of(node)), (
            f"{module}.{node.name} raises {sorted(raised)}"
        )


@pytest.mark.parametrize(
    ("module", "name"), [(module, name) for module, names in FROM_OUTSIDE.items() for name in sorted(names)]
)
def test_a_figure_of_the_outside_world_names_its_source_units_and_an_example(module, name):
    tree = ast.parse((CALC / f"{module}.py").read_text(encoding="utf-8"))
    node = next(each for each in tree.body if isinstance(each, ast.FunctionDef) and each.name == name)
    text = docstring_of(node)
    assert "Source:" in text
    assert ">>>" in text, "a doctest shows how it is called"
    assert "Returns:" in text
    parameters = [each.arg for each in node.args.args]
    if parameters and "Args and Raises as" not in text:
        arguments = text.split("Args:")[1].split("Returns:")[0]
        for parameter in parameters:
            assert re.search(rf"^\s*{parameter}: ", arguments, re.MULTILINE), f"{parameter} is not explained"
    measures = {"float", "MolarMass", "Density", "Solubility", "Limit"}
    if any(word in ast.unparse(node.returns or ast.Constant(None)) for word in measures):
        assert re.search(r"\[[^\]]+\]", text), "the unit of what comes back stands in square brackets"


def test_the_list_of_figures_from_outside_is_complete_for_its_modules():
    # A new public function of these modules needs a decision: does its figure come from outside?
    settled = {
        "units": {"read_unit", "to_g", "to_ml"},
        "apparatus": {"class_choices"},
        "catalogue": set(),
    }
    for module, names in FROM_OUTSIDE.items():
        tree = ast.parse((CALC / f"{module}.py").read_text(encoding="utf-8"))
        found = {
            each.name
            for each in tree.body
            if isinstance(each, ast.FunctionDef) and not each.name.startswith("_")
        }
        assert found == names | settled.get(module, set()), module
