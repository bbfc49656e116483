"""What people are told: once, on a page of their own, and by mail where they chose so."""

import socket
import socketserver
import threading
import time
from contextlib import contextmanager

import pytest
from django.core import mail as outbox
from django.core.mail import get_connection
from django.core.management import call_command
from django.utils import timezone

from prepdesk.accounts import kinds, mail
from prepdesk.accounts.models import Notice
from prepdesk.accounts.notices import choose_mail, mark_all_read, tell, unread_count

pytestmark = pytest.mark.django_db
NOTICES = "/accounts/notices/"


def told(*people, key="event", kind=kinds.ORDER_READY, text="R-2601 is ready.", path="/orders/R-2601/"):
    tell(people=people, kind=kind, text=text, path=path, key=key)


@pytest.fixture
def reader(person):
    return person("rhea", "instructor", email="rhea@mail.example", first_name="Rhea", last_name="Dunn")


# --- rows and the page ----------------------------------------------------------------------------
def test_nobody_is_told_of_one_event_twice(reader, colleague):
    told(reader, reader)
    told(reader, colleague)
    told(reader, key="another event")
    assert list(Notice.objects.order_by("pk").values_list("person__username", "key")) == [
        ("rhea", "event"),
        ("otto", "event"),
        ("rhea", "another event"),
    ]


def test_who_left_is_not_told(reader):
    reader.is_active = False
    reader.save()
    told(reader)
    assert not Notice.objects.exists()


@pytest.mark.parametrize("path", ["https://elsewhere.example/", "//elsewhere.example/", "orders/"])
def test_a_notice_never_leads_to_another_site(reader, path):
    with pytest.raises(ValueError, match="leads out"):
        told(reader, path=path)


def test_a_kind_that_is_not_in_the_table_is_refused(reader):
    with pytest.raises(KeyError):
        told(reader, kind="gossip")


def test_the_menu_counts_what_is_not_read(client, reader):
    told(reader)
    told(reader, key="another event")
    client.force_login(reader)
    html = client.get("/accounts/me/").content.decode()
    assert "Notices (2)" in html
    client.post(f"{NOTICES}{Notice.objects.first().pk}/read/")
    assert "Notices (1)" in client.get("/accounts/me/").content.decode()


def test_the_page_shows_the_notice_with_its_way_and_looking_marks_nothing(client, reader, colleague):
    told(reader)
    told(colleague, text="R-2602 is ready.")
    client.force_login(reader)
    html = client.get(NOTICES).content.decode()
    assert 'href="/orders/R-2601/"' in html
    assert "Order ready" in html
    assert "R-2602" not in html
    assert unread_count(reader) == 1


def test_another_persons_notice_is_not_there(client, reader, colleague):
    told(reader)
    client.force_login(colleague)
    assert client.post(f"{NOTICES}{Notice.objects.get().pk}/read/").status_code == 404
    assert unread_count(reader) == 1


def test_marking_all_leaves_what_came_after_the_page_was_shown(client, reader):
    told(reader)
    shown = Notice.objects.latest("pk").pk
    told(reader, key="came later")
    client.force_login(reader)
    client.post(f"{NOTICES}read/", {"newest": shown})
    assert list(Notice.objects.filter(read_at=None).values_list("key", flat=True)) == ["came later"]
    assert mark_all_read(actor=reader, up_to=0) == 0
    client.post(f"{NOTICES}read/", {"newest": "9" * 40})
    assert unread_count(reader) == 1


