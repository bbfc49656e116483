"""The preview contract as serializers, for the API's own documentation.

The request is read by :mod:`prepdesk.calc.request`, which collects every error with its field; these
classes only say in the schema what it accepts and what comes back.
"""

from typing import Any, Final

from rest_framework import serializers

from prepdesk.calc.request import MAX_COMPONENTS, TARGET_UNITS

DESCRIPTION: Final = (
    "Chooses apparatus by the tolerance; returns the steps, the uncertainty budget and what would be drawn."
    " Every value is a decimal in a string, so that the digits typed survive: they imply the tolerance where"
    " none is stated. An order that chemistry or the shelf forbids is answered with `feasible` false and a"
    " problem of severity `stop`. Local rules, the safety data sheet and the safety officer come before"
    " every answer."
)
EXAMPLE: Final[dict[str, Any]] = {
    "components": [{"substance": "NaCl", "target": {"value": "2.00", "unit": "mol/L"}}],
    "volume": {"value": "500", "unit": "mL"},
    "temperature_c": 20,
    "equipment": "standard",
}


class Quantity(serializers.Serializer[Any]):
    """A decimal in a string, and its unit."""

    value = serializers.CharField(help_text="Decimal in a string, as 2.50 or 2,50; more than zero.")
    unit = serializers.CharField()


class Target(serializers.Serializer[Any]):
    """A concentration asked for."""

    value = serializers.CharField()
    unit = serializers.ChoiceField(choices=TARGET_UNITS)


class Source(serializers.Serializer[Any]):
    """What the substance is taken from."""

    kind = serializers.ChoiceField(choices=["solid", "liquid", "solution", "lot"])
    formula = serializers.CharField(
        required=False, help_text="solid: the form on the shelf, hydrate included"
    )
    assay_percent = serializers.CharField(
        required=False, help_text="solid: 100 is taken, and said, when absent"
    )
    assay_tolerance_percent = serializers.CharField(required=False, help_text="solid: half-width in points")
    mass_percent = serializers.CharField(required=False, help_text="liquid")
    mass_percent_tolerance = serializers.CharField(required=False, help_text="liquid: half-width in points")
    density = Quantity(required=False, help_text="liquid, solution: needed where no table covers it")
    concentration = Target(required=False, help_text="solution")
    relative_uncertainty_percent = serializers.CharField(required=False, help_text="solution, k = 2")
    id = serializers.CharField(required=False, help_text="lot: its id or code")


class RequestedComponent(serializers.Serializer[Any]):
    """One solute."""

    substance = serializers.CharField(help_text="Catalogue name, CAS number or formula, as CuSO4.5H2O.")
    target = Target()
    source = Source(required=False)  # type: ignore[assignment]  # the contract's name, the base class's too
    equivalents = serializers.IntegerField(required=False, help_text="Needed for eq/L.")


class PreparationRequest(serializers.Serializer[Any]):
    """What is wanted."""

    components = serializers.ListField(child=RequestedComponent(), min_length=1, max_length=MAX_COMPONENTS)
    volume = Quantity(help_text="Of finished solution, in mL, L or uL.")
    tolerance_percent = serializers.CharField(required=False, help_text="k = 2; up to 50.")
    temperature_c = serializers.FloatField(required=False, default=20.0, min_value=0, max_value=60)
    solvent = serializers.CharField(required=False, default="water")
    equipment = serializers.ChoiceField(choices=["shelf", "standard"], required=False, default="shelf")


