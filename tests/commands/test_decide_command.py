"""``closewatch take``, ``pass``, ``leave`` and ``note``, as they are typed while a station runs."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from scanner.store import Batch, Said, Store
from scanner.store.upkeep.check import check
from tests.adapters.samples import BAR_CLOSE, withdrawn_event
from tests.commands.typed import Done, as_anybody, closewatch, in_a_process
from tests.journal.samples import HOUR, again, closed, found, told

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from scanner.events import Event

GANNET = found()
TERNS = [found("TERN/A", at=BAR_CLOSE + hours * HOUR) for hours in range(2)]
ASIDE = found("FULMAR", aside="cost fails: 0.3, wanted <= 0.1")
ENDED = found("SKUA")
DEEP = found("PETREL", close="-3.10")
DEEP.data["levels"] |= {"stop": "-4.15"}
DEEP.data["entries"]["break"] |= {"price": "-3.00", "risk": "1.15"}


def run(station: Store, *words: str) -> Done:
    """Type a command for the store of a station."""
    return closewatch(*words, "--store", station.database.path)


def say(station: Store, *events: Event) -> None:
    station.commit(Batch(said=[Said(event) for event in events]))


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Store]:
    """Keep a station running: one setup of GANNET, two of TERN/A, one set aside, one that was closed."""
    with Store.open(tmp_path / "kept.db", lambda: BAR_CLOSE) as store:
        say(store, GANNET, *TERNS, ASIDE, ENDED, DEEP, closed(ENDED, 5, "100.15", "stopped"))
        yield store
        assert check(store) == []


def kept(station: Store) -> list[tuple[str, str, str | None, str | None, str]]:
    """Give the decisions: instrument, kind, price, size and text."""
    threads = {event.thread: event.data["instrument"] for event in (GANNET, *TERNS, ASIDE, ENDED, DEEP)}
    return [
        (
            threads[each.thread],
            each.kind,
            None if each.price is None else f"{each.price:f}",
            None if each.size is None else f"{each.size:f}",
            each.text,
        )
        for each in station.decisions.all()
    ]


def test_a_setup_is_taken_noted_and_left_beside_the_running_station(station: Store) -> None:
    about = f"GANNET 1h doji pause long of Mon 2 Mar 2026 16:00 UTC ({GANNET.id[:8]})"
    own = ("--price", "101.40", "--size", "800", "--note", "at the open")
    taken = in_a_process("take", "GANNET", *own, "--store", station.database.path)
    assert taken == (0, f"Taken at 101.40, size 800: {about}.\n", "")
    assert run(station, "note", GANNET.id[:4].upper(), "slow <b>fill</b>") == (0, f"Noted: {about}.\n", "")
    say(station, told(GANNET, "setup.entered", 1, "open"), told(GANNET, "setup.exit_signal", 3, "open"))
    assert run(station, "leave", GANNET.id, "--price", "102.1") == (0, f"Left at 102.1: {about}.\n", "")
    assert kept(station) == [
        ("GANNET", "take", "101.40", "800", "at the open"),
        ("GANNET", "note", None, None, "slow <b>fill</b>"),
        ("GANNET", "leave", "102.1", None, ""),
    ]
    assert [each.after for each in station.decisions.all()] == [1, 1, 9]


def test_rules_that_a_decision_breaks_are_named_at_once(station: Store) -> None:
    code, out, err = run(station, "take", "FULMAR", "--price", "101.60", "--size", "1000")
    assert (code, err) == (0, "")
    assert out.splitlines()[1:] == [
        "Against the rules: taken though set aside.",
        "Against the rules: entered beyond the plan by more than a tenth of R.",
        "Against the rules: taken larger than planned.",
    ]
    assert run(station, "leave", "FULMAR")[1].endswith("Against the rules: left before an exit signal.\n")


def test_what_was_passed_may_be_taken_after_all_and_what_was_taken_not_passed(station: Store) -> None:
    assert run(station, "pass", "GANNET", "--why", "a report is due")[0] == 0
    assert "it was passed already; to add something" in run(station, "pass", "GANNET")[2]
    assert run(station, "take", "GANNET")[0] == 0
    again_passed = run(station, "pass", "GANNET")
    assert again_passed[0] == 2
    assert again_passed[2].endswith(
        "it was taken, so it cannot be passed; once you are out of it, say that you left it\n"
    )
    assert [kind for _, kind, *_ in kept(station)] == ["pass", "take"]


@pytest.mark.parametrize(
    ("before", "words", "sentence"),
    [
        ([["take", "GANNET"]], ["take", "GANNET"], "it was taken already; to add something, keep a note"),
        ([], ["leave", "GANNET"], "it was not taken, so there is nothing to leave"),
        ([["take", "GANNET"], ["leave", "GANNET"]], ["leave", "GANNET"], "it was left already"),
        ([], ["take", ENDED.id[:6]], "its story has ended; only a note can be added"),
        ([], ["pass", ENDED.id[:6]], "its story has ended; only a note can be added"),
        ([], ["leave", ENDED.id[:6]], "it was not taken, so there is nothing to leave"),
        ([], ["take", "0123"], "0123: no setup has this id or instrument"),
        ([], ["take", "f" * 40], "no setup has this id or instrument"),
        ([], ["take", GANNET.id[:3]], "no setup has this instrument, and an id needs at least its first 4 letters"),
        ([], ["take", "GANNET\x1b[2J"], "GANNET<001B>[2J: no setup has"),
        ([], ["take", "GANNET", "--price", "0"], "price 0: the levels of this setup are above 0"),
        ([], ["take", "GANNET", "--price=-101.40"], "price -101.40: the levels of this setup are above 0"),
        ([], ["take", "GANNET", "--price", "101,40"], "price 101,40: write a number such as 101.40"),
        ([], ["take", "GANNET", "--price", "inf"], "price inf: write a number"),
        ([], ["take", "GANNET", "--price", "1e999999"], "price 1e999999: write a number"),
        ([], ["take", "GANNET", "--price", "100.15"], "price 100.15: an entry must lie above the stop, which is"),
        ([], ["take", "GANNET", "--price", "1013.50"], "that is 760 R from the planned entry, which is 101.35; more"),
        ([["take", "GANNET"]], ["leave", "GANNET", "--price", "1012"], "that is 759 R from the planned entry"),
        ([], ["take", "GANNET", "--price", "101.4000000000001"], "101.4000000000001: a number has at most 15 digits"),
        ([["note", "GANNET", "slow"]], ["note", "GANNET", " slow"], "this note exists already, word for word"),
        ([], ["take", "GANNET", "--size", "0"], "size 0: a size must be above 0"),
        ([], ["leave", "GANNET", "--price", "nan"], "price nan: write a number"),
        ([], ["note", "GANNET", " "], "the note is empty"),
        ([], ["note", "GANNET", "n" * 2_001], "the text has 2,001 characters; at most 2,000 are kept"),
        ([], ["note", "GANNET", "a\udcff"], "this text is not UTF-8"),
    ],
)  # fmt: skip
def test_what_cannot_be_decided_is_one_sentence_and_nothing_is_kept(
    station: Store, before: list[list[str]], words: list[str], sentence: str
) -> None:
    for each in before:
        assert run(station, *each)[0] == 0
    standing = kept(station)
    code, out, err = run(station, *words)
    assert (code, out) == (2, "")
    assert sentence in err
    assert "Traceback" not in err
    assert len([line for line in err.splitlines() if line.startswith(("closewatch: ", "Error: "))]) == 1
    assert kept(station) == standing


def test_a_note_is_welcome_when_the_story_has_ended_and_a_price_below_0_where_things_trade_there(
    station: Store,
) -> None:
    assert run(station, "note", ENDED.id[:8], "the stop was too near")[0] == 0
    assert run(station, "take", "PETREL", "--price", "-3.05")[0] == 0
    assert kept(station) == [
        ("SKUA", "note", None, None, "the stop was too near"),
        ("PETREL", "take", "-3.05", None, ""),
    ]


def test_a_user_who_was_stopped_out_may_give_the_price(station: Store) -> None:
    assert run(station, "take", "GANNET", "--price", "101.40")[0] == 0
    say(station, told(GANNET, "setup.closed", 5, "stopped", exit="100.15"))
    assert run(station, "leave", GANNET.id[:8], "--price", "100.05")[0] == 0
    assert kept(station)[-1] == ("GANNET", "leave", "100.05", None, "")


def test_where_several_fit_they_are_listed_to_choose_from(station: Store) -> None:
    code, out, err = run(station, "take", "TERN/A")
    assert code == 2
    head, first, second = out.splitlines()
    assert head.split() == ["id", "instrument", "tf", "setup", "side", "bar", "close", "state"]
    assert first.split()[:5] == [TERNS[0].id[:8], "TERN/A", "1h", "doji_pause", "long"]
    assert second.endswith("Mon 2 Mar 2026 17:00 UTC  waiting")
    which = f"name one by the first letters of its id, such as {TERNS[1].id[:8]}"
    assert err == f"closewatch: TERN/A has several open setups: {which}\n"
    say(station, told(TERNS[0], "setup.lapsed", 4, "lapsed"))
    assert run(station, "take", "TERN/A")[0] == 0
    code, out, err = run(station, "take", "SKUA")
    assert code == 2
    assert out.splitlines()[1].endswith("stopped")
    assert "SKUA has no open setup" in err


def test_a_setup_repeated_after_its_withdrawal_can_be_taken_in_its_new_version(station: Store) -> None:
    say(station, withdrawn_event(GANNET))
    assert "its story has ended" in run(station, "take", GANNET.id[:6])[2]
    say(station, again(GANNET))
    assert run(station, "take", "GANNET")[0] == 0


def test_a_store_that_is_missing_or_may_only_be_read_is_for_the_user_to_mend(tmp_path: Path) -> None:
    missing = in_a_process("take", "GANNET", "--store", tmp_path / "nowhere.db")
    assert (missing.code, missing.out) == (2, "")
    assert missing.err.startswith(f"closewatch: {tmp_path / 'nowhere.db'}: there is no store here; give the one")
    assert list(tmp_path.iterdir()) == []
    neither = closewatch("take", "GANNET")
    assert (neither.code, neither.err[:44]) == (2, "closewatch: name the station by one of these")
    locked = tmp_path / "locked"
    locked.mkdir()
    with Store.open(locked / "kept.db", lambda: BAR_CLOSE) as store:
        say(store, GANNET)
    before = (locked / "kept.db").read_bytes()
    for each in (*locked.iterdir(), locked):
        each.chmod(0o555)
    try:
        for words in (["take", "GANNET"], ["note", GANNET.id[:4], "read only"]):
            code, out, err = as_anybody(*words, "--store", store.database.path)
            assert (code, out) == (2, "")
            assert err.startswith(
                f"closewatch: {locked / 'kept.db'}: the file or its folder is read-only; allow writing"
            )
        listed = as_anybody("journal", "--store", store.database.path)
        assert (listed.code, listed.err) == (0, "")
    finally:
        locked.chmod(0o755)
    assert (locked / "kept.db").read_bytes() == before


def test_a_decision_outlives_a_station_that_is_killed_right_after(tmp_path: Path) -> None:
    path = tmp_path / "kept.db"
    with Store.open(path, lambda: BAR_CLOSE) as store:
        say(store, GANNET)
    code = (
        "import os, sys, time; from pathlib import Path; from scanner.store import Store\n"
        "store = Store.open(Path(sys.argv[1]), time.time_ns); print('open', flush=True); time.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        assert owner.stdout.readline() == "open\n"
        with Store.open(path, lambda: BAR_CLOSE, visiting=True) as visitor:
            assert run(visitor, "take", "GANNET", "--price", "101.35")[0] == 0
        owner.kill()
    with Store.open(path, lambda: BAR_CLOSE) as store:
        assert [each.kind for each in store.decisions.all()] == ["take"]
        assert check(store) == []


def test_a_price_after_a_split_is_asked_for_in_that_of_before(station: Store) -> None:
    """Else 52 after 104 would count as a loss of half."""
    run(station, "take", "GANNET", "--price", "101.40")
    say(station, told(GANNET, "setup.entered", 1, "open"), told(GANNET, "setup.broken_off", 2, "broken_off"))
    _, out, _ = run(station, "leave", GANNET.id, "--price", "52.10")
    assert out.splitlines()[-1] == (
        "Its story was broken off, and your R is measured with its stop, 100.15. If that was for a split, give your "
        "price in that of before it: leave it again."
    )
    assert "broken off" not in run(station, "leave", GANNET.id).out
