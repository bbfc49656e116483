"""Nothing that can be typed into the address bar makes the server fail."""

import pytest

from prepdesk.access.policy import ROLES

pytestmark = pytest.mark.django_db

HUGE = "9" * 30
ABSURD = [
    "%00",
    "%F0%9F%98%80",
    "%E2%80%AE12",
    "%3Cscript%3Ealert(1)%3C/script%3E",
    HUGE,
    "9" * 5000,
    "-1",
    "1e400",
    "NaN",
    "x" * 3000,
]
ADDRESSES = [
    "/orders/?q={}",
    "/orders/?show={}",
    "/orders/?page={}",
    "/orders/new/?like={}",
    "/orders/{}/",
    "/orders/{}/cancel/",
    "/substances/search/?q={}",
    "/queue/?show={}",
    "/batches/{}/",
    "/batches/{}/sheet/",
    "/batches/B-2601/sheet/?revision={}",
    "/batches/{}/finish/",
    "/batches/{}/hand-over/",
    "/batches/{}/pause/",
    "/batches/{}/check/",
    "/batches/B-2601/check/?step={}",
    "/batches/{}/steps/1/run-out/",
    "/batches/B-2601/steps/{}/run-out/",
    "/batches/{}/steps/1/mishap/?what={}",
    "/batches/B-2601/steps/1/mishap/?what=spilled&lot={}",
    "/batches/B-2601/steps/1/mishap/?what=failed&why={}",
    "/batches/{}/portions/",
    "/queue/?on={}",
    "/queue/?page={}",
    "/queue/?by={}",
    "/wall/?seen={}",
    "/cart/?on={}",
    "/cart/back/?code={}",
    "/cart/deliver/?room={}",
    "/cart/empties/?scan={}",
    "/portions/{}/split/",
    "/stock/?q={}",
    "/stock/?kind={}",
    "/stock/?place={}",
    "/stock/?show={}",
    "/stock/?page={}",
    "/stock/substances/{}/",
    "/stock/lots/new/?substance={}",
    "/stock/lots/{}/",
    "/stock/lots/{}/label/",
    "/stock/lots/{}/correct/?counted={}",
    "/stock/lots/{}/dispose/",
    "/stock/lots/L00001N/state/{}/",
    "/stock/lots/move/?place={}",
    "/stock/lots/{}/split/?amounts={}",
    "/stock/lots/{}/merge/?leftovers={}",
    "/stock/lots/{}/return/?amount={}",
    "/stock/lots/{}/move/",
    "/stock/lots/{}/papers/new/",
    "/stock/substances/{}/facts/",
    "/stock/papers/{}/",
    "/review/waste.csv?last={}",
    "/review/?first={}",
    "/review/?first=0001-01-01&last={}",
    "/review/use.csv?last={}",
]
NUMBERED = [f"/batches/B-2601/steps/{HUGE}/", f"/stock/lots/L00001N/entries/{HUGE}/reverse/"]


@pytest.mark.parametrize("role", ROLES)
def test_no_address_makes_the_server_fail(client, person, role):
    client.force_login(person("somebody", role))
    client.raise_request_exception = False
    failed = []
    for address in [*(one.replace("{}", absurd) for one in ADDRESSES for absurd in ABSURD), *NUMBERED]:
        answer = client.get(address)
        if answer.status_code >= 500:
            failed.append(address[:80])
        elif not answer.streaming:
            assert b"<script>alert" not in answer.content, address
    assert failed == []


def test_no_posted_null_character_makes_the_server_fail(client, person):
    client.force_login(person("somebody", "manager"))
    client.raise_request_exception = False
    rows = {
        "components-TOTAL_FORMS": "1",
        "components-0-substance": "salt\0",
        "sections": "1\0",
        "key": "k\0",
    }
    fields = ("substance", "amount", "kind", "place", "name", "key", "formula", "parent", "idempotency_key")
    for address, data in [
        ("/orders/new/", {**rows, "step": "choose-0-\0"}),
        ("/orders/new/", {**rows, "step": "send"}),
        ("/orders/preview/", rows),
        *(
            (address, dict.fromkeys(fields, "\0"))
            for address in ("/stock/lots/new/", "/stock/substances/new/", "/stock/places/", "/accounts/me/")
        ),
    ]:
        assert client.post(address, data).status_code == 422, address
