"""Laws that must hold at the end of every world, whatever happened in it."""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.clocks import SECOND
from scanner.events import KINDS, OF_SETUPS, rfc3339
from scanner.journal.entries import by_story, entry_of
from scanner.journal.stories import stories
from scanner.market.sessions.timeframes import Timeframe
from scanner.service.changes.decided import Decided
from scanner.service.changes.restating import as_sent, same
from scanner.store import SeriesKey
from scanner.store.upkeep.check import check
from scanner.store.upkeep.maintenance import retain
from tests.service.story_grammar import faults
from tests.service.test_restating import stands
from tests.worlds.user import STALE_AFTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.service.station import Station
    from scanner.store import Delivery, KeptEvent, Store
    from tests.worlds.reader import Reader
    from tests.worlds.world import World

BEGINS = tuple(kind for kind, facts in KINDS.items() if facts.begins)
OF_BARS = (*OF_SETUPS, "series.held", "series.resumed")
MAY_BREAK_OFF = {"restated-bars", "odd-rows", "late-bars", "clock-jumps"}
"""Mischief that may change bars."""
MINUTE = 60 * SECOND
NAMED = 50
"""Most setups that a summary names."""


def judge(world: World, store: Store) -> None:
    """Check a world against all laws."""
    for sentence in check(store):
        world.fault("the store is not sound", sentence)
    said = store.events.find()
    world.counts["setups said"] += sum(each.event.kind in BEGINS for each in said)
    world.counts["endings said"] += sum(each.event.facts.of_story and each.event.facts.ends for each in said)
    for kind in ("setup.withdrawn", "setup.broken_off", "feed.late", "station.caught_up", "series.held"):
        world.counts[kind] += sum(each.event.kind == kind for each in said)
    for sentence in faults(each.event for each in said):
        world.fault("a story breaks the rules of stories", sentence)
    for name in world.listed.names:
        _judge_series(world, store, name, [each for each in said if each.event.data.get("instrument") == name])
    _judge_decisions(world, store)
    _judge_deliveries(world, store, said)
    _judge_summaries(world, store, said)
    _judge_feeds(world, said)
    _judge_size(world, store)


def _judge_series(world: World, store: Store, name: str, said: Sequence[KeptEvent]) -> None:
    """Compare what is stored and sent of an instrument with a replay of its true bars."""
    base = SeriesKey(name, "1m")
    loaded = {found.key.timeframe: found.bars for found in store.bars.load(store.bars.keys) if found.key[0] == name}
    stored, true = loaded.get("1m"), world.exchange.bars[name]
    if stored is None or not len(stored):
        world.fault("no bar is stored", name)
        return
    true = true[true.open_time >= stored.open_time[0]]
    true = true[true.close_time <= stored.close_time[-1]]
    if not same(stored, true):
        world.fault("other bars are stored than there were", f"{'/'.join(base)}, {_first_other(stored, true)}")
        return
    (watched,) = (each for each in world.listed.settings().watched() if each.instrument.symbol == name)
    pipeline = watched.inputs(world.listed.settings().account).pipeline()
    Decided(store).begin({name: pipeline})
    checked = pipeline.check(as_sent(true, name)).bars
    replayed: list[Event] = []
    own: dict[str, list[Bars]] = {}
    for lane, bars in pipeline.made(checked):
        own.setdefault(lane.timeframe.name, []).append(bars)
        replayed += lane.engine.events(bars)
    for timeframe, parts in own.items():
        made = type(true).joined(parts)
        if timeframe != "1m" and not same(loaded[timeframe], made):
            world.fault("other coarser bars are stored", f"{name}/{timeframe}, {_first_other(loaded[timeframe], made)}")
    since, timeframes = world.exact_from.get(name, 0), set(own)
    before = {each.event.thread for each in said if each.event.facts.begins and each.event.time <= since}
    before |= {event.thread for event in replayed if event.facts.begins and event.time <= since}
    now = [
        each.event
        for each in said
        if each.event.kind in OF_BARS
        and each.event.thread not in before
        and each.event.data["timeframe"] in timeframes
        and each.event.time > since
    ]
    wanted = [
        event for event in replayed if event.kind in OF_BARS and event.thread not in before and event.time > since
    ]
    if name not in world.rewritten:
        _compare(world, name, [event.to_json() for event in wanted], [event.to_json() for event in now])
        if not since:
            _judge_journal(world, store, name, wanted)
    else:
        _compare_what_stands(world, name, wanted, now)


