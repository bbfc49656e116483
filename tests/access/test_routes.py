"""Every route, asked by everybody: nobody, the owner, a colleague, prep staff, the manager.

The test fails for a route that is missing from the table, so a new page can't be forgotten.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, get_resolver, reverse

pytestmark = pytest.mark.django_db

IN = "in"  # answered: a page, a redirect, or a refusal that is about the values and not the person
OUT = 403
HIDDEN = 404


@dataclass(frozen=True)
class Row:
    """Who gets what at one route by one method."""

    name: str
    method: str
    owner: Any
    colleague: Any
    prep: Any
    manager: Any
    arguments: tuple[str, ...] = ()
    nobody: Any = "sign in"


def everybody(name: str, method: str = "get", *arguments: str) -> Row:
    return Row(name, method, IN, IN, IN, IN, arguments)


def stockroom(name: str, method: str = "get", *arguments: str, teachers: int = OUT) -> Row:
    return Row(name, method, teachers, teachers, IN, IN, arguments)


def own(name: str, method: str, *arguments: str, prep: Any = IN) -> Row:
    return Row(name, method, IN, HIDDEN, prep, IN, arguments)


ROWS = [
    Row("healthz", "get", IN, IN, IN, IN, nobody=IN),
    Row("readyz", "get", IN, IN, IN, IN, nobody=IN),
    everybody("home"),
    Row("accounts:sign_in", "get", IN, IN, IN, IN, nobody=IN),
    Row("accounts:sign_out", "post", IN, IN, IN, IN),
    everybody("accounts:me"),
    everybody("accounts:me", "post"),
    Row("accounts:end_token", "post", IN, HIDDEN, HIDDEN, HIDDEN, ("token",)),
    everybody("accounts:choose_mail", "post"),
    everybody("accounts:calendar_make", "post"),
    everybody("accounts:calendar_end", "post"),
    # The address itself is the secret: whoever has it reads that calendar.
    Row("requests_app:calendar", "get", IN, IN, IN, IN, ("calendar",), nobody=IN),
    everybody("accounts:notices"),
    everybody("accounts:notices_read", "post"),
    Row("accounts:notice_read", "post", IN, HIDDEN, HIDDEN, HIDDEN, ("notice",)),
    # orders
    everybody("requests_app:order_list"),
    Row("requests_app:order_new", "get", IN, IN, OUT, IN),
    Row("requests_app:order_new", "post", IN, IN, OUT, IN),
    Row("requests_app:order_preview", "post", IN, IN, IN, IN),
    Row("requests_app:substance_search", "get", IN, IN, IN, IN),
    own("requests_app:order", "get", "order"),
    own("requests_app:order_cancel", "get", "order", prep=OUT),
    own("requests_app:order_cancel", "post", "order", prep=OUT),
    own("requests_app:order_change", "get", "order", prep=OUT),
    own("requests_app:order_change", "post", "order", prep=OUT),
    own("requests_app:order_withdraw", "get", "order", prep=OUT),
    own("requests_app:order_withdraw", "post", "order", prep=OUT),
    own("requests_app:order_pull_out", "get", "order"),
    own("requests_app:order_pull_out", "post", "order"),
    stockroom("requests_app:order_hand_over", "get", "order"),
    stockroom("requests_app:order_hand_over", "post", "order"),
    stockroom("requests_app:together"),
    stockroom("requests_app:merge", "post"),
    stockroom("requests_app:plan_waiting", "post"),
    own("requests_app:order_comment", "post", "order"),
    own("requests_app:order_source", "post", "order"),
    Row("requests_app:order_plan_again", "post", OUT, OUT, IN, IN, ("order",)),
    own("requests_app:order_trace", "get", "order"),
    own("requests_app:order_trace_csv", "get", "order"),
    stockroom("requests_app:recall", "get", "lot"),
    stockroom("requests_app:recall", "post", "lot"),
    stockroom("requests_app:recall_record", "get", "recall"),
    stockroom("requests_app:stop", "get", "batch"),
    stockroom("requests_app:stop", "post", "batch"),
    stockroom("requests_app:lot_trace", "get", "lot"),
    stockroom("requests_app:lot_trace_csv", "get", "lot"),
    Row("requests_app:order_approve", "post", OUT, OUT, OUT, IN, ("order",)),
    Row("requests_app:order_decline", "get", OUT, OUT, OUT, IN, ("order",)),
    Row("requests_app:order_decline", "post", OUT, OUT, OUT, IN, ("order",)),
    # unknowns: the stockroom sees the codes, the key is for the owner
    everybody("requests_app:unknowns"),
    Row("requests_app:unknowns_new", "get", IN, IN, OUT, IN),
    Row("requests_app:unknowns_new", "post", IN, IN, OUT, IN),
    own("requests_app:unknown_set", "get", "unknowns"),
    own("requests_app:unknown_codes", "get", "unknowns"),
    Row("requests_app:unknown_key", "get", IN, HIDDEN, OUT, OUT, ("unknowns",)),
    Row("requests_app:unknown_key", "post", IN, HIDDEN, OUT, OUT, ("unknowns",)),
    Row("requests_app:unknown_key_csv", "post", IN, HIDDEN, OUT, OUT, ("unknowns",)),
    # A manager may name a reader, with a reason that whoever ordered is told.
    Row("requests_app:unknown_readers", "post", IN, HIDDEN, OUT, IN, ("unknowns",)),
    Row("requests_app:unknown_cancel", "get", IN, HIDDEN, OUT, IN, ("unknowns",)),
    Row("requests_app:unknown_cancel", "post", IN, HIDDEN, OUT, OUT, ("unknowns",)),
    everybody("requests_app:rules"),
    Row("requests_app:rules", "post", OUT, OUT, OUT, IN),
    # the timetable
    everybody("requests_app:week"),
    everybody("requests_app:timetable"),
    everybody("requests_app:timetable_file", "get", "format"),
    everybody("requests_app:section", "get", "section"),
    *(
        Row(f"requests_app:{form}", method, OUT, OUT, OUT, IN, arguments)
        for form, arguments in (
            ("term_new", ()),
            ("term_change", ("term",)),
            ("room_new", ()),
            ("room_change", ("room",)),
            ("course_new", ()),
            ("course_change", ("course",)),
            ("section_new", ()),
            ("section_change", ("section",)),
        )
        for method in ("get", "post")
    ),
    # a term
    Row("requests_app:list_order", "get", IN, IN, OUT, IN),
    Row("requests_app:list_order", "post", IN, IN, OUT, IN),
    Row("requests_app:list_sent", "get", HIDDEN, HIDDEN, OUT, HIDDEN, ("form_key",)),
    everybody("requests_app:term_plan"),
    everybody("requests_app:term_plan_csv", "get", "term"),
    Row("requests_app:term_fill", "get", IN, OUT, OUT, IN, ("term", "course")),
    Row("requests_app:term_fill", "post", IN, OUT, OUT, IN, ("term", "course")),
    Row("requests_app:order_term", "get", IN, IN, OUT, IN, ("term",)),
    Row("requests_app:order_term", "post", IN, IN, OUT, IN, ("term",)),
    Row("requests_app:term_run", "get", IN, HIDDEN, OUT, IN, ("term_run",)),
    Row("requests_app:term_run_stop", "post", IN, HIDDEN, OUT, IN, ("term_run",)),
    Row("requests_app:term_run_go_on", "post", IN, HIDDEN, OUT, IN, ("term_run",)),
    # bench lists
    everybody("requests_app:bench_lists"),
    everybody("requests_app:bench_list", "get", "bench_list"),
    Row("requests_app:bench_list_new", "get", IN, IN, OUT, IN),
    Row("requests_app:bench_list_new", "post", IN, IN, OUT, IN),
    Row("requests_app:bench_list_check", "post", IN, IN, IN, IN),
    Row("requests_app:bench_list_correct", "get", IN, IN, OUT, IN, ("bench_list",)),
    Row("requests_app:bench_list_correct", "post", IN, IN, OUT, IN, ("bench_list",)),
    Row("requests_app:bench_list_retire", "get", IN, IN, OUT, IN, ("bench_list",)),
    Row("requests_app:bench_list_retire", "post", IN, OUT, OUT, IN, ("bench_list",)),
    # meetings
    everybody("requests_app:meeting", "get", "meeting"),
    *(
        Row(f"requests_app:{change}", method, IN, OUT, OUT, IN, (what,))
        for change, what in (
            ("meeting_change", "meeting"),
            ("meeting_cancel", "meeting"),
            ("meeting_reinstate", "meeting"),
            ("section_size", "section"),
        )
        for method in ("get", "post")
    ),
    Row("requests_app:correction", "get", IN, OUT, OUT, IN, ("correction",)),
    Row("requests_app:correction", "post", IN, OUT, OUT, IN, ("correction",)),
    Row("requests_app:day_cancel", "get", IN, IN, OUT, IN, ("day",)),
    Row("requests_app:day_cancel", "post", IN, IN, OUT, IN, ("day",)),
    # the bench
    stockroom("requests_app:changes_seen", "post", "batch"),
    stockroom("requests_app:queue"),
    stockroom("requests_app:wall"),
    stockroom("requests_app:batch", "get", "batch"),
    stockroom("requests_app:claim", "post", "batch"),
    stockroom("requests_app:put_back", "post", "batch"),
    stockroom("requests_app:pause", "get", "batch"),
    stockroom("requests_app:pause", "post", "batch"),
    stockroom("requests_app:resume", "post", "batch"),
    stockroom("requests_app:give", "post", "batch"),
    stockroom("requests_app:take_over", "post", "batch"),
    stockroom("requests_app:step", "get", "batch", "step"),
    stockroom("requests_app:mishap", "get", "batch", "step"),
    stockroom("requests_app:mishap", "post", "batch", "step"),
    stockroom("requests_app:step", "post", "batch", "step"),
    stockroom("requests_app:scan", "post", "batch", "step"),
    stockroom("requests_app:record", "post", "batch", "step"),
    stockroom("requests_app:check", "get", "batch"),
    stockroom("requests_app:check", "post", "batch"),
    stockroom("requests_app:run_out", "get", "batch", "step"),
    stockroom("requests_app:run_out", "post", "batch", "step"),
    stockroom("requests_app:finish", "get", "batch"),
    stockroom("requests_app:finish", "post", "batch"),
    stockroom("requests_app:hand_over", "get", "batch"),
    stockroom("requests_app:hand_over", "post", "batch"),
    stockroom("requests_app:sheet", "get", "batch"),
    # bottles that leave and come back
    stockroom("requests_app:portions", "get", "batch"),
    stockroom("requests_app:pour", "post", "batch"),
    stockroom("requests_app:labels", "get", "batch"),
    stockroom("requests_app:portion_split", "post", "portion"),
    stockroom("requests_app:portion_back", "post", "portion"),
    stockroom("requests_app:portion_load", "post", "portion"),
    stockroom("requests_app:portion_unload", "post", "portion"),
    stockroom("requests_app:portion_not_delivered", "post", "portion"),
    stockroom("requests_app:cart"),
    stockroom("requests_app:cart_scan", "post"),
    stockroom("requests_app:deliver"),
    stockroom("requests_app:deliver", "post"),
    stockroom("requests_app:come_back"),
    stockroom("requests_app:come_back", "post"),
    stockroom("requests_app:empties"),
    stockroom("requests_app:empties", "post"),
    # the stockroom
    everybody("inventory:stock"),
    everybody("inventory:substance", "get", "substance"),
    stockroom("inventory:substance_new"),
    stockroom("inventory:substance_new", "post"),
    stockroom("inventory:substance_facts", "get", "substance"),
    stockroom("inventory:substance_facts", "post", "substance"),
    stockroom("inventory:substance_attach", "get", "substance"),
    stockroom("inventory:substance_attach", "post", "substance"),
    everybody("inventory:attachment", "get", "file"),
    stockroom("inventory:attachment_withdraw", "get", "file"),
    stockroom("inventory:attachment_withdraw", "post", "file"),
    stockroom("inventory:waste"),
    stockroom("inventory:waste", "post"),
    stockroom("inventory:waste_in_use", "post", "stream"),
    stockroom("inventory:lots_move"),
    stockroom("inventory:lots_move", "post"),
    *(
        stockroom(f"inventory:lot_{change}", method, "lot")
        for change in ("return", "split", "merge", "move", "attach")
        for method in ("get", "post")
    ),
    stockroom("inventory:places"),
    stockroom("inventory:places", "post"),
    stockroom("inventory:storage_conflicts"),
    stockroom("inventory:place", "get", "place"),
    stockroom("inventory:place_change", "get", "place"),
    stockroom("inventory:place_change", "post", "place"),
    stockroom("inventory:place_in_use", "post", "place"),
    stockroom("inventory:place_put", "post", "place"),
    stockroom("inventory:place_door", "get", "place"),
    stockroom("inventory:counts"),
    stockroom("inventory:counts", "post"),
    stockroom("inventory:count", "get", "count"),
    stockroom("inventory:count", "post", "count"),
    stockroom("inventory:count_undo", "post", "count", "count_line"),
    stockroom("inventory:count_move_here", "post", "count", "count_line"),
    stockroom("inventory:count_close", "get", "count"),
    stockroom("inventory:count_close", "post", "count"),
    stockroom("inventory:count_give_up", "get", "count"),
    stockroom("inventory:count_give_up", "post", "count"),
    stockroom("inventory:count_paper", "get", "count"),
    stockroom("inventory:lot_receive"),
    stockroom("inventory:lot_receive", "post"),
    everybody("inventory:lot", "get", "lot"),
    stockroom("inventory:lot_label", "get", "lot"),
    stockroom("inventory:lot_label", "post", "lot"),
    stockroom("inventory:lot_opened", "post", "lot"),
    stockroom("inventory:lot_correct", "get", "lot"),
    stockroom("inventory:lot_correct", "post", "lot"),
    stockroom("inventory:lot_dispose", "get", "lot"),
    stockroom("inventory:lot_dispose", "post", "lot"),
    stockroom("inventory:lot_state", "get", "lot", "event"),
    stockroom("inventory:lot_state", "post", "lot", "event"),
    stockroom("inventory:movement_reverse", "get", "lot", "entry"),
    stockroom("inventory:movement_reverse", "post", "lot", "entry"),
    stockroom("inventory:files"),
    stockroom("inventory:file_out", "get", "what", "format"),
    stockroom("inventory:file_ledger"),
    stockroom("inventory:file_in", "get", "kind"),
    stockroom("inventory:file_in", "post", "kind"),
    stockroom("inventory:file_template", "get", "kind", "format"),
    stockroom("inventory:import_run", "get", "run"),
    stockroom("inventory:import_rows", "get", "run"),
    stockroom("inventory:import_confirm", "post", "run"),
    stockroom("inventory:import_again", "post", "run"),
    stockroom("inventory:import_drop", "post", "run"),
    everybody("inventory:apparatus"),
    stockroom("inventory:apparatus_new"),
    stockroom("inventory:apparatus_new", "post"),
    everybody("inventory:apparatus_day"),
    everybody("inventory:apparatus_item", "get", "item"),
    stockroom("inventory:apparatus_facts", "get", "item"),
    stockroom("inventory:apparatus_facts", "post", "item"),
    stockroom("inventory:apparatus_count", "get", "item"),
    stockroom("inventory:apparatus_count", "post", "item"),
    stockroom("inventory:apparatus_calibration", "get", "item"),
    stockroom("inventory:apparatus_calibration", "post", "item"),
    stockroom("inventory:apparatus_service", "get", "item"),
    stockroom("inventory:apparatus_service", "post", "item"),
    everybody("inventory:apparatus_book", "get", "item"),
    everybody("inventory:apparatus_book", "post", "item"),
    # Own booking, or anybody's for those who manage apparatus; everybody sees it, so it is no 404.
    Row("inventory:apparatus_booking_cancel", "post", IN, OUT, IN, IN, ("booked", "booking")),
    # the review
    Row("reports:use", "get", OUT, OUT, OUT, IN),
    Row("reports:use_csv", "get", OUT, OUT, OUT, IN),
    Row("reports:waste_csv", "get", OUT, OUT, OUT, IN),
    Row("reports:mishaps_csv", "get", OUT, OUT, OUT, IN),
    # the API
    Row("api_schema", "get", IN, IN, IN, IN, nobody=401),
    Row("api_order", "get", IN, HIDDEN, IN, IN, ("order",), nobody=401),
    Row("api_order", "patch", IN, HIDDEN, OUT, IN, ("order",), nobody=401),
    Row("api_order_comments", "post", IN, HIDDEN, IN, IN, ("order",), nobody=401),
    Row("preparation_preview", "post", IN, IN, IN, IN, nobody=401),
]
# Django's own admin is open to superusers only, and read-only for the ledger (tests/inventory/test_admin.py).
NOT_OURS = "admin:"


def every_route(resolver: URLResolver | None = None, space: str = "") -> set[str]:
    names = set()
    for pattern in (resolver or get_resolver()).url_patterns:
        if isinstance(pattern, URLResolver):
            inner = f"{space}{pattern.namespace}:" if pattern.namespace else space
            names |= every_route(pattern, inner)
        elif isinstance(pattern, URLPattern):
            names.add(f"{space}{pattern.name}")
    return names


def test_every_route_stands_in_the_table():
    routes = {name for name in every_route() if not name.startswith(NOT_OURS)}
    assert routes == {row.name for row in ROWS}


@pytest.fixture
def ask(client, world) -> Callable[[Row, Any], int]:
    def answer(row: Row, user: Any) -> Any:
        if user is not None:
            client.force_login(user)
        address = reverse(row.name, args=[world[name] for name in row.arguments])
        return getattr(client, row.method)(address)

    return answer


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.method} {row.name}")
@pytest.mark.parametrize("who", ["nobody", "owner", "colleague", "prep", "manager"])
def test_who_gets_in(row, who, ask, cast):
    answer = ask(row, cast.get(who))
    expected = getattr(row, who)
    if expected == "sign in":
        assert answer.status_code == 302
        assert answer["Location"].startswith(reverse("accounts:sign_in"))
    elif expected == IN:
        assert answer.status_code in {200, 204, 302, 303, 400, 409, 415, 422}
        if answer.status_code == 302 and row.name != "accounts:sign_out":
            assert "sign-in" not in answer["Location"]
    else:
        assert answer.status_code == expected


FORMS = [row for row in ROWS if row.method == "post" and not row.name.startswith(("api_", "preparation_"))]
PAGES = [row for row in ROWS if row.method == "get"]


@pytest.mark.parametrize("row", FORMS, ids=lambda row: row.name)
def test_every_form_needs_its_token(row, world, cast):
    """Cross-site request forgery: a post without the token never reaches the view."""
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast["owner" if row.owner == IN else "manager"])
    address = reverse(row.name, args=[world[name] for name in row.arguments])
    assert client.post(address).status_code == 403


@pytest.mark.parametrize("row", PAGES, ids=lambda row: row.name)
def test_looking_at_a_page_changes_nothing(row, ask, cast):
    """A GET writes no row but the session's own."""
    user = cast["manager" if row.manager == IN else "owner"]
    with CaptureQueriesContext(connection) as queries:
        ask(row, user)
    written = [
        query["sql"]
        for query in queries
        if query["sql"].lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))
        and "django_session" not in query["sql"]
        and '"last_login"' not in query["sql"]
    ]
    assert written == []
