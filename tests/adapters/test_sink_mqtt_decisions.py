"""Decisions heard over MQTT, with real brokers and a real store: kept once, answered, and never from an open broker."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from adapters.sinks.mqtt.decisions import MOST_WAITING
from scanner.commands.journal.decide_by_message import DecisionsByMessage
from scanner.configuration.model.settings import load
from scanner.ports import Message
from scanner.present.contract.decision_message import LARGEST, message_schema
from scanner.service.trying.connect import try_all
from scanner.store import Batch, Said, Store
from scanner.store.upkeep.check import check
from tests.adapters.certificates import make_certificates
from tests.adapters.mqtt_tools import ROOT, SECONDS, USERS, VERSIONS, running, sink_for
from tests.adapters.samples import BAR_CLOSE
from tests.adapters.servers import HOST, mosquitto, mosquitto_tls, mosquitto_users
from tests.effort import EFFORT
from tests.journal.samples import HOUR, closed, found

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

    from adapters.sinks.mqtt.sink import MqttSink
    from tests.adapters.certificates import Certificates

DECIDE, DECIDED = f"{ROOT}/decide", f"{ROOT}/decided"
(USER, PASSWORD), *_ = USERS.items()
LOGIN: dict[str, Any] = {"user": USER, "password": PASSWORD, "decisions": True}
GANNET, ENDED = found(), found("SKUA")
TERNS = [found("TERN/A", at=BAR_CLOSE + hours * HOUR) for hours in range(2)]
ABOUT = f"GANNET 1h doji pause long of Mon 2 Mar 2026 16:00 UTC ({GANNET.id[:8]})"
OWN = {"price": "101.40", "size": "800", "note": "at the open"}
TAKE: dict[str, Any] = {"decision": "take", "id": "GANNET", "key": "k-1"} | OWN


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Keep one setup of GANNET, two of TERN/A, and one that has ended."""
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as opened:
        events = [GANNET, *TERNS, ENDED, closed(ENDED, 5, "100.15", "stopped")]
        opened.commit(Batch(said=[Said(event) for event in events]))
        yield opened
        assert check(opened) == []


Troubles = asyncio.Queue[str]


def decider(store: Store, troubles: Troubles | None = None) -> DecisionsByMessage:
    return DecisionsByMessage(store, "UTC", (troubles or Troubles()).put_nowait)


def hearing(store: Store, port: int, troubles: Troubles | None = None, **more: Any) -> MqttSink:  # noqa: ANN401 - as in a file
    sink = sink_for(port, **(LOGIN | more))
    sink.hear(decider(store, troubles))
    return sink


@asynccontextmanager
async def client(port: int, version: str = "5.0") -> AsyncIterator[aiomqtt.Client]:
    """Connect as the user does, and listen to the answers."""
    protocol = aiomqtt.ProtocolVersion.V5 if version == "5.0" else aiomqtt.ProtocolVersion.V311
    async with aiomqtt.Client(HOST, port, username=USER, password=PASSWORD, protocol=protocol) as connected:
        await connected.subscribe(DECIDED, qos=1)
        yield connected


async def answer(client: aiomqtt.Client) -> dict[str, Any]:
    async with asyncio.timeout(SECONDS):
        message = await anext(aiter(client.messages))
    assert isinstance(message.payload, bytes)
    assert not message.retain
    told: dict[str, Any] = json.loads(message.payload)
    return told


async def asked(client: aiomqtt.Client, message: object, **options: Any) -> dict[str, Any]:  # noqa: ANN401 - aiomqtt's
    await client.publish(DECIDE, message if isinstance(message, bytes) else json.dumps(message), qos=1, **options)
    return await answer(client)


async def until_heard(client: aiomqtt.Client) -> None:
    """Ask until there is an answer: a sink that starts hears a moment later."""
    async with asyncio.timeout(SECONDS):
        while True:
            await client.publish(DECIDE, b"?", qos=1)
            try:
                async with asyncio.timeout(0.2):
                    await answer(client)
            except TimeoutError:
                continue
            return


