"""Names as levels of a topic."""

from __future__ import annotations

import doctest
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.sinks.mqtt import topics as mqtt_topics
from adapters.sinks.mqtt.topics import Topics, encode
from tests.adapters.mqtt_tools import decode
from tests.adapters.samples import (
    HOSTILE_NAMES,
    forming_event,
    set_aside_event,
    setup_event,
    station_event,
    withdrawn_event,
)
from tests.adapters.story_samples import FOLLOWING, story_event

ANY_NAME = st.text(st.characters(exclude_categories=()))
"""Every code point, half surrogate pairs too."""


@given(ANY_NAME)
def test_any_name_becomes_one_level_that_reads_back(name: str) -> None:
    level = encode(name)
    assert decode(level) == name
    assert level.isascii()
    assert level.isprintable()
    assert not set(level) & set("/+#$ ")
    assert level


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
def test_hostile_names_read_back(name: str) -> None:
    assert decode(encode(name)) == name
    assert not any(unicodedata.category(one)[0] == "C" for one in encode(name))


def test_usual_names_are_left_readable() -> None:
    for name in ("HARBOUR", "BRK.B", "^GSPC", "EUR=X", "ES_F", "BTC-USD", "a:b"):
        assert encode(name) == name


def test_the_examples_in_the_docstrings_are_true() -> None:
    failed, tried = doctest.testmod(mqtt_topics)
    assert (failed, tried) == (0, 1)


def test_special_names() -> None:
    assert encode("BTC/USD") == "BTC%2FUSD"
    assert encode("") == "%"
    assert encode("%") == "%25"
    assert encode("$SYS") == "%24SYS"
    assert encode("A\0") == "A%00"


def test_the_tree() -> None:
    topics, setup = Topics("home/closewatch", "the loft"), setup_event("BTC/USD", "4h", "short")
    root = "home/closewatch/the%20loft"
    assert topics.station == f"{root}/state/station"
    assert topics.of(setup) == topics.of(withdrawn_event(setup)) == f"{root}/setups/BTC%2FUSD/4h/short"
    state = f"{root}/state/setups/BTC%2FUSD/4h/short/{setup.id}"
    assert topics.state_of(setup) == topics.state_of(withdrawn_event(setup)) == state
    assert topics.of(station_event()) == f"{root}/station"
    assert topics.state_of(station_event()) is None
    follows = [story_event(kind, setup) for kind in FOLLOWING]
    assert {topics.of(event) for event in follows} == {f"{root}/setups/BTC%2FUSD/4h/short"}
    assert {topics.state_of(event) for event in follows} == {state}
    assert topics.of(forming_event(setup)) == topics.of(setup)
    assert topics.state_of(forming_event(setup)) is None, "it is over with the next bar, and nothing would clear it"
    aside = set_aside_event("GANNET")
    assert topics.of(aside) == f"{root}/setups/GANNET/15m/long"
    after = [withdrawn_event(aside), *(story_event(kind, aside) for kind in FOLLOWING)]
    assert {topics.state_of(event) for event in (aside, *after)} == {None}, "whoever comes late finds setups to act on"
