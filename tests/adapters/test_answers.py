"""The replacement for a text that may repeat a secret."""

from __future__ import annotations

import doctest

import httpx
import pytest

from adapters import answers
from adapters.answers import hidden, what_failed


def test_the_examples_in_the_docstrings_are_true() -> None:
    failed, tried = doctest.testmod(answers)
    assert (failed, tried) == (0, 1)


@pytest.mark.parametrize("text", ["", "☃", "half a pair \ud800"])
def test_any_text_can_be_measured(text: str) -> None:
    size = len(text.encode(errors="surrogatepass"))
    assert hidden(text).startswith(f"[{size} bytes, sha256 ")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (httpx.ConnectError("Connection refused"), "Connection refused"),
        (httpx.ReadError(""), "ReadError"),
        (httpx.RemoteProtocolError("illegal header line: t0k3n"), "RemoteProtocolError"),
        (httpx.ProxyError("407 no t0k3n"), "ProxyError"),
        (httpx.DecodingError("t0k3n"), "DecodingError"),
    ],
)
def test_only_the_system_s_own_words_are_shown(error: httpx.HTTPError, said: str) -> None:
    assert what_failed(error) == said
