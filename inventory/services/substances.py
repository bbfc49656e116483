"""The list of substances follows the calculation service's catalogue."""

from inventory.models import Substance
from inventory.services.transactions import atomic_with_retries
from prepdesk.calc import model
from prepdesk.calc.catalogue import standard_catalogue


@atomic_with_retries
def load_catalogue() -> tuple[int, int]:
    """List every substance of the standard catalogue, as an operator's command without a person.

    Rows that the department added itself, told by their ``record``, stay as they are.

    Returns:
        How many rows were created and how many changed.
    """
    there = {row.key: row for row in Substance.objects.all()}
    new: list[Substance] = []
    changed: list[Substance] = []
    for substance in standard_catalogue():
        row, facts = there.get(substance.key), _listed(substance)
        if row is None:
            new.append(Substance(key=substance.key, **facts))
        elif not row.record and any(getattr(row, field) != value for field, value in facts.items()):
            for field, value in facts.items():
                setattr(row, field, value)
            changed.append(row)
    Substance.objects.bulk_create(new)
    if changed:
        Substance.objects.bulk_update(changed, fields=list(_listed(next(iter(standard_catalogue())))))
    return len(new), len(changed)


def _listed(substance: model.Substance) -> dict[str, object]:
    return {
        "name": substance.name,
        "formula": substance.formula,
        "cas": substance.cas,
        "family": substance.family or substance.key,
        "form": substance.form,
        "synonyms": list(substance.synonyms),
        "grade": substance.grade,
    }
