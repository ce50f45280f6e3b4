"""Letters to a real mail server: encrypted, logged in, safe for any name, and what its refusals mean."""

from __future__ import annotations

import asyncio
import base64
import re
from datetime import UTC, datetime
from email.header import decode_header, make_header
from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError

from adapters.sinks.email.letter import subject
from adapters.sinks.email.settings import EmailSettings
from adapters.sinks.email.sink import EmailSink
from scanner.ports import DeliveryError, DeliveryRefusedError, Message, Notes, PartlyDeliveredError
from scanner.wording.cautions import SHORT
from tests.adapters.certificates import make_certificates
from tests.adapters.mail_server import HOST, PASSWORD, USER, mail_server
from tests.adapters.samples import (
    HOSTILE_NAMES,
    LINE,
    RECORD,
    forming_event,
    setup_event,
    station_event,
    withdrawn_event,
)
from tests.adapters.servers import free_port
from tests.adapters.story_samples import story_event, story_of
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from collections.abc import Callable
    from email.message import EmailMessage

    from tests.adapters.certificates import Certificates
    from tests.adapters.mail_server import MailServer

NOW = 1_772_467_205.0
OTHER_PASSWORD = PASSWORD.replace("correct", "wrong")
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8
FIRST, SECOND = "first@reader.example", "second@reader.example"
HEADERS = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type"}


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


def sink_to(server: MailServer, certificates: Certificates, **changes: Any) -> EmailSink:  # noqa: ANN401 - any setting
    settings = {
        "host": HOST,
        "port": server.port,
        "ca_file": certificates.authority,
        "user": USER,
        "password": PASSWORD,
        "sender": "Loft <alerts@loft.example>",
        "to": [FIRST],
        "zone": "Europe/Berlin",
        "timeout": 5,
    }
    return EmailSink(
        EmailSettings.model_validate(settings | changes),
        exchange_zones={"HARBOUR": "America/New_York"},
        clock=lambda: NOW,
    )


def part(mail: EmailMessage, kind: str) -> Any:  # noqa: ANN401 - text or bytes, by kind
    (found,) = (each for each in mail.walk() if each.get_content_type() == kind)
    return found.get_content()


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_letter_arrives_whole(certificates: Certificates, security: str) -> None:
    async with mail_server(certificates, tls=security == "tls") as server:
        sink, event = sink_to(server, certificates, security=security, to=[FIRST, f"Second <{SECOND}>"]), setup_event()
        await sink.start()
        await sink.deliver([Message(event, picture=PNG, notes=Notes(record=RECORD))])
        await sink.stop()
    (letter,) = server.letters
    assert (letter.sender, letter.recipients) == ("alerts@loft.example", [FIRST, SECOND])
    mail = letter.mail
    assert set(mail.keys()) == HEADERS
    assert mail["From"] == "Loft <alerts@loft.example>"
    assert mail["To"] == f"{FIRST}, Second <{SECOND}>"
    assert mail["Subject"] == "HARBOUR 15m long, size 833, room 2.38 R: doji pause, 2 Mar 17:00"
    assert mail["Date"].datetime == datetime.fromtimestamp(NOW, UTC)
    assert mail["Message-ID"] == f"<{event.id}@loft.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    text, page = part(mail, "text/plain").replace("\r\n", "\n"), part(mail, "text/html")
    first, second = text.split("\n\n")[:2]
    assert first == f"{LINE[0].upper()}{LINE[1:]}"
    assert second.startswith("Doji pause at a trend line 99.85 (also a level 99.90). Bar closed")
    assert "Mon 2 Mar 2026 17:00 Berlin (11:00 New York)" in text
    assert f"\n\n{RECORD}\n\n{SHORT}\n\nWhy, rule by rule\n" in text
    assert RECORD in page
    assert "not advice" in page
    (picture,) = (each for each in mail.walk() if each.get_content_type() == "image/png")
    assert picture.get_content() == PNG
    assert picture.get_content_disposition() == "inline"
    assert f'src="cid:{picture["Content-ID"].strip("<>")}"' in page
    assert all(len(line) <= 998 for line in letter.content.splitlines())


