"""The list of substances: the calculation service's catalogue, and what the department adds to it."""

from collections.abc import Iterable, Sequence
from typing import Final

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from inventory.columns import HAZARDS
from inventory.models import Lot, Substance
from inventory.selectors import calc_catalogue
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc import model
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.catalogue import Catalogue, standard_catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.identity import cas_from_text
from prepdesk.core.errors import Conflict

_LONGEST_KEY: Final = 80
# What the catalogue goes on deciding about a row that is there; the usual grade is the department's.
_OF_THE_CATALOGUE: Final = ("name", "formula", "cas", "family", "form", "synonyms")


def hazard_codes() -> tuple[str, ...]:
    """The cautions a department may say of its own substance, in the order they are shown."""
    return HAZARDS


@atomic_with_retries
def load_catalogue() -> tuple[int, int]:
    """List every substance of the standard catalogue, as an operator's command without a person.

    Rows that the department added itself, told by their ``record``, stay as they are, and so does what
    it decided about the others, as their usual grade.

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
        elif not row.record and any(getattr(row, field) != facts[field] for field in _OF_THE_CATALOGUE):
            for field in _OF_THE_CATALOGUE:
                setattr(row, field, facts[field])
            changed.append(row)
    Substance.objects.bulk_create(new)
    if changed:
        Substance.objects.bulk_update(changed, fields=_OF_THE_CATALOGUE)
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


@atomic_with_retries
def add_substance(
    *,
    actor: User,
    name: str,
    formula: str,
    cas: str = "",
    form: str = "",
    synonyms: str = "",
    state: str = "solid",
    another_form_of: Substance | None = None,
    hazards: Iterable[str] = (),
    idempotency_key: str | None = None,
) -> Substance:
    """Add a substance that the catalogue doesn't have; plans can use it at once.

    Args:
        formula: of this very form, hydrate water included: ``BaCl2.2H2O``.
        synonyms: other names that mean exactly this form, one a line or with commas between.
        another_form_of: a substance of which this is another hydrate, salt or the anhydrous form.
        hazards: codes out of :func:`hazard_codes`; with none it stays "not reviewed" on every sheet.
        idempotency_key: the same key adds once; later calls return the first substance.

    Raises:
        NotAllowed.
        InvalidInput: by field; also for what the catalogue has already.
        Conflict: when the key was used for another substance.
    """
    policy.require(actor, "receive_lot")
    first = added_substance(idempotency_key, name=name)
    if first:
        return first
    row = check_substance(
        name=name,
        formula=formula,
        cas=cas,
        form=form,
        synonyms=synonyms,
        state=state,
        another_form_of=another_form_of,
        hazards=hazards,
    )
    row.idempotency_key = idempotency_key
    reader = Reader()
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        first = added_substance(idempotency_key, name=name)
        if first:
            return first
        reader.refuse("name", "A substance of this name was added at this very moment. Look at the list.")
    reader.done()
    return row


def added_substance(idempotency_key: str | None, *, name: str) -> Substance | None:
    """The substance that an earlier sending of the same form added.

    Raises:
        Conflict: when it was sent with another name.
    """
    if not idempotency_key:
        return None
    first = Substance.objects.filter(idempotency_key=idempotency_key).first()
    if first and first.name != " ".join(name.split()):
        raise Conflict(
            f"This form was sent before and added {first.name}. Nothing was added; open the page afresh for "
            "another substance."
        )
    return first


def check_substance(
    *,
    name: str,
    formula: str,
    cas: str,
    form: str,
    synonyms: str | Sequence[str],
    state: str,
    another_form_of: Substance | None,
    hazards: Iterable[str],
    catalogue: Catalogue | None = None,
) -> Substance:
    """Read what was typed about a new substance, without saving anything.

    Args:
        synonyms: as typed, one a line or with commas between, or one by one.
        catalogue: what is known already, for whoever reads many; else it is asked for.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    reader = Reader()
    called = reader.words("name", " ".join(name.split()), 160)
    if not called:
        reader.refuse("name", "Type the name that stands on the label.")
    typed = synonyms.replace(",", "\n").splitlines() if isinstance(synonyms, str) else synonyms
    others = [" ".join(each.split()) for each in typed]
    others = [reader.words("synonyms", each, 160) for each in others if each]
    plain, base = _read_formula(reader, formula)
    number = _read_cas(reader, cas)
    if state not in Lot.Kind.values[:2]:
        reader.refuse("state", "Say whether the pure substance is a solid or a liquid.")
    codes = tuple(hazards)
    if not set(codes) <= set(hazard_codes()):
        reader.refuse("hazards", "One of these cautions is not known here.")
    key = slugify(called)[:_LONGEST_KEY]
    if called and key in ("", "new"):
        # The name becomes part of the page's address, and "new" stands there for this form.
        reader.refuse("name", "Give it the name of a substance, with letters of the Latin alphabet.")
    _refuse_known(
        reader, catalogue or calc_catalogue(), {"name": [called, key], "cas": [number], "synonyms": others}
    )
    family = another_form_of
    row = Substance(
        key=key,
        name=called,
        formula=plain,
        cas=number,
        family=(family.family or family.key) if family else key,
        form=reader.words("form", form, 40),
        synonyms=others,
        record={
            "state": state,
            "solute_formula": base,
            "hazards": list(codes),
            "source": "added by the department",
        },
    )
    reader.done()
    return row


def _read_formula(reader: Reader, typed: str) -> tuple[str, str]:
    """The formula in one spelling, and what of it dissolves."""
    try:
        formula = parse_formula(typed)
        molar_mass(formula)
    except InputError as error:
        reader.refuse("formula", error.text)
        return "", ""
    if len(formula.plain) > _LONGEST_KEY:
        reader.refuse("formula", f"That formula is longer than {_LONGEST_KEY} characters.")
    return formula.plain, formula.base


def _read_cas(reader: Reader, typed: str) -> str:
    if not typed.strip():
        return ""
    try:
        number = cas_from_text(typed)
    except InputError as error:
        reader.refuse("cas", error.text)
        return ""
    if number is None:
        reader.refuse("cas", "A CAS number looks like 7647-14-5. Copy it from the label, or leave it empty.")
    return number or ""


def _refuse_known(reader: Reader, catalogue: Catalogue, names: dict[str, list[str]]) -> None:
    """A name or number must go on meaning one substance."""
    for field, texts in names.items():
        for text in filter(None, texts):
            try:
                known = catalogue.resolve(text)
            except InputError as error:
                if error.code == "unknown_substance":
                    continue
                reader.refuse(field, error.text)
            else:
                reader.refuse(field, f"“{text}” is in the list already: {known.name} ({known.formula}).")
