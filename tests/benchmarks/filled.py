"""Stores for the live benchmark: bars of many series before a close, as a station would have stored them."""

from __future__ import annotations

import re
from functools import partial
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from scanner.configuration.model import settings as configuration
from scanner.market.bars import Bars, RawBars
from scanner.service.desk import Desk
from scanner.service.together.usual import Arrival
from scanner.store import Batch, SeriesUpdate, Store
from tests.laws import QUARTER_HOUR, bars_of
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from pathlib import Path

STORED = 500
LOOKED_AT = 40
"""The last of the stored bars, in which setups are looked for: those that may still be followed."""
CLOSES = 4
"""Closes that are measured, each after a new start; at the last, the time is broken down."""
MADE = 10_000
"""Series that go through a desk; any more are copies of them."""
TAPE = bars_of(tape(7), 1_700_000_100 * 1_000_000_000 // QUARTER_HOUR * QUARTER_HOUR)
AT_ONCE = 500
"""Series that are stored together."""
THREAD = re.compile(rb'"thread":"([0-9a-f]{32})"')


def window(number: int, begin: int, end: int) -> Bars:
    """Give bars of a series: all are parts of one tape, each from a different bar on, moved to the same times."""
    first = number % MADE % (len(TAPE) - STORED - CLOSES)
    columns = [column[first + begin : first + end] for column in TAPE.columns()]
    columns[:2] = [column[begin:end] for column in TAPE.columns()[:2]]
    return Bars(*columns)


def close_of(number: int) -> int:
    return int(TAPE.close_time[number])


def name(number: int) -> str:
    return f"N{number:05}"


def fill(config: Path, size: int) -> None:
    """Store the bars before the first close through a desk, as a station does."""
    settings = configuration.load(config)
    now = close_of(STORED - 1)
    with Store.open(settings.store_path, lambda: now) as store:
        desk = Desk(settings.watched(), settings.account, store, route=lambda _: (), stale_after=0, record=False)
        desk.load()
        pools = {id(pool): pool for each in desk.pipelines.values() for pool in [each.lanes[0].engine.series.pool]}
        finds = {key: pool.finds for key, pool in pools.items()}
        for start, end in ((0, STORED - LOOKED_AT), (STORED - LOOKED_AT, STORED)):
            for key, pool in pools.items():
                pool.finds = finds[key] if start else []
            for begin in range(0, min(size, MADE), AT_ONCE):
                numbers = range(begin, min(begin + AT_ONCE, size, MADE))
                desk.take([Arrival(name(number), _raw(window(number, start, end))) for number in numbers], now)
        for copy in range(1, -(-size // MADE)):
            _add_copies(store, copy, size)


def _add_copies(store: Store, copy: int, size: int) -> None:
    """Give further series the bars and states of those that were made; each has its own stories."""
    made = [key for key in store.bars.keys if int(key.instrument[1:]) < min(MADE, size - copy * MADE)]
    for begin in range(0, len(made), AT_ONCE):
        updates = []
        remembered = store.bars.remembered(made[begin : begin + AT_ONCE])
        for each in store.bars.load(remembered):
            state, checkpoint = remembered[each.key]
            called = name(int(each.key.instrument[1:]) + copy * MADE)
            state = THREAD.sub(partial(_renamed, called), state)
            updates.append(SeriesUpdate(each.key._replace(instrument=called), each.bars, state, checkpoint))
        store.commit(Batch(updates))


def _renamed(called: str, found: re.Match[bytes]) -> bytes:
    """Give a story of another series its own id."""
    return b'"thread":"%s"' % sha256(called.encode() + found[1]).hexdigest()[:32].encode()


def _raw(bars: Bars) -> RawBars:
    rows = np.arange(len(bars))
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")
