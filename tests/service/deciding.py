"""Makes decisions at random moments beside a station that is killed and started again, and keeps count.

Decisions are typed, each in a process of its own that is sometimes killed with SIGKILL, or sent over MQTT, sometimes
twice. A decision confirmed as kept must be in the store once, a refused one not at all, and any other at most once.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
import time
from collections import Counter, defaultdict
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from decimal import Decimal
from io import StringIO
from threading import Event, Thread
from typing import TYPE_CHECKING, Literal

import aiomqtt

from scanner.cli.command_line import app
from scanner.commands.trouble import DONE, run_guarded
from scanner.events import OF_SETUPS
from scanner.journal.stories import stories
from scanner.store import Store, StoreTroubleError
from tests.adapters.servers import HOST

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from pathlib import Path

    from scanner.journal.stories import Story
    from scanner.store import KeptEvent
    from scanner.store.decisions import Decided

Way = Literal["typed", "sent"]
USER, PASSWORD = "loft", "s3cret"
TOPIC = "closewatch/demo"
BETWEEN = 0.4
"""Most seconds from one decision to the next."""
ANSWERED = 1.0
"""Seconds after which an answer no longer comes."""
AMONG = 30
"""One of this many last stories is decided on."""
PRELOADED = [
    "__main__",
    "scanner.commands.journal.decide",
    "scanner.commands.station.which_store",
    "scanner.configuration.model.settings",
    "tests.service.deciding",
]


@dataclass
class Asked:
    """A requested decision; ``kept`` is the answer, None if there was none."""

    thread: str
    kind: Decided
    text: str
    price: str | None
    way: Way
    kept: bool | None = None

    @property
    def name(self) -> tuple[str, Decided, str]:
        """What identifies it in the store."""
        return self.thread, self.kind, self.text or str(self.price)


@dataclass
class Count:
    """The results of all requested decisions."""

    asked: Counter[str] = field(default_factory=Counter)
    unanswered_kept: int = 0
    lost: int = 0
    doubled: int = 0

    def add(self, asked: list[Asked], store: Path) -> None:
        """Compare the requested decisions with those in a store."""
        with Store.open(store, time.time_ns, visiting=True) as visited:
            made = visited.decisions.all()
        there = Counter((each.thread, each.kind, each.text or str(each.price)) for each in made)
        by_name: dict[tuple[str, Decided, str], list[Asked]] = defaultdict(list)
        for each in asked:
            answer = {True: "kept", False: "refused", None: "without an answer"}[each.kept]
            self.asked.update((each.way, answer))
            by_name[each.name].append(each)
        for name in by_name.keys() | there.keys():
            answers = Counter(each.kept for each in by_name[name])
            self.lost += answers[True] > there[name]
            self.doubled += there[name] > min(1, answers[True] + answers[None])
            self.unanswered_kept += there[name] > answers[True]
        once = Counter((each.thread, each.kind, each.price, each.size) for each in made if each.kind != "note")
        self.doubled += sum(count - 1 for count in once.values())

    def lines(self) -> list[str]:
        """Describe it for the report."""
        asked = self.asked
        parts = ("typed", "sent", "kept", "refused", "without an answer")
        told = ", ".join(f"{asked[part]:,} {part}" for part in parts)
        return [
            f"decisions             {told} ({self.unanswered_kept:,} of these kept)",
            f"decisions lost        {self.lost:,}",
            f"decisions doubled     {self.doubled:,}",
        ]


class Deciding:
    """Decides beside the station of a store from ``start`` to ``stop``; ``asked`` has all requested decisions."""

    def __init__(self, store: Path, port: int, seed: int) -> None:
        self._store = store
        self._port = port
        self._chance = random.Random(seed)
        self._processes = multiprocessing.get_context("forkserver")
        self._processes.set_forkserver_preload(PRELOADED)
        self._now = Event()
        self._over = Event()
        self._thread = Thread(target=lambda: asyncio.run(self._decide()))
        self._events: list[KeptEvent] = []
        self.asked: list[Asked] = []

    def start(self) -> None:
        """Start deciding."""
        self._thread.start()

    def hurry(self) -> None:
        """Decide something at once."""
        self._now.set()

    def stop(self) -> None:
        """End, and wait for it."""
        self._over.set()
        self._now.set()
        self._thread.join()

    async def _decide(self) -> None:
        login = {"username": USER, "password": PASSWORD}
        async with aiomqtt.Client(HOST, self._port, protocol=aiomqtt.ProtocolVersion.V5, **login) as client:  # type: ignore[arg-type]  # mypy takes the login for any option
            await client.subscribe(f"{TOPIC}/decided", qos=1)
            while not self._over.is_set():
                self._now.wait(self._chance.uniform(0, BETWEEN))
                self._now.clear()
                story = self._story()
                if story is not None:
                    await self._ask(client, story)

    def _story(self) -> Story | None:
        """Choose one of the last stories, an open one if there is any."""
        if not self._store.is_file():
            return None
        last = self._events[-1].number if self._events else 0
        try:
            with Store.open(self._store, time.time_ns, visiting=True) as store:
                self._events += store.events.find(after=last, kinds=OF_SETUPS)
        except StoreTroubleError:
            return None  # it is being created just now
        found = stories(self._events)[-AMONG:]
        going_on = [each for each in found if each.is_open]
        among = going_on if going_on and self._chance.random() < 0.9 else found
        return self._chance.choice(among) if among else None

    async def _ask(self, client: aiomqtt.Client, story: Story) -> None:
        chance = self._chance
        ways: tuple[Way, ...] = ("typed", "sent")
        way = chance.choice(ways)
        kinds: tuple[Decided, ...] = ("take", "take", "take", "leave", "leave", "pass", "note")
        kind = chance.choice(kinds)
        text = "" if kind == "leave" else f"{len(self.asked)}"
        told = {"price": self._price(story)} if kind in {"take", "leave"} and chance.random() < 0.9 else {}
        if kind == "take" and chance.random() < 0.5:
            told["size"] = str(chance.randint(1, 500))
        asked = Asked(story.id, kind, text, told.get("price"), way)
        self.asked.append(asked)
        if way == "typed":
            words = [f"--{name}={value}" for name, value in told.items()]
            words += {"take": [f"--note={text}"], "pass": [f"--why={text}"], "note": [text], "leave": []}[kind]
            asked.kept = await asyncio.to_thread(self._typed, [kind, story.id, *words, "--store", str(self._store)])
            return
        told |= {"decision": kind, "id": story.id, "key": f"{len(self.asked)}"}
        told |= {"take": {"note": text}, "pass": {"why": text}, "note": {"note": text}, "leave": {}}[kind]
        times = chance.choice((1, 1, 2))
        for _ in range(times):
            await client.publish(f"{TOPIC}/decide", json.dumps(told), qos=1)
        answers = await self._answers(client, told["key"], times)
        asked.kept = True if True in answers else False if len(answers) == times else None
        if answers.count(True) > 1:
            raise AssertionError(f"{told} was kept twice")

    def _price(self, story: Story) -> str:
        data = story.setup
        entry = data["entries"][data["entry_style"]]
        risk = Decimal(entry["risk"] or 0) * Decimal(f"{self._chance.uniform(-0.5, 0.5):.3f}")
        return f"{Decimal(entry['price'] or data['close']) + risk:.5f}"

    def _typed(self, words: list[str]) -> bool | None:
        """Type a command; returns whether it was kept, None if the process was killed before it could say."""
        ours, theirs = self._processes.Pipe(duplex=False)
        process = self._processes.Process(target=typed, args=(words, theirs))
        process.start()
        theirs.close()
        if self._chance.random() < 0.4:
            time.sleep(self._chance.uniform(0, 0.08))
            process.kill()
        process.join()
        try:
            code: int = ours.recv()
        except EOFError:
            return None
        return code == DONE

    @staticmethod
    async def _answers(client: aiomqtt.Client, key: str, count: int) -> list[bool]:
        found: list[bool] = []
        try:
            async with asyncio.timeout(ANSWERED):
                async for message in client.messages:
                    assert isinstance(message.payload, bytes)
                    told = json.loads(message.payload)
                    if told.get("key") == key:
                        found.append(told["kept"])
                    if len(found) == count:
                        break
        except TimeoutError:
            pass
        return found


def typed(words: list[str], answer: Connection) -> None:
    """Run the command line as typed, and send its exit code once it has printed its answer."""
    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        code = run_guarded(app, words)
    answer.send(code)