def kept(store: Store) -> list[tuple[str, str, str, str]]:
    return [(each.kind, str(each.price), str(each.size), each.text) for each in store.decisions.all()]


@VERSIONS
async def test_a_decision_is_kept_and_answered_in_the_words_of_the_command_line(
    store: Store, tmp_path: Path, version: str
) -> None:
    with mosquitto(tmp_path, mosquitto_users(tmp_path, USERS)) as broker:
        async with running(hearing(store, broker.port, version=version)), client(broker.port, version) as user:
            await until_heard(user)
            first = {"kept": True, "said": f"Taken at 101.40, size 800: {ABOUT}.", "thread": GANNET.thread}
            assert await asked(user, TAKE) == first | {"key": "k-1"}
            again = await asked(user, TAKE)
            assert (again["kept"], again["key"]) == (False, "k-1")
            assert again["said"].endswith("it was taken already; to add something, keep a note")
            note = {"decision": "note", "id": GANNET.id[:4], "note": "slow fill"}
            assert (await asked(user, note))["kept"]
            assert (await asked(user, note))["said"].endswith("this note exists already, word for word")
            left = await asked(user, {"decision": "leave", "id": "GANNET", "price": "102.1"})
            assert left["said"] == f"Left at 102.1: {ABOUT}. Against the rules: left before an exit signal."
            assert (await asked(user, {"decision": "pass", "id": TERNS[1].id, "why": "thin"}))["kept"]
    assert kept(store) == [
        ("take", "101.40", "800", "at the open"),
        ("note", "None", "None", "slow fill"),
        ("leave", "102.1", "None", ""),
        ("pass", "None", "None", "thin"),
    ]


