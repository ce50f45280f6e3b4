"""The greatest number of deliveries a minute, also when the clock is set."""

from __future__ import annotations

from scanner.clocks import MINUTE, SECOND
from scanner.delivery.ceiling import Ceiling

NOW = 1_772_467_200 * SECOND


def test_there_is_room_again_a_minute_after_each_delivery_and_at_once_when_the_clock_was_ahead() -> None:
    ceiling = Ceiling(3)
    ceiling.count(NOW, 2)
    ceiling.count(NOW + 40 * SECOND)
    assert ceiling.room(NOW + 50 * SECOND) == 0
    assert ceiling.opens() == NOW + MINUTE
    assert ceiling.room(NOW + MINUTE - 1) == 0
    assert ceiling.room(NOW + MINUTE) == 2
    ceiling.count(NOW + MINUTE, 2)
    assert ceiling.room(NOW + MINUTE) == 0
    assert ceiling.room(NOW - 3_000 * MINUTE) == 3, "nothing waits for days because the clock was set back"