async def test_later_events_of_a_setup_answer_the_first_email(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        sink, setup = sink_to(server, certificates), setup_event()
        for event in (setup, withdrawn_event(setup), station_event()):
            await sink.deliver([Message(event)])
    first, later, other = (letter.mail for letter in server.letters)
    assert "References" not in first
    assert later["References"] == later["In-Reply-To"] == first["Message-ID"]
    assert later["Message-ID"] != first["Message-ID"]
    assert "References" not in other


async def test_an_announcement_is_in_the_conversation_of_its_setup(certificates: Certificates) -> None:
    setup = setup_event()
    unknown = forming_event(setup)
    unknown.data["becomes"] = None
    async with mail_server(certificates) as server:
        sink = sink_to(server, certificates)
        for batch in ([forming_event(setup)], [setup], [forming_event(setup), setup], [unknown]):
            await sink.deliver([Message(event) for event in batch])
    ahead, found, both, alone = (letter.mail for letter in server.letters)
    # A mail program makes one conversation of emails that refer to the same one, even before it has come (RFC 5256).
    assert ahead["References"] == ahead["In-Reply-To"] == found["Message-ID"] == both["References"]
    assert ahead["Message-ID"] != found["Message-ID"]
    assert "References" not in found
    assert "References" not in alone


async def test_the_letters_of_a_story_are_one_conversation_and_each_begins_with_its_news(
    certificates: Certificates,
) -> None:
    story, other = story_of(setup_event()), setup_event("GANNET")
    async with mail_server(certificates) as server:
        sink = sink_to(server, certificates)
        for event in (*story[:3], other, story_event("setup.lapsed", other), *story[3:], withdrawn_event(other)):
            begun = next(each for each in (story[0], other) if each.id == event.thread)
            await sink.deliver([Message(event, notes=Notes(setup=begun.data))])
    mails = [letter.mail for letter in server.letters]
    threads: dict[str, list[str]] = {}
    subjects: dict[str, set[str]] = {}
    for mail in mails:
        # Mail programs put a letter below the one that it answers (RFC 5256, REFERENCES), some only under one subject.
        assert mail["In-Reply-To"] == mail["References"]
        assert str(mail["Subject"]).startswith("Re: ") == ("References" in mail)
        root = mail["References"] or mail["Message-ID"]
        threads.setdefault(root, []).append(part(mail, "text/plain").splitlines()[0])
        subjects.setdefault(root, set()).add(str(mail["Subject"]).removeprefix("Re: "))
    first, second = f"<{story[0].id}@loft.example>", f"<{other.id}@loft.example>"
    assert subjects == {
        first: {"HARBOUR 15m long, size 833, room 2.38 R: doji pause, 2 Mar 17:00"},
        second: {"GANNET 15m long, size 833, room 2.38 R: doji pause, 2 Mar 17:00"},
    }
    assert threads == {
        first: [
            f"{LINE[0].upper()}{LINE[1:]}",
            "Entered at 101.40, stop 100.15, size 833, R 1.25",
            "Move the stop: sell stop 100.90, was 100.15, size 833; now +0.72 R, −0.40 R at the stop",
            "Pressure 1 of 2, a drive bar against it; now +0.64 R, stop 100.90, size 833",
            "Exit signal: sell at the next open, size 833; now +1.16 R",
            "Closed +1.12 R, +1166.20 EUR before costs: left at 102.80 on pressure",
        ],
        second: [
            f"{LINE[0].upper()}{LINE[1:]}",
            "Lapsed: cancel the buy stop 101.35; no entry within 3 bars",
            "Withdrawn: it no longer holds",
        ],
    }
    assert len({mail["Message-ID"] for mail in mails}) == len(mails)
    assert "Orders now: sell at the next open." in part(mails[-3], "text/html")


async def test_a_digest_of_one_story_answers_its_first_letter(certificates: Certificates) -> None:
    story, other = story_of(setup_event()), story_event("setup.entered", setup_event("GANNET"))
    async with mail_server(certificates) as server:
        sink = sink_to(server, certificates)
        for batch in (story[1:3], story, [*story[3:], other], [story[3], station_event()]):
            await sink.deliver([Message(event, notes=Notes(setup=story[0].data)) for event in batch])
    first = f"<{story[0].id}@loft.example>"
    assert [letter.mail["References"] for letter in server.letters] == [first, first, None, None]
    stem = "HARBOUR 15m long, size 833, room 2.38 R: doji pause, 2 Mar 17:00"
    assert [letter.mail["Subject"] for letter in server.letters[:2]] == [f"Re: {stem}"] * 2


async def test_the_same_letter_has_the_same_id_when_it_is_sent_again(certificates: Certificates) -> None:
    messages = [Message(setup_event()), Message(setup_event("GANNET"))]
    async with mail_server(certificates) as server:
        for batch in (messages[:1], messages[:1], messages, messages):
            await sink_to(server, certificates).deliver(batch)
    ids = [letter.mail["Message-ID"] for letter in server.letters]
    assert ids[0] == ids[1] != ids[2] == ids[3]


async def test_a_digest_is_one_letter_with_its_charts(certificates: Certificates) -> None:
    messages = [Message(setup_event(f"NO{number}"), picture=PNG, late=number == 2) for number in range(15)]
    messages[1] = Message(station_event())
    async with mail_server(certificates) as server:
        await sink_to(server, certificates).deliver(messages)
    (letter,) = server.letters
    assert letter.mail["Subject"] == "15 alerts: 14 setups, 1 summary"
    charts = [each for each in letter.mail.walk() if each.get_content_type() == "image/png"]
    assert len(charts) == 12
    page, text = part(letter.mail, "text/html"), part(letter.mail, "text/plain")
    assert page.count("<img") == 12
    assert all(f"NO{number} 15m long" in text for number in (0, *range(2, 15)))
    assert "Too late to act: NO2 15m long" in text


ENCODED = {
    "encoded word": "=?utf-8?q?=0D=0ABcc:_spy=40example.org?=",
    "encoded base64": "=?utf-8?b?DQpCY2M6IHNweUBleGFtcGxlLm9yZw==?=",
    "nested": "=?utf-8?q?=3D=3Futf-8=3Fq=3F=0ABcc=3A=3F=3D?=",
    "split": "=?utf-8?q?a?= =?utf-8?q?=0ABcc:?=",
    "vertical tab": "A\v\f\x1c\x85Bcc: spy@example.org",
    "long of wide letters": "☃" * 10_240,
}


@pytest.mark.parametrize("name", (HOSTILE_NAMES | ENCODED).values(), ids=HOSTILE_NAMES | ENCODED)
async def test_no_name_adds_a_header_or_a_part(certificates: Certificates, name: str) -> None:
    events = list(one_of_each(name, reason=name).values())
    async with mail_server(certificates) as server:
        sink = sink_to(server, certificates)
        for event in events:
            await sink.deliver([Message(event)])
        await sink.deliver([Message(events[0], late=True)])
        await sink.deliver([Message(event) for event in events])
    assert len(server.letters) == len(events) + 2
    for letter in server.letters:
        mail = letter.mail
        assert letter.recipients == [FIRST]
        assert set(mail.keys()) - {"References", "In-Reply-To"} == HEADERS
        assert [each.get_content_type() for each in mail.walk()] == ["multipart/alternative", "text/plain", "text/html"]
        assert not mail.defects
        subject = str(mail["Subject"])
        assert len(subject) <= 110
        assert subject.isprintable() or "\u200e" in subject
        begin = part(mail, "text/plain").splitlines()[0]
        assert begin.isprintable() or "\u200e" in begin
        assert "<script>" not in part(mail, "text/html")


@pytest.mark.parametrize("headline", ["HARBOUR 15m long", ENCODED["encoded word"], ENCODED["split"], "Île 15m long"])
def test_a_subject_reads_as_it_was_written_and_is_encoded_only_if_it_must_be(headline: str) -> None:
    written = subject(headline)
    assert str(make_header(decode_header(written))) == headline
    assert (written == headline) == (headline == "HARBOUR 15m long")


async def test_no_now_and_yes_later(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        server.to_data = ["451 4.3.0 later, please"]
        sink = sink_to(server, certificates)
        with pytest.raises(DeliveryError, match=r"does not accept the email: 451 4\.3\.0 \[19 bytes, sha256") as caught:
            await sink.deliver([Message(setup_event())])
        assert type(caught.value) is DeliveryError
        assert not server.letters
        await sink.deliver([Message(setup_event())])
        assert len(server.letters) == 1


@pytest.mark.parametrize(
    ("which", "answer", "final"),
    [
        ("to_data", "554 5.6.1 no charts here", True),
        ("to_data", "552 5.3.4 too big", True),
        ("to_data", "552 5.2.3 too big for the mailbox", True),
        ("to_data", "550 5.7.1 not wanted here", False),
        ("to_data", "552 5.2.2 mailbox full", False),
        ("to_data", "554 no", False),
        ("to_data", "452 4.3.1 no room", False),
        ("to_data", "530 5.7.0 log in first", False),
        ("to_sender", "552 5.3.4 too big", True),
        ("to_sender", "550 5.1.8 who are you?", False),
        ("to_sender", "451 4.7.1 come again", False),
        ("to_sender", "421 4.7.0 closing", False),
        ("to_login", "454 4.7.0 no login for the moment", False),
        ("to_login", "535 5.7.8 wrong", False),
    ],
)
async def test_what_an_answer_means(certificates: Certificates, which: str, answer: str, final: bool) -> None:
    async with mail_server(certificates) as server:
        setattr(server, which, [answer] * 3)  # as many as there are ways to log in
        with pytest.raises(DeliveryError, match=answer[:3]) as caught:
            await sink_to(server, certificates).deliver([Message(setup_event())])
        assert isinstance(caught.value, DeliveryRefusedError) == final
        assert "\n" not in str(caught.value)
        assert PASSWORD not in str(caught.value)


async def test_a_letter_is_tried_again_only_for_those_who_have_it_not(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        server.to_recipient = {SECOND: ["450 4.2.1 come again"] * 2}
        sink = sink_to(server, certificates, to=[FIRST, SECOND])
        for _ in range(2):
            with pytest.raises(PartlyDeliveredError, match=rf"for 1 of 2: {SECOND}: 450"):
                await sink.deliver([Message(setup_event())])
        server.to_data = ["451 not now"]
        with pytest.raises(DeliveryError, match="451"):
            await sink.deliver([Message(setup_event())])
        await sink.deliver([Message(setup_event())])
        await sink.deliver([Message(setup_event("GANNET"))])
    assert [letter.recipients for letter in server.letters] == [[FIRST], [SECOND], [FIRST, SECOND]]


@pytest.mark.parametrize("answer", ["450 4.2.1 come again", "550 5.1.1 nobody"])
async def test_a_digest_that_is_split_after_failures_reaches_each_recipient_once(
    certificates: Certificates, answer: str
) -> None:
    one, two = Message(setup_event()), Message(setup_event("GANNET"))
    async with mail_server(certificates) as server:
        server.to_recipient = {SECOND: [answer]}
        sink = sink_to(server, certificates, to=[FIRST, SECOND])
        with pytest.raises(DeliveryError, match=rf"for 1 of 2: {SECOND}: {answer[:3]}"):
            await sink.deliver([one, two])
        for batch in ([one], [two], [one]):
            await sink.deliver(batch)
    assert [letter.recipients for letter in server.letters] == [[FIRST], [SECOND], [SECOND], [FIRST, SECOND]]


@pytest.mark.parametrize(
    ("other", "final"),
    [(None, True), ("550 5.1.1 nobody", False), ("450 come again", False), ("530 5.7.0 log in first", False)],
)
async def test_a_recipient_who_does_not_exist_is_given_up_only_where_others_have_the_letter(
    certificates: Certificates, other: str | None, *, final: bool
) -> None:
    async with mail_server(certificates) as server:
        server.to_recipient = {FIRST: ["550 5.1.1 nobody"], SECOND: [other] if other else []}
        sink = sink_to(server, certificates, to=[FIRST, SECOND])
        with pytest.raises(DeliveryError, match=rf"for {2 if other else 1} of 2: {FIRST}: 550 5\.1\.1 \[") as caught:
            await sink.deliver([Message(setup_event())])
        assert isinstance(caught.value, DeliveryRefusedError) == final
        assert [letter.recipients for letter in server.letters] == ([] if other else [[SECOND]])


@pytest.mark.parametrize("which", ["to_login", "to_sender", "to_data"])
@pytest.mark.parametrize(
    "way",
    [str, lambda text: text[::-1], lambda text: base64.b64encode(text.encode()).decode(), " ".join],
    ids=["as it is", "reversed", "in Base64", "apart"],
)
async def test_a_password_that_the_server_repeats_is_not_shown(
    certificates: Certificates, way: Callable[[str], str], which: str
) -> None:
    async with mail_server(certificates) as server:
        setattr(server, which, [f"535 5.7.8 what is {way(PASSWORD)}?"] * 3)
        with pytest.raises(DeliveryError, match=r"535 5\.7\.8 \[\d+ bytes, sha256 [0-9a-f]{4}…\]") as caught:
            await sink_to(server, certificates).deliver([Message(setup_event())])
        assert way(PASSWORD)[:6] not in str(caught.value)
        if which == "to_login":
            setattr(server, which, [f"535 5.7.8 what is {way(PASSWORD)}?"] * 3)
            with pytest.raises(DeliveryError, match=re.escape(way(PASSWORD)[:6])):
                await EmailSink(sink_to(server, certificates)._settings, show_body=True).start()


async def test_a_wrong_password_is_reported_without_it(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        with pytest.raises(
            DeliveryError, match=r"does not accept the login of loft \(535 .*\); check the user and the"
        ) as caught:
            await sink_to(server, certificates, password=OTHER_PASSWORD).start()
    assert "horse" not in str(caught.value)
    assert "horse" not in repr(sink_to(server, certificates)._settings)


async def test_a_stranger_s_certificate_is_not_trusted(certificates: Certificates) -> None:
    for tls in (False, True):
        async with mail_server(certificates, tls=tls) as server:
            security = "tls" if tls else "starttls"
            with pytest.raises(DeliveryError, match=r"not trusted: .*; if the authority is your own, give its ca_file"):
                await sink_to(server, certificates, security=security, ca_file=None).start()
            assert server.logins == 0


async def test_a_server_that_does_not_encrypt_gets_nothing(certificates: Certificates) -> None:
    async with mail_server(certificates, starttls=False) as server:
        with pytest.raises(DeliveryError, match="STARTTLS extension not supported"):
            await sink_to(server, certificates).deliver([Message(setup_event())])
        assert (server.logins, server.letters) == (0, [])


async def test_a_server_that_is_away_or_silent_and_a_cancelled_delivery(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        with pytest.raises(DeliveryError, match=r"127\.0\.0\.1:\d+ cannot be reached or broke the connection"):
            await sink_to(server, certificates, port=free_port()).start()
        server.hanging = asyncio.Event()
        with pytest.raises(DeliveryError, match=r"cannot be reached or broke the connection: Timed out"):
            await sink_to(server, certificates, timeout=0.2).deliver([Message(setup_event())])
        server.hanging.clear()
        delivery = asyncio.create_task(sink_to(server, certificates).deliver([Message(setup_event())]))
        await server.hanging.wait()
        delivery.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(delivery, 1)


async def test_a_file_of_authorities_that_cannot_be_read(certificates: Certificates) -> None:
    async with mail_server(certificates) as server:
        with pytest.raises(DeliveryError, match=r"Cannot read certificates from .*nowhere\.pem: No such file"):
            await sink_to(server, certificates, ca_file=certificates.authority.with_name("nowhere.pem")).start()
        with pytest.raises(DeliveryError, match=r"Cannot read certificates from .*server\.key"):
            await sink_to(server, certificates, ca_file=certificates.server_key).start()


@pytest.mark.parametrize(
    "wrong",
    [
        {"sender": "nobody"},
        {"sender": "a@b.example\r\nBcc: spy@example.org"},
        {"sender": "a@b.example, c@d.example"},
        {"to": []},
        {"to": ["a@b.example\0"]},
        {"host": "mail.example\r\nQUIT"},
        {"password": None},
        {"zone": "Mars/Olympus"},
        {"unknown": 1},
    ],
)
def test_settings_that_cannot_be(wrong: dict[str, Any]) -> None:
    good = {"host": "mail.example", "user": "loft", "password": "x", "sender": "a@b.example", "to": ["c@d.example"]}
    EmailSettings.model_validate(good)
    with pytest.raises(ValidationError):
        EmailSettings.model_validate(good | wrong)
