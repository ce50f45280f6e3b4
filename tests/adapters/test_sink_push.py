"""Alerts through apprise to real HTTP servers: its notifier ``json`` posts what other services are told in theirs."""

from __future__ import annotations

import base64
import json
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError

from adapters.sinks.push import PushSettings, PushSink
from scanner.ports import DeliveryError, DeliveryRefusedError, Message, Notes, PartlyDeliveredError
from scanner.present.words.words import alert
from scanner.wording.cautions import SHORT
from tests.adapters.samples import HOSTILE_NAMES, LINE, RECORD, setup_event, station_event, withdrawn_event
from tests.adapters.servers import Request, Response, http_server
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from tests.adapters.servers import HttpServer

# The library looks for a module that Python is about to lose.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


def sink_to(*servers: HttpServer, timeout: float = 10) -> PushSink:
    urls = [server.url.replace("http://", "json://loft:token@") + "/alerts" for server in servers]
    return PushSink(PushSettings.model_validate({"urls": urls, "timeout": timeout, "zone": "Europe/Berlin"}))


def pushed(server: HttpServer) -> list[Any]:
    return [json.loads(request.body) for request in server.requests]


async def test_an_alert_arrives_with_its_chart() -> None:
    with http_server() as server:
        sink = sink_to(server)
        await sink.start()
        await sink.deliver([Message(setup_event(), picture=PNG, notes=Notes(record=RECORD))])
        await sink.deliver([Message(withdrawn_event(setup_event()))])
        await sink.stop()
    first, second = pushed(server)
    words = alert(Message(setup_event()), "Europe/Berlin", None)
    assert first["title"] == "HARBOUR 15m long: doji pause at a trend line"
    assert first["message"] == f"HARBOUR 15m long: {LINE}\n{words.brief()}\n{RECORD}\n{SHORT}"
    (chart,) = first["attachments"]
    assert (chart["filename"], chart["mimetype"]) == ("chart1.png", "image/png")
    assert base64.b64decode(chart["base64"]) == PNG
    assert (first["type"], second["type"]) == ("info", "warning")
    assert second["attachments"] == []


async def test_a_digest_drops_nothing() -> None:
    messages = [Message(setup_event(f"NO{number}"), picture=PNG) for number in range(700)]
    with http_server() as server:
        await sink_to(server).deliver(messages)
    parts = pushed(server)
    assert len(parts) > 1
    whole = " ".join(part["message"] for part in parts)
    assert all(f"NO{number} 15m long" in whole for number in range(700))
    assert sum(len(part["attachments"]) for part in parts) == 4


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
async def test_any_name_arrives_as_it_is_shown_elsewhere(name: str) -> None:
    messages = [Message(event) for event in one_of_each(name, reason=name).values()]
    with http_server() as server:
        sink = sink_to(server)
        for message in messages:
            await sink.deliver([message])
    for part, message in zip(pushed(server), messages, strict=True):
        words = alert(message, "Europe/Berlin", None)
        title, text = words.notification()
        assert part["title"].split() == title.split()
        assert part["message"].split() == text.split()
    assert {request.path for request in server.requests} == {"/alerts"}


async def test_a_recipient_who_has_it_does_not_get_it_twice() -> None:
    answers = [503, 503, 200, 200]

    def grudging(_: Request) -> Response:
        return Response(answers.pop(0))

    with http_server() as good, http_server(grudging) as bad:
        sink = sink_to(good, bad)
        for _ in range(2):
            with pytest.raises(
                PartlyDeliveredError, match=r"Of 2 push services, these did not accept the alert: 2 \("
            ) as caught:
                await sink.deliver([Message(setup_event())])
            assert not isinstance(caught.value, DeliveryRefusedError)
            assert "token" not in str(caught.value)
        await sink.deliver([Message(setup_event())])
        await sink.deliver([Message(station_event())])
    assert [part["title"][:7] for part in pushed(good)] == ["HARBOUR", "loft is"]
    assert len(bad.requests) == 4


async def test_a_digest_that_is_split_after_failures_reaches_each_service_once() -> None:
    one, two, three = (Message(setup_event(name)) for name in ("GANNET", "FULMAR", "HARBOUR"))
    answers = [503, 503, 200, 200, 200]

    def grudging(_: Request) -> Response:
        return Response(answers.pop(0))

    with http_server() as good, http_server(grudging) as bad:
        sink = sink_to(good, bad)
        for batch in ([one, two], [one]):
            with pytest.raises(PartlyDeliveredError, match=r"did not accept the alert: 2 \("):
                await sink.deliver(batch)
        for batch in ([one], [two], [three]):
            await sink.deliver(batch)
    assert [part["title"].split()[0] for part in pushed(good)] == ["2", "HARBOUR"]
    assert [part["title"].split()[0] for part in pushed(bad)] == ["2", "GANNET", "GANNET", "FULMAR", "HARBOUR"]


async def test_a_service_that_does_not_answer_is_given_up_in_time() -> None:
    release = threading.Event()

    def silent(_: Request) -> Response:
        release.wait(10)
        return Response()

    with http_server(silent) as server:
        with pytest.raises(DeliveryError, match=r"did not accept the alert: 1 \("):
            await sink_to(server, timeout=0.2).deliver([Message(setup_event())])
        release.set()


async def test_an_address_that_apprise_does_not_know_is_reported_without_it() -> None:
    settings = PushSettings.model_validate({"urls": ["json://127.0.0.1", "nonsense://secret-token@host", "secret"]})
    with pytest.raises(DeliveryError, match="Of 3 push services, apprise does not know these: 2, 3;") as caught:
        await PushSink(settings).start()
    assert "secret" not in str(caught.value) + repr(settings)


def test_a_sink_needs_a_service() -> None:
    with pytest.raises(ValidationError):
        PushSettings.model_validate({"urls": []})


PROGRAM = """
import asyncio, sys
sys.modules["apprise"] = None  # so that importing it fails, as where it is not installed
from adapters.sinks.push import PushSettings, PushSink
from scanner.ports import DeliveryError
try:
    asyncio.run(PushSink(PushSettings.model_validate({"urls": ["json://127.0.0.1"]})).start())
except DeliveryError as error:
    print(error)
"""


def test_without_the_library_there_is_one_sentence() -> None:
    house = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", PROGRAM], cwd=house, capture_output=True, text=True, check=True)
    assert done.stdout == "Push needs the library apprise, which is not installed; install closewatch[push]\n"
    assert not done.stderr