def test_the_page_takes_the_same_queries_for_two_notices_and_for_forty(
    client, reader, django_assert_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client.force_login(reader)
    counts = []
    for number in range(40):
        told(reader, key=f"event {number}")
        if number in (1, 39):
            with CaptureQueriesContext(connection) as queries:
                client.get(NOTICES)
            counts.append(len(queries))
    assert counts[0] == counts[1]


# --- by mail -----------------------------------------------------------------------------------
def test_several_notices_of_one_person_make_one_mail_and_go_once(reader, colleague, settings):
    settings.SITE_URL = "https://prep.example"
    told(reader, colleague)
    told(reader, key="waits", kind=kinds.ORDER_WAITS, text="R-2602 waits.", path="/orders/R-2602/")
    assert mail.send_due() == 2
    assert mail.send_due() == 0
    (letter,) = outbox.outbox
    assert letter.to == ["rhea@mail.example"], "who has no address gets no mail"
    assert letter.subject == "Prepdesk: 2 notices: order ready, order waits"
    assert "https://prep.example/orders/R-2601/" in letter.body
    assert "R-2602 waits." in letter.body
    assert Notice.objects.filter(mailed_at=None).get().person == colleague


def test_a_line_break_in_a_text_begins_no_header(reader):
    told(reader, text="R-2601 is ready.\r\nBcc: everybody@mail.example\n")
    Notice.objects.update(text="R-2601 is ready.\r\nBcc: everybody@mail.example")
    assert mail.send_due() == 1
    letter = outbox.outbox[0].message()
    assert letter["Bcc"] is None
    assert letter["Subject"] == "Prepdesk: R-2601 is ready. Bcc: everybody@mail.example"


def test_only_what_a_person_chose_comes_by_mail(reader):
    choose_mail(actor=reader, email="rhea@mail.example", kinds=[kinds.RECALL])
    told(reader)
    told(reader, kind=kinds.RECALL, key="recall", text="L000017 is recalled.")
    assert mail.send_due() == 1
    assert "L000017" in outbox.outbox[0].subject
    assert unread_count(reader) == 2, "both stand on the page"


def test_handed_over_comes_by_mail_only_to_whoever_asks(reader):
    told(reader, kind=kinds.ORDER_HANDED_OVER)
    assert mail.send_due() == 0
    choose_mail(actor=reader, email=reader.email, kinds=[kinds.ORDER_HANDED_OVER])
    told(reader, kind=kinds.ORDER_HANDED_OVER, key="another event")
    assert mail.send_due() == 1


def test_without_a_mail_server_nothing_is_due(reader, settings):
    settings.MAIL_IS_ON = False
    told(reader)
    assert unread_count(reader) == 1
    assert not Notice.objects.filter(by_mail=True).exists()


def test_the_hint_goes_out_after_the_commit_only(
    reader, colleague, monkeypatch, django_capture_on_commit_callbacks
):
    hints = []
    monkeypatch.setattr(mail, "look_now", lambda: hints.append(1))
    with django_capture_on_commit_callbacks(execute=True):
        told(colleague)
        assert hints == []
    assert hints == [], "nobody to mail to"
    with django_capture_on_commit_callbacks(execute=True):
        told(reader, key="another event")
        assert hints == []
    assert hints == [1]


def smtp_at(port):
    return {
        "EMAIL_BACKEND": "django.core.mail.backends.smtp.EmailBackend",
        "EMAIL_HOST": "127.0.0.1",
        "EMAIL_PORT": port,
        "EMAIL_TIMEOUT": 1,
    }


def use(settings, **values):
    for name, value in values.items():
        setattr(settings, name, value)


class Postbox(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as a letter needs: greeting, envelope, data, quit."""

    def say(self, line):
        self.wfile.write(f"{line}\r\n".encode())

    def handle(self):
        self.say("220 here")
        while line := self.rfile.readline().decode().strip():
            word = line.split(":")[0].split(" ")[0].upper()
            if word == "DATA":
                self.say("354 go on")
                letter = []
                while (part := self.rfile.readline().decode().rstrip("\r\n")) != ".":
                    letter.append(part)
                self.server.letters.append("\n".join(letter))
                self.say("250 taken")
            elif word == "RCPT" and "refused" in line:
                self.say("550 no such person")
            elif word == "QUIT":
                self.say("221 bye")
                return
            else:
                self.say("250 ok")


@contextmanager
def postbox(port=0):
    with socketserver.ThreadingTCPServer(("127.0.0.1", port), Postbox) as server:
        server.daemon_threads = True
        server.letters = []
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield server
        server.shutdown()


def test_a_dead_mail_server_loses_nothing_and_a_later_look_sends_it(reader, settings, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    use(settings, **smtp_at(port))
    told(reader)
    assert mail.send_due() == 0
    assert Notice.objects.get().mailed_at is None
    with postbox() as server:
        settings.EMAIL_PORT = server.server_address[1]
        call_command("send_notices")
        assert "1 notice sent." in capsys.readouterr().out
        (letter,) = server.letters
    assert "To: rhea@mail.example" in letter
    assert "R-2601 is ready." in letter
    assert Notice.objects.get().mailed_at is not None


def test_one_refused_address_keeps_no_mail_of_the_others(reader, person, settings):
    other = person("refused", "instructor", email="refused@mail.example")
    with postbox() as server:
        use(settings, **smtp_at(server.server_address[1]))
        told(other, reader)
        assert mail.send_due() == 1
        assert mail.send_due() == 0, "the refused one is tried again later, not at once"
        assert len(server.letters) == 1
    Notice.objects.update(mail_tried_at=timezone.now() - mail.TRY_AGAIN_AFTER * 2)
    use(settings, EMAIL_BACKEND="django.core.mail.backends.locmem.EmailBackend")
    assert mail.send_due() == 1
    assert outbox.outbox[0].to == ["refused@mail.example"]


def test_what_another_sender_has_in_hand_is_left_to_it(reader):
    told(reader)
    Notice.objects.update(mail_tried_at=timezone.now())
    assert mail.send_due() == 0
    Notice.objects.update(mail_tried_at=timezone.now() - mail.TRY_AGAIN_AFTER * 2)
    assert mail.send_due() == 1


def test_old_news_is_not_mailed(reader):
    told(reader)
    Notice.objects.update(at=timezone.now() - mail.WORTH_SENDING_FOR * 2)
    assert mail.send_due() == 0


def test_a_mail_server_that_hangs_takes_no_time_of_the_request(monkeypatch):
    """The hint is given to a thread; without that the same look takes as long as the server does."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]

        def slow():
            with pytest.raises(OSError, match="timed out"):
                get_connection(host="127.0.0.1", port=port, timeout=0.5).open()

        backend = "django.core.mail.backends.smtp.EmailBackend"
        monkeypatch.setattr("django.conf.settings.EMAIL_BACKEND", backend)
        done = threading.Event()
        monkeypatch.setattr(mail, "_look", lambda: (slow(), done.set()))
        began = time.monotonic()
        mail.look_now()
        assert time.monotonic() - began < 0.2
        assert done.wait(timeout=10)
        assert time.monotonic() - began >= 0.5


def test_a_broker_that_is_down_leaves_the_mail_to_this_process(reader, settings, monkeypatch):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    monkeypatch.setattr(mail.connection, "close", lambda: None)
    monkeypatch.setattr(
        "prepdesk.accounts.tasks.send_notices.apply_async",
        lambda **how: (_ for _ in ()).throw(ConnectionError("refused")),
    )
    told(reader)
    mail._look()
    assert len(outbox.outbox) == 1


def test_the_worker_sends_what_is_due(reader):
    from prepdesk.accounts.tasks import send_notices

    told(reader)
    send_notices.apply()
    assert len(outbox.outbox) == 1


# --- the choice --------------------------------------------------------------------------------
def test_the_choice_is_kept_and_shown(client, reader):
    client.force_login(reader)
    html = client.get("/accounts/me/").content.decode()
    assert html.count('name="kinds"') == len([k for k in kinds.KINDS.values() if "instructor" in k.roles])
    answer = client.post("/accounts/me/mail/", {"email": "rhea@other.example", "kinds": ["recall"]})
    assert answer.status_code == 302
    reader.refresh_from_db()
    assert (reader.email, reader.mail_choices["recall"], reader.mail_choices["order_ready"]) == (
        "rhea@other.example",
        True,
        False,
    )
    html = client.get("/accounts/me/").content.decode()
    assert html.count("checked") == 1


def test_a_wrong_address_is_said_beside_the_field_and_on_top_and_stays(client, reader):
    client.force_login(reader)
    answer = client.post("/accounts/me/mail/", {"email": "rhea at home", "kinds": ["recall"]})
    html = answer.content.decode()
    assert answer.status_code == 422
    assert html.count("That is no mail address") == 2
    assert 'value="rhea at home"' in html
    assert "<title>Error:" in html
    reader.refresh_from_db()
    assert reader.email == "rhea@mail.example"


def test_a_kind_nobody_offered_can_not_be_chosen(client, prep):
    client.force_login(prep)
    assert client.post("/accounts/me/mail/", {"kinds": ["order_ready"]}).status_code == 422