NO_OBJECT = 'this is not a JSON object such as {"decision": "pass", "id": "3f2a"}'
REFUSED: dict[str, tuple[bytes | dict[str, Any], str]] = {
    "no JSON": (b'{"decision": ', "this cannot be read; write a JSON object in UTF-8"),
    "no UTF-8": (b"\xff\xfe", "this cannot be read; write a JSON object in UTF-8"),
    "too deep": (b"[" * 9_000, "this cannot be read; write a JSON object in UTF-8"),
    "too large": (b'"' + b"n" * LARGEST + b'"', "a message has 16,384 bytes at most"),
    "no object": (b"[1]", NO_OBJECT),
    "nothing": (b"null", NO_OBJECT),
    "no decision": ({"id": "GANNET"}, "decision is one of take, pass, leave, note"),
    "an unknown decision": (TAKE | {"decision": "buy"}, "decision is one of take, pass, leave, note"),
    "a decision that is a list": (TAKE | {"decision": ["take"]}, "decision is one of take, pass, leave, note"),
    "an unknown field": (TAKE | {"prise": "1"}, "prise is not known with the decision take, which has decision, id, "),
    "a field of another": ({"decision": "note", "id": "GANNET", "note": "n", "price": "1"}, "price is not known with"),
    "a price that is a number": (TAKE | {"price": 101.4}, 'price must be text, in quotes such as "101.40"'),
    "an id that is a number": (TAKE | {"id": 3}, 'id must be text, in quotes such as "101.40"'),
    "no id": ({"decision": "take"}, "id is missing; name the setup by its instrument or the first letters of its id"),
    "an endless key": (TAKE | {"key": "k" * 101}, "key has 100 characters at most"),
    "a price with a comma": (TAKE | {"price": "101,40"}, "price 101,40: write a number such as 101.40"),
    "no price": (TAKE | {"price": "NaN"}, "price NaN: write a number such as 101.40"),
    "a price of 16 digits": (TAKE | {"price": "101.4000000000001"}, "101.4000000000001: a number has at most 15 digit"),
    "a price that is a slip": (TAKE | {"price": "1014"}, "price 1014: that is 761 R from the planned entry"),
    "a size of nothing": (TAKE | {"size": "0"}, "size 0: a size must be above 0, for shorts too"),
    "a size beyond bounds": (TAKE | {"size": "1e16"}, "size 1e16: write a number such as 101.40"),
    "an empty note": ({"decision": "note", "id": "GANNET"}, "the note is empty; write its text"),
    "a note without end": ({"decision": "note", "id": "GANNET", "note": "n" * 2_001}, "the text has 2,001 characters"),
    "a note that is half a sign": (b'{"decision": "note", "id": "GANNET", "note": "\\ud800"}', "<D800>: this text is"),
    "an unknown id": (TAKE | {"id": "0123"}, "0123: no setup has this id or instrument; `closewatch jo"),
    "an instrument with several": (TAKE | {"id": "TERN/A"}, "TERN/A has several open setups: name one by the first "),
    "an ended story": (TAKE | {"id": "SKUA"}, "SKUA has no open setup: name one by the first letters of its id, such"),
    "an ended story by id": (TAKE | {"id": ENDED.id}, "its story has ended; only a note can be added"),
    "nothing to leave": ({"decision": "leave", "id": "GANNET"}, "it was not taken, so there is nothing to leave"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_decided_is_one_sentence_and_nothing_is_kept(store: Store, what: str) -> None:
    message, sentence = REFUSED[what]
    payload = message if isinstance(message, bytes) else json.dumps(message).encode()
    told = json.loads(decider(store).answer(payload))
    assert not told["kept"]
    assert sentence in told["said"]
    assert "\n" not in told["said"]
    assert kept(store) == []


def test_a_store_that_may_only_be_read_is_one_sentence(store: Store) -> None:
    with store.database.plain() as connection:
        connection.execute("PRAGMA query_only = ON")
    told = json.loads(decider(store).answer(json.dumps(TAKE).encode()))
    assert not told["kept"]
    assert told["said"].startswith(f"{store.database.path}: the file or its folder is read-only; allow writing")
    with store.database.plain() as connection:
        connection.execute("PRAGMA query_only = OFF")
    assert kept(store) == []


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)
TOLD = st.fixed_dictionaries(
    {},
    optional={name: st.sampled_from(["GANNET", "101.4", "", "-0", "\0", "٣"]) | JSON for name in TAKE}
    | {"decision": st.sampled_from(["take", "pass", "leave", "note"]), "why": st.text(max_size=9)},
)


@settings(max_examples=60 * EFFORT, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(payload=st.binary(max_size=40) | TOLD.map(lambda told: json.dumps(told).encode()))
def test_whatever_comes_ends_in_one_answer(store: Store, payload: bytes) -> None:
    before = len(kept(store))
    told = json.loads(decider(store).answer(payload))
    assert "defect" not in told["said"]
    assert "\n" not in told["said"]
    assert len(kept(store)) - before == told["kept"]


@VERSIONS
async def test_a_retained_message_is_refused_each_time_it_comes(store: Store, tmp_path: Path, version: str) -> None:
    with mosquitto(tmp_path, mosquitto_users(tmp_path, USERS)) as broker:
        async with client(broker.port, version) as user:
            await user.publish(DECIDE, json.dumps(TAKE), qos=1, retain=True)
            for _ in range(2):
                async with running(hearing(store, broker.port, version=version)):
                    told = await answer(user)
                    assert (told["kept"], told["key"]) == (False, "k-1")
                    assert told["said"].startswith("a retained message is ignored")
            if version == "5.0":  # in which a present subscriber sees it too
                async with running(hearing(store, broker.port)):
                    await answer(user)
                    assert not (await asked(user, TAKE, retain=True))["kept"]
    assert kept(store) == []


async def test_an_open_broker_is_not_listened_to_and_hears_events_all_the_same(store: Store, tmp_path: Path) -> None:
    users = mosquitto_users(tmp_path, USERS).replace("allow_anonymous false", "allow_anonymous true")
    troubles = Troubles()
    with mosquitto(tmp_path, users) as broker:
        async with running(hearing(store, broker.port, troubles)), client(broker.port) as user:
            await user.publish(DECIDE, json.dumps(TAKE), qos=1)
            await asyncio.sleep(0.5)  # in which it tries again and again
            assert troubles.qsize() == 1
            trouble = troubles.get_nowait()
            assert trouble.startswith(f"The MQTT broker at {HOST}:{broker.port} accepts clients without a login, so")
    assert kept(store) == []


async def test_a_check_that_connects_finds_an_open_broker(tmp_path: Path) -> None:
    users, config = mosquitto_users(tmp_path, USERS), tmp_path / "x.toml"
    for options, said in ((users, None), (users.replace("anonymous false", "anonymous true"), "accepts clients")):
        with mosquitto(tmp_path, options) as broker:
            table = f'type = "mqtt"\nhost = "{HOST}"\nport = {broker.port}\nuser = "{USER}"\ndecisions = true\n'
            config.write_text(f"[sinks.broker]\n{table}", encoding="utf-8")
            found = await try_all(load(config, {}), {"CLOSEWATCH_SINKS__BROKER__PASSWORD": PASSWORD})
        assert (said or "") in (found["sink broker"].trouble or "")
        assert (found["sink broker"].trouble is None) == (said is None)


async def test_without_a_login_there_are_no_decisions(certificates: Certificates) -> None:
    for wrong in ({"user": None}, {"password": None, "user": "loft"}, {"password": ""}):
        with pytest.raises(ValidationError, match="decisions need a broker that requires a login"):
            sink_for(1, **(LOGIN | {"password": None} | wrong))
    shown: dict[str, Any] = {"client_cert": certificates.client, "client_key": certificates.client_key}
    assert sink_for(1, tls=True, decisions=True, **shown).hears
    assert not sink_for(1).hears


async def test_a_certificate_is_a_login(store: Store, tmp_path: Path, certificates: Certificates) -> None:
    shown: dict[str, Any] = {"client_cert": certificates.client, "client_key": certificates.client_key}
    for asks in (True, False):
        options = "allow_anonymous true\n" + mosquitto_tls(certificates, client_certificate=asks)
        with mosquitto(tmp_path, options) as broker:
            sink = sink_for(broker.port, tls=True, decisions=True, ca_file=certificates.authority, **shown)
            if asks:
                await sink.try_hearing()
            else:
                with pytest.raises(Exception, match="accepts clients without a login"):
                    await sink.try_hearing()
    assert kept(store) == []


async def test_a_flood_is_broken_off_and_events_go_out_all_the_same(store: Store, tmp_path: Path) -> None:
    troubles = Troubles()
    with mosquitto(tmp_path, mosquitto_users(tmp_path, USERS)) as broker:
        async with running(hearing(store, broker.port, troubles)) as sink, client(broker.port) as user:
            await until_heard(user)
            for number in range(10 * MOST_WAITING):
                await user.publish(DECIDE, json.dumps({"decision": "note", "id": "GANNET", "note": f"{number}"}))
            async with asyncio.timeout(SECONDS):
                while "were waiting; they are dropped" not in (await answer(user))["said"]:
                    pass
            async with asyncio.timeout(SECONDS):
                assert "more than 50 messages were waiting" in await troubles.get()
            assert len(kept(store)) < MOST_WAITING
            await sink.deliver([Message(GANNET)])


async def test_it_listens_again_after_the_broker_was_gone_and_stops_at_once(store: Store, tmp_path: Path) -> None:
    with mosquitto(tmp_path, mosquitto_users(tmp_path, USERS)) as broker:
        sink = hearing(store, broker.port)
        async with running(sink):
            async with client(broker.port) as user:
                await until_heard(user)
            broker.kill()
            broker.start()
            async with client(broker.port) as user:
                await until_heard(user)
                assert (await asked(user, TAKE))["kept"]
            broker.kill()
            before = asyncio.get_running_loop().time()
        assert asyncio.get_running_loop().time() - before < 2
    assert len(kept(store)) == 1


def test_a_message_keeps_to_the_contract() -> None:
    from jsonschema import Draft202012Validator  # noqa: PLC0415 - needed here alone

    contract = Draft202012Validator(message_schema())
    contract.validate(TAKE)
    for what in ("no decision", "an unknown field", "a field of another", "no id", "a price that is a number"):
        assert not contract.is_valid(REFUSED[what][0])