def _first_other(one: Bars, other: Bars) -> str:
    length = min(len(one), len(other))
    for place in range(length):
        if not same(one[place : place + 1], other[place : place + 1]):
            return f"from {rfc3339(int(one.open_time[place]))} on ({len(one)} and {len(other)} bars)"
    return f"{len(one)} and {len(other)} bars"


def _compare(world: World, name: str, wanted: Iterable[str], found: Iterable[str]) -> None:
    expected, there = Counter(wanted), Counter(found)
    for line in expected - there:
        world.fault("something was not said that a replay says", f"{name}: {line[:300]}")
    for line in there - expected:
        world.fault("something was said that no replay says", f"{name}: {line[:300]}")


def _compare_what_stands(world: World, name: str, wanted: list[Event], found: list[Event]) -> None:
    """Compare the final state, for bars restated after they were judged."""
    try:
        standing = stands([event for event in found if event.facts.of_story])
    except KeyError as problem:
        world.fault("a story goes on without a beginning", f"{name}: {problem}")
        return
    replayed = stands([event for event in wanted if event.facts.of_story])
    broken = {thread for thread, told in standing.items() if told[-1][0] == "setup.broken_off"}
    if broken and not world.plan.kinds & MAY_BREAK_OFF:
        world.fault("a story was broken off for nothing", f"{name}: {broken}")
    for thread in (standing.keys() | replayed.keys()) - broken:
        one, other = standing.get(thread), replayed.get(thread)
        if one != other:
            world.fault("what stands is not what a replay says", f"{name} {thread}: said {one}, replayed {other}")


def _judge_journal(world: World, store: Store, name: str, replayed: list[Event]) -> None:
    """Check that the journal agrees with a replay on each setup, and with what the user decided."""
    decisions = by_story(store.decisions.all())
    last = {event.thread: event for event in replayed if event.facts.of_story}
    for story in stories(store.events.stories(instrument=name)):
        if story.id not in last:
            continue
        entry, told = entry_of(story, decisions.get(story.id, [])), last[story.id]
        closed = told.kind == "setup.closed"
        waits = "waiting" if _is_open(told) else None
        state = waits if told.facts.begins else told.data["state"]
        r = None if entry.r is None else str(entry.r)
        if entry.state != state or r != (told.data["r"] if closed else None):
            world.fault("the journal differs from a replay", f"{name} {story.id}: {entry.state} {r}, {state}")
        kinds = {each.kind for each in world.user.asked if each.kept and each.thread == story.id}
        taken = "taken" if "take" in kinds else "passed" if "pass" in kinds else None
        if entry.decision != taken:
            world.fault("the journal differs from what was decided", f"{name} {story.id}: {entry.decision}, {taken}")


def _judge_decisions(world: World, store: Store) -> None:
    """Check that the decisions confirmed as kept are stored, once and in order, and no others."""
    wanted = [(each.thread, each.kind, each.text, each.price) for each in world.user.asked if each.kept]
    found = [(each.thread, each.kind, each.text, each.price) for each in store.decisions.all()]
    if wanted != found:
        world.fault("other decisions are kept than were confirmed", f"{len(found)} are there, {len(wanted)} should be")


