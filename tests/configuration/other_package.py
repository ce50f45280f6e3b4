"""A package of someone else's that brings feeds and sinks, written to a folder and put on the path."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

SOUND = """\
import asyncio

import numpy as np
from pydantic import BaseModel, ConfigDict

from scanner.market.bars import RawBars
from scanner.ports import Answer, FeedLimits


class Settings(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Feed:
    Settings = Settings
    batch = 1
    arrived = None
    limits = FeedLimits()

    def __init__(self, settings):
        pass

    async def start(self):
        pass

    async def stop(self):
        pass

    async def fetch(self, wants):
        price, count = np.full(1, 100.0), np.zeros(1, np.int64)
        return [Answer(want, RawBars(count, price, price, price, price, price, count, "gulls")) for want in wants]


class Sink:
    Settings = Settings
    at_once = 1
    digests = wants_pictures = False

    def __init__(self, settings):
        pass

    async def start(self):
        pass

    async def stop(self):
        pass

    async def deliver(self, messages):
        pass
"""


def install(folder: Path, monkeypatch: pytest.MonkeyPatch, **sources: str) -> None:
    """Bring a feed and a sink of the type of each name, by a module of that name with this source."""
    for section, kind in (("feeds", "Feed"), ("sinks", "Sink")):
        about = folder / f"gulls_{section}-1.dist-info"
        about.mkdir()
        (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: gulls-{section}\nVersion: 1\n", encoding="utf-8")
        points = "".join(f"{name} = {name}:{kind}\n" for name in sources)
        (about / "entry_points.txt").write_text(f"[closewatch.{section}]\n{points}", encoding="utf-8")
    for name, source in sources.items():
        (folder / f"{name}.py").write_text(source, encoding="utf-8")
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.syspath_prepend(folder)
