"""What is sent at once is bounded before it is read, whoever sends it and wherever to."""

from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from inventory.services import MOST_BYTES

pytestmark = pytest.mark.django_db


class Untouched(BytesIO):
    """A body that fails the test when anybody reads it."""

    def read(self, *args):
        raise AssertionError("The body was read.")

    readline = read


@pytest.mark.parametrize("length", ["25000001", "9" * 30])
def test_a_form_larger_than_any_page_takes_is_refused_before_it_is_read(client, length):
    """Signing in is open to everybody, so this must hold without a name too."""
    answer = client.generic(
        "POST",
        reverse("accounts:sign_in"),
        **{
            "CONTENT_TYPE": "multipart/form-data; boundary=x",
            "CONTENT_LENGTH": length,
            "wsgi.input": Untouched(),
        },
    )
    assert answer.status_code == 413
    assert "More than 25 MB were sent" in answer.content.decode()


def test_a_file_that_is_only_too_large_for_its_field_is_told_beside_the_field(client, prep, bottle):
    client.force_login(prep)
    page = reverse("inventory:lot_attach", args=[bottle().code])
    large = SimpleUploadedFile("certificate.pdf", b"%PDF-" + b" " * MOST_BYTES + b"%%EOF")
    answer = client.post(page, {"kind": "certificate", "upload": large, "idempotency_key": "a"})
    assert answer.status_code == 422
    assert "10 MB fit" in answer.content.decode()