def _judge_deliveries(world: World, store: Store, said: Sequence[KeptEvent]) -> None:
    """Check that everything meant for a reader arrived, in order within each story, and nothing else did."""
    ids = {each.event.id: each.event.to_json() for each in said}
    rows = store.outbox.list()
    for name, reader in world.readers.items():
        world.counts["repeated deliveries"] += reader.repeats
        own = [row for row in rows if row.sink == name]
        for row in own:
            if wrong := _wrong_state(row, reader):
                world.fault(wrong, f"{row.event.kind} {row.event.id} to {name}, {row.state}")
        for event in _overtaken(own, reader):
            world.fault("an earlier event of a story arrived after a later one", f"{event} at {name}")
        for ident, line in reader.arrived.items():
            if '"type":"closewatch.feed.late"' in line:
                continue  # it may bypass a store that cannot be written
            if ident not in ids:
                world.fault("something arrived that was never said", f"{ident} at {name}")
            elif ids[ident] != line:
                world.fault("something else arrived than was said", f"{ident} at {name}")
    taken = {each.thread: each.after for each in store.decisions.all() if each.kind == "take"}
    _judge_addresses(world, said, {(row.event.id, row.sink) for row in rows}, taken)


def _wrong_state(row: Delivery, reader: Reader) -> str:
    """Describe what is wrong with the final state of a delivery; empty if nothing is."""
    if row.state == "delivered":
        return "" if row.event.id in reader.arrived else "something counts as delivered that never arrived"
    if row.state == "dead":
        return "" if row.event.id in reader.refused else "something counts as refused that was not"
    return "something never left"


def _overtaken(rows: Sequence[Delivery], reader: Reader) -> Iterator[str]:
    """Name events that arrived after a later one of the same story."""
    places = {ident: place for place, ident in enumerate(reader.arrived)}
    furthest: dict[str, int] = {}
    for row in rows:
        event = row.event
        if event.id in places and event.thread and event.facts.about != "feed":
            if places[event.id] < furthest.get(event.thread, -1):
                yield event.id
            furthest[event.thread] = max(places[event.id], furthest.get(event.thread, -1))


def _judge_addresses(
    world: World, said: Sequence[KeptEvent], sent: set[tuple[str, str]], taken: Mapping[str, int]
) -> None:
    """Check that all news goes to all readers, and so do the later events of what they were sent or took.

    ``taken`` gives by story the last event before the setup was taken.
    """
    for each in said:
        event = each.event
        missing = [name for name in world.readers if (event.id, name) not in sent]
        is_first = event.facts.begins and event.id == event.thread
        if is_first and len(missing) < len(world.readers) and each.said - event.time > _news_for(event) + MINUTE:
            world.fault("old news were sent", f"{event.kind} {event.id}")
        if not missing or event.facts.on_request:
            continue
        if event.facts.about != "setup":
            is_news = True
        elif event.facts.begins:
            is_news = each.said - event.time <= _news_for(event)
        else:
            is_taken = event.thread in taken and each.number > taken[event.thread]
            is_news = is_taken or any((event.thread, name) in sent for name in missing)
        if is_news:
            world.fault("news were not sent", f"{event.kind} {event.id} to {missing}")


def _news_for(event: Event) -> int:
    """Give for how many nanoseconds a setup is news."""
    return STALE_AFTER * Timeframe.named(event.data["timeframe"]).nanoseconds


def _judge_summaries(world: World, store: Store, said: Sequence[KeptEvent]) -> None:
    """Check that setups that came too late to be sent are named in a summary."""
    if "reloads" in world.plan.kinds:
        return  # a series that is not watched now is in no summary
    sent = {row.event.id for row in store.outbox.list()}
    summaries = [each.event.data for each in said if each.event.kind == "station.caught_up"]
    if any(data["setups_found"] > NAMED for data in summaries):
        return
    named = {name for data in summaries for name in data["setups"]}
    for each in said:
        event = each.event
        if event.kind == "setup.qualified" and event.id == event.thread and event.id not in sent:
            name = f"{event.subject} {event.data['direction']} {event.data['bar_close']}"
            if name not in named:
                world.fault("a setup that came too late is in no summary", name)


