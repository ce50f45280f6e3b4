"""Words for a setup that is forming: what its last bar must do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.present.words.setup_words import PLACES
from scanner.wording.cautions import SHORT
from scanner.wording.times import day_and_time, moment, parse_time
from scanner.wording.words import TITLE_LENGTH, Line, Words, headline, number, phrase, threshold

if TYPE_CHECKING:
    from scanner.event_data import FormingData
    from scanner.ports import Message

NEXT_ONLY = (
    "Valid for the next bar only: if that bar does not do all of this, there is no setup, and you hear no more of it. "
    "Even if it does, place and surroundings are judged only at its close."
)


def setup_forming(message: Message, user_zone: str, exchange_zone: str | None) -> Words:
    """Say what the next bar must do and when it closes; there is no setup yet, so there are no orders."""
    data: FormingData = message.event.data
    needs = [phrase(each["text"]) for each in data["must"]]
    places = [PLACES[key] for key, found in data["places"].items() if found["verdict"]]
    at = f", at {' and '.join(places)}" if places else ""
    close = data["next_close"]
    closes = "" if close is None else f", which closes {moment(parse_time(close), user_zone, exchange_zone)},"
    by = "" if close is None else f" by {day_and_time(close, user_zone)}"
    closed = f"{moment(message.event.time, user_zone, exchange_zone)} at {data['close']} {data['currency']}".rstrip()
    what = f" {data['timeframe']} {data['direction']} {phrase(data['title'])}"
    return Words(
        headline=headline("Forming: ", data["instrument"], f"{what}; needs {needs[0].partition(' (')[0]}{by}"),
        title=headline("Forming: ", data["instrument"], what, TITLE_LENGTH),
        figures=(
            *([] if close is None else [Line("next bar closes", day_and_time(close, user_zone))]),
            *(Line(each["what"].replace("_", " "), phrase(each["text"]).partition(" (")[0]) for each in data["must"]),
        ),
        lead=f"The next bar{closes} may complete a setup: {phrase(data['title'])}, {data['direction']}{at}. "
        f"For that it needs {'; '.join(needs)}. Bar closed {closed}.",
        why=tuple(
            Line(
                f"at {PLACES[key]}",
                found["price"] or "-",
                f"{number(found['measured'])}, {threshold(found['threshold'])}: {phrase(found['text'])}",
            )
            for key, found in data["places"].items()
            if found["verdict"]
        ),
        wrong=NEXT_ONLY,
        record=message.notes.record,
        caution=SHORT,
    )