class Apparatus(serializers.Serializer[Any]):
    """One apparatus; glassware has a nominal volume, a balance a readability."""

    type = serializers.CharField()
    nominal = Quantity(required=False)
    readability = Quantity(required=False)
    tolerance = Quantity(required=False)
    division = Quantity(required=False)
    # "class" is a word of the language, so the field is added below.
    standard = serializers.CharField(allow_blank=True)
    item = serializers.CharField(required=False, help_text="Key in the inventory, when the shelf was asked.")

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Add the field whose name Python keeps for itself."""
        return {**super().get_fields(), "class": serializers.CharField(allow_blank=True)}


class Caution(serializers.Serializer[Any]):
    """A warning with a stable code."""

    code = serializers.CharField()
    text = serializers.CharField()


class Problem(serializers.Serializer[Any]):
    """Something that stops a preparation, or that a person must know."""

    code = serializers.CharField()
    text = serializers.CharField()
    severity = serializers.ChoiceField(choices=["stop", "warn"])


class ReadingWindow(serializers.Serializer[Any]):
    """The readings that stay inside the tolerance, both bounds allowed."""

    low = serializers.CharField()
    high = serializers.CharField()
    unit = serializers.CharField()


class LotName(serializers.Serializer[Any]):
    """A bottle of the inventory."""

    id = serializers.CharField()
    code = serializers.CharField()


class Step(serializers.Serializer[Any]):
    """One thing to do at the bench."""

    number = serializers.IntegerField()
    action = serializers.ChoiceField(
        choices=["weigh", "measure", "dissolve", "transfer", "make_up", "mix", "adjust", "store", "label"]
    )
    text = serializers.CharField()
    substance = serializers.CharField(required=False)
    component = serializers.IntegerField(required=False)
    quantity = Quantity(required=False)
    equipment = Apparatus(allow_null=True)
    window = ReadingWindow(required=False)
    stage = serializers.IntegerField(required=False)
    lot = LotName(required=False)
    cautions = Caution(many=True)
    shown = serializers.CharField(allow_blank=True)


class FoundConcentration(serializers.Serializer[Any]):
    """What one component will have."""

    substance = serializers.CharField()
    value = serializers.CharField()
    unit = serializers.CharField()
    expanded_uncertainty_percent = serializers.FloatField()
    effective_degrees_of_freedom = serializers.IntegerField(allow_null=True)
    coverage_factor_95_percent = serializers.FloatField()


class FoundDensity(serializers.Serializer[Any]):
    """A density with where it comes from."""

    value = serializers.CharField()
    unit = serializers.CharField()
    basis = serializers.CharField()


class Result(serializers.Serializer[Any]):
    """What comes of it."""

    concentrations = FoundConcentration(many=True)
    density = FoundDensity(allow_null=True)
    mass_of_solution = Quantity(allow_null=True)


class BudgetRow(serializers.Serializer[Any]):
    """One input of the uncertainty of one component."""

    component = serializers.IntegerField()
    substance = serializers.CharField()
    input = serializers.CharField()
    relative_standard_uncertainty_percent = serializers.FloatField()
    share_percent = serializers.FloatField()
    distribution = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]  # the contract's name, as above
    degrees_of_freedom = serializers.IntegerField(allow_null=True)


class Draw(serializers.Serializer[Any]):
    """What is taken from one bottle."""

    component = serializers.IntegerField()
    substance = serializers.CharField()
    substance_key = serializers.CharField()
    lot = LotName(allow_null=True)
    amount = Quantity()


class LotAsSource(serializers.Serializer[Any]):
    """The ``source`` of a component that makes a plan use a bottle."""

    kind = serializers.ChoiceField(choices=["lot"])
    id = serializers.CharField()


class Instead(serializers.Serializer[Any]):
    """Something on the shelf that would serve instead; never applied by itself."""

    component = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=["leftover", "form", "grade", "reagent", "solution", "part"])
    substance_key = serializers.CharField(allow_null=True)
    substance = serializers.CharField(allow_null=True)
    lot = LotName(allow_null=True)
    amount = Quantity()
    concentration = Quantity(allow_null=True)
    uncertainty = Quantity(allow_null=True)
    expires = serializers.DateField(allow_null=True)
    prepared_by = serializers.CharField(allow_null=True)
    as_it_is = serializers.BooleanField()
    text = serializers.CharField()
    cautions = Caution(many=True)
    feasible = serializers.BooleanField()
    tolerance_percent = serializers.FloatField()
    source = LotAsSource(allow_null=True)  # type: ignore[assignment]  # the contract's name, as above


class Shortage(serializers.Serializer[Any]):
    """What the shelf lacks."""

    component = serializers.IntegerField()
    substance = serializers.CharField()
    needed = Quantity()
    free = Quantity()
    missing = Quantity()
    alternatives = serializers.ListField(child=serializers.CharField())
    instead = Instead(many=True)


class Preparation(serializers.Serializer[Any]):
    """The whole answer; more fields may come with it."""

    feasible = serializers.BooleanField()
    title = serializers.CharField()
    volume = Quantity()
    tolerance_percent = serializers.FloatField()
    tolerance_basis = serializers.ChoiceField(choices=["stated", "digits"])
    temperature_c = serializers.FloatField()
    solvent = serializers.CharField()
    steps = Step(many=True)
    result = Result()
    budget = BudgetRow(many=True)
    cautions = Caution(many=True)
    problems = Problem(many=True)
    explanation = serializers.CharField(allow_blank=True)
    runner_up = serializers.CharField(allow_blank=True)
    working = serializers.ListField(child=serializers.CharField())
    draws = Draw(many=True)
    shortages = Shortage(many=True)
    offers = Instead(many=True)
    data_version = serializers.CharField()


class RefusedField(serializers.Serializer[Any]):
    """One field that can't be read, and what would be accepted."""

    field = serializers.CharField(allow_blank=True)
    code = serializers.CharField()
    text = serializers.CharField()


class Refusal(serializers.Serializer[Any]):
    """Every field that can't be read."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Add the list, whose name the base class uses for its own."""
        return {"errors": RefusedField(many=True)}