def _judge_feeds(world: World, said: Sequence[KeptEvent]) -> None:
    """Check that each feed that was late is reported back in the end, in the same thread."""
    threads: dict[str, list[str]] = {}
    for each in said:
        if each.event.facts.about == "feed":
            threads.setdefault(each.event.thread, []).append(each.event.kind)
    for thread, kinds in threads.items():
        if kinds[0] != "feed.late" or kinds.count("feed.back") > 1:
            world.fault("being late is told wrongly", f"{thread}: {kinds}")


def _judge_size(world: World, store: Store) -> None:
    """Check that expired data is removed and nothing else, and that no table keeps anything that belongs to it."""
    wanted = _kept_on(store)
    retain(store, keep_bars=10, keep_days=0, now=store.clock() + 10 * 86_400 * SECOND)
    left = {each.event.id for each in store.events.find()}
    if left - wanted:
        world.fault("what is past keeping is kept", f"{len(left - wanted)} events")
    if wanted - left:
        world.fault("what goes on is not kept", f"{len(wanted - left)} events")
    with store.database.reading() as connection:
        (rows,) = connection.execute(
            "SELECT count(*) FROM outbox WHERE event NOT IN (SELECT number FROM event)"
        ).fetchone()
        (recorded,) = connection.execute("SELECT count(*) FROM recording").fetchone()
        (restated,) = connection.execute("SELECT count(*) FROM restated").fetchone()
    if rows or recorded or restated:
        world.fault("what is past keeping is kept", f"{rows} deliveries, {recorded} recordings, {restated} restated")


def _kept_on(store: Store) -> set[str]:
    """Name the events that are kept however old: of stories that are open or decided, and of holds that go on."""
    decided = {each.thread for each in store.decisions.all()}
    stories: dict[str, list[Event]] = {}
    held: dict[str, str] = {}
    for event in (each.event for each in store.events.find()):
        if event.kind == "series.resumed":
            held.pop(event.subject, None)
        elif event.kind == "series.held":
            held[event.subject] = event.id
        elif event.facts.of_story:
            stories.setdefault(event.thread, []).append(event)
    kept = [story for thread, story in stories.items() if thread in decided or _is_open(story[-1])]
    return {event.id for story in kept for event in story} | set(held.values())


def _is_open(last: Event) -> bool:
    """Whether more is to come of a story with this last event: nothing does if no entry was planned."""
    if last.facts.begins:
        return last.data["entries"][last.data["entry_style"]]["risk"] is not None
    return not last.facts.ends


OURS = ("scanner.service.", "asyncio.locks")
PASSED_BY = ("scanner.store",)
"""The data of the store is on its disk; in memory it has only tables of its series."""


def held(station: Station) -> int:
    """Count the objects that a station holds, and the tasks in its loop."""
    seen: set[int] = set()
    waiting: deque[Any] = deque([station])
    count = len(asyncio.all_tasks())
    while waiting:
        thing = waiting.popleft()
        if id(thing) in seen:
            continue
        seen.add(id(thing))
        if isinstance(thing, dict):
            count += 0 if isinstance(thing, Counter) else len(thing)  # bounded by the number of kinds
            waiting.extend(thing.values())
        elif isinstance(thing, list | set | frozenset | deque | tuple):
            most = thing.maxlen if isinstance(thing, deque) else None
            count += len(thing) if most is None else most  # objects with a bound do not grow
            waiting.extend(thing)
        elif isinstance(thing, np.ndarray):
            continue
        elif _is_ours(thing):
            waiting.extend(getattr(thing, "__dict__", {}).values())
            for kind in type(thing).__mro__:
                names = getattr(kind, "__slots__", ())
                waiting.extend(getattr(thing, name) for name in names if hasattr(thing, name))
    return count


def _is_ours(thing: object) -> bool:
    modules = [kind.__module__ for kind in type(thing).__mro__]
    return any(each.startswith(OURS) for each in modules) and not any(each.startswith(PASSED_BY) for each in modules)
