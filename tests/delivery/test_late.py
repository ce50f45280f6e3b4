"""When an alert about the next bar is of no use any more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scanner.delivery.late import is_over
from tests.adapters.samples import QUARTER_HOUR, forming_event, setup_event


@pytest.mark.parametrize("is_known", [True, False], ids=["known close", "unknown close"])
def test_what_the_next_bar_must_do_is_over_when_that_bar_has_closed(*, is_known: bool) -> None:
    forming = forming_event(setup := setup_event())
    if not is_known:
        forming = replace(forming, data=forming.data | {"next_close": None})
    closes = forming.time + QUARTER_HOUR
    assert [is_over(forming, now) for now in (forming.time, closes - 1, closes)] == [False, False, True]
    assert not is_over(setup, setup.time + 1_000 * QUARTER_HOUR)
