"""A shelf to test with: a substance, and bottles of it received through the service."""

import uuid

import pytest

from inventory.models import Substance
from inventory.services import receive_lot


def new_key() -> str:
    return uuid.uuid4().hex


@pytest.fixture
def salt(db):
    return Substance.objects.create(
        key="sodium-chloride",
        name="sodium chloride",
        formula="NaCl",
        cas="7647-14-5",
        synonyms=["table salt", "halite"],
    )


@pytest.fixture
def vitriol(db):
    return Substance.objects.create(
        key="copper-sulfate-pentahydrate",
        name="copper(II) sulfate pentahydrate",
        formula="CuSO4.5H2O",
        cas="7758-99-8",
        family="copper-sulfate",
        form="pentahydrate",
        synonyms=["blue vitriol", "cupric sulphate pentahydrate"],
    )


@pytest.fixture
def bottle(prep, salt):
    """Receive a bottle: ``bottle("500")`` is 500 g of salt."""

    def receive(amount="500", unit="g", substance=salt, kind="solid", **more):
        return receive_lot(
            actor=prep,
            substance=substance,
            kind=kind,
            amount=amount,
            unit=unit,
            **{"idempotency_key": new_key(), **more},
        )

    return receive
