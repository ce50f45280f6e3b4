"""Invented events for tests, filled in as the engine fills them."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from scanner.events import Event, event_id, rfc3339

if TYPE_CHECKING:
    from scanner.event_data import (
        Direction,
        Entry,
        FormingData,
        FoundInShort,
        Measure,
        SetupData,
        StationData,
        WithdrawnData,
    )

BAR_CLOSE = 1_772_467_200_000_000_000
"""2026-03-02T16:00:00Z, in nanoseconds since 1970."""
QUARTER_HOUR = 900_000_000_000

RECORD = (
    "So far 214 of this kind on your bars: 31 % winners, mean −0.02 R net of costs (95 % interval −0.21 … +0.19), "
    "without the best 1 % −0.10 R: no sign of an edge."
)
"""Invented, too."""

LINE = "entry 101.35 (buy stop), stop 100.15, size 833, 999.60 EUR at risk, room 2.38 R, until Mon 2 Mar 17:45 Berlin"
"""What ``setup_event`` says to a reader in Berlin, in the line that can be acted on."""

HOSTILE_NAMES = {
    "newlines": "ABC\r\nBcc: someone@example.org\n\nDEF",
    "markup": "[bold red]<script>alert(1)</script>&amp;[/]",
    "escapes": "\x1b[2J\x1b]0;title\x07\x9b31m",
    "wildcards": "#/+/$share/%2F/../*",
    "dollar": "$SYS/broker",
    "right to left": "abc\u202egpj.exe\u2066\u200f שלום",
    "long": "N" * 10_240,
    "emoji": "🚀👩\u200d👩\u200d👧 émoji ☃",
    "null": "A\0B",
    "spaces": "  two  ends  ",
    "empty": "",
}
"""Instrument names that would break out of a line, a topic, a header or a page, by what is nasty about them."""


def _measures(*rows: tuple[str, float, str, bool, str]) -> dict[str, Measure]:
    return {
        name: {"measured": measured, "threshold": threshold, "verdict": verdict, "text": text}
        for name, measured, threshold, verdict, text in rows
    }


def setup_data(
    instrument: str = "HARBOUR", timeframe: str = "15m", direction: Direction = "long", bar_close: int = BAR_CLOSE
) -> SetupData:
    """Make the data of a setup: closed at 101.20; to be entered by the break 0.15 on, with its stop 1.20 from there."""
    sign, over, low, up = (1, "above", "low", "up") if direction == "long" else (-1, "below", "high", "down")

    def price(steps: str) -> str:
        return f"{Decimal('101.20') + sign * Decimal(steps):f}"

    def entry(at: str, risk: str, room: str, size: str, reason: str) -> Entry:
        return {
            "price": price(at),
            "risk": risk,
            "objectives": [price(str(Decimal(at) + n * Decimal(risk))) for n in (1, 2, 3)],
            "obstacle": price("3.00"),
            "obstacle_text": reasons["obstacle"],
            "being_broken": [],
            "room": room,
            "size": size,
            "size_reason": f"risk limit 1000.00 EUR, {risk} EUR a unit",
            "at_risk": f"{Decimal(size) * Decimal(risk):f}",
            "reason": reason,
        }

    reasons = {
        "early": f"open of the next bar, estimated at the close; void if it opens {over} {price('0.30')}",
        "break": f"one step {over} the last bar's {'high' if sign > 0 else 'low'}, as a stop order",
        "average": f"close is {over} the 50-bar average already",
        "stop": f"0.05 beyond the doji's {low}",
        "obstacle": f"swing {'high' if sign > 0 else 'low'}",
    }
    no_entry: Entry = {
        "price": None,
        "risk": None,
        "objectives": [],
        "obstacle": None,
        "obstacle_text": reasons["average"],
        "being_broken": [],
        "room": None,
        "size": None,
        "size_reason": reasons["average"],
        "at_risk": None,
        "reason": reasons["average"],
    }
    entries = {
        "early": entry("0.00", "1.05", "2.86", "952", reasons["early"]),
        "break": entry("0.15", "1.20", "2.38", "833", reasons["break"]),
        "average": no_entry,
    }
    rules = _measures(
        ("drive_direction", 0.85, "> 0", True, f"smaller of the two drives' bodies, counted {up}"),
        ("drive_length", 1.62, ">= 1", True, "first drive's body in usual bodies"),
        ("not_exhausted", 1.9, "<= 3", True, "first drive's range in ATR"),
        ("drive_solid", 0.74, ">= 0.5", True, "less solid drive's body as a fraction of its range"),
        ("doji_body", 0.04, "<= 0.1", True, "doji's body as a fraction of its range"),
        ("doji_short", 0.31, "<= 0.75", True, "doji's range as a fraction of the first drive's"),
        ("drives_alike", 1.12, "0.5714 to 1.75", True, "second drive's body as a fraction of the first's"),
        ("progress", 0.55, "> 0", True, "how far the last close lies beyond the first drive's close and the doji"),
        ("momentum", 2.0, "<= 10", True, f"bars since the MACD line crossed {over} its signal"),
        ("traded", 3.0, ">= 3", True, "bars of the three that traded"),
        ("place", 2.0, ">= 1", True, "places that hold"),
    )
    looked_at = _measures(
        ("line", 0.21, "<= 0.5", True, f"the pullback's {low} in ATR from a trend line with 3 touches"),
        ("average", 1.4, "<= 0.5", False, f"the pullback's {low} in ATR from the 50-bar average"),
        ("level", 3.0, ">= 2", True, f"swing points within 0.5 ATR of the pullback's {low}"),
        ("turn", 1.8, ">= 3", False, f"move in ATR to the pullback's {low}, which is not the {low}est of 40 bars"),
    )
    prices = {"line": "-1.35", "average": "-2.10", "level": "-1.30", "turn": "-1.25"}
    return {
        "instrument": instrument,
        "timeframe": timeframe,
        "setup": "doji_pause",
        "title": "doji pause",
        "bars": [
            {"letter": "A", "name": "first drive"},
            {"letter": "D", "name": "doji"},
            {"letter": "B", "name": "second drive"},
        ],
        "direction": direction,
        "bar_open": rfc3339(bar_close - QUARTER_HOUR),
        "bar_close": rfc3339(bar_close),
        "close": price("0.00"),
        "step": "0.05",
        "currency": "EUR",
        "place": "line",
        "rules": rules,
        "places": {
            name: {
                "measured": found["measured"],
                "threshold": found["threshold"],
                "verdict": found["verdict"],
                "text": found["text"],
                "price": price(prices[name]),
            }
            for name, found in looked_at.items()
        },
        "surroundings": _measures(
            ("trend", 1.0, ">= 0", True, "with the trend, by the close and the 200-bar average over 10 bars"),
            ("room", 2.38, ">= 1", True, "distance from the entry to the obstacle in R"),
            ("volatility", 1.31, "<= 1.15", False, "loud: ATR in means of its last 100 values"),
        ),
        "set_aside": "",
        "alongside": ["inside_bar long"],
        "evidence": {
            **{f"place_{name}": found for name, found in looked_at.items()},
            **_measures(
                ("engulfing", 1.3, "covers it", True, "first drive's body in bodies of the bar before it"),
                ("doji_inside", -0.05, "<= 0", True, "how far the doji reaches beyond the first drive's range"),
                ("doji_tight", 0.31, "<= 0.35", True, "doji's range as a fraction of the first drive's"),
                ("beyond_fast_average", 1.05, "> 0", True, f"how far the close lies {over} the 50-bar average"),
                ("beyond_slow_average", 3.4, "> 0", True, f"how far the close lies {over} the 200-bar average"),
                ("volume", 0.8, "> 1", False, "last bar's volume as a multiple of the mean of 20 bars"),
            ),
        },
        "evidence_points": 7,
        "evidence_total": 10,
        "levels": {
            "early": price("0.00"),
            "break": price("0.15"),
            "average": None,
            "stop": price("-1.05"),
            "objectives": entries["break"]["objectives"],
            "obstacle": price("3.00"),
        },
        "level_reasons": reasons,
        "entry_style": "break",
        "entry_within": 3,
        "valid_until": rfc3339(bar_close + 3 * QUARTER_HOUR),
        "entries": entries,
        "spoiled_by": "",
        "exit_plan": {"style": "ride", "reason": f"close is {over} the 200-bar average"},
        "size": entries["break"]["size"],
        "size_reason": entries["break"]["size_reason"],
        "account_currency": "EUR",
        "warnings": ["the position is worth 84299.60 EUR, 1.69 times the equity"],
    }


def setup_event(
    instrument: str = "HARBOUR", timeframe: str = "15m", direction: Direction = "long", bar_close: int = BAR_CLOSE
) -> Event:
    """Say that a setup stands."""
    data = setup_data(instrument, timeframe, direction, bar_close)
    name = event_id("setup.qualified", instrument, timeframe, "doji_pause", direction, str(bar_close))
    return Event("setup.qualified", name, bar_close, f"{instrument}/{timeframe}", data, thread=name)


def forming_event(setup: Event) -> Event:
    """Say at the bar before a setup what the next bar must do; above 100.65 for a long, which closes at 101.20."""
    about, long = setup.data, setup.data["direction"] == "long"
    price, over, up = ("100.65", "above", "up") if long else ("101.75", "below", "down")
    close, before = rfc3339(setup.time), setup.time - QUARTER_HOUR
    texts = (f"a close {over} {price} (beyond the doji)", f"a body of 0.80 to 2.40, closing {up}")
    data: FormingData = {
        **{name: about[name] for name in ("instrument", "timeframe", "setup", "title", "bars", "direction")},  # type: ignore[typeddict-item]  # the names are those of both
        "bar_open": rfc3339(before - QUARTER_HOUR),
        "bar_close": rfc3339(before),
        "close": "100.60",
        "step": about["step"],
        "currency": about["currency"],
        "next_open": rfc3339(before),
        "next_close": close,
        "becomes": setup.id,
        "places": about["places"],
        "must": [
            {
                "what": "close",
                "least": price if long else None,
                "most": None if long else price,
                "beyond": True,
                "text": texts[0],
            },
            {"what": "body", "least": "0.80", "most": "2.40", "beyond": False, "text": texts[1]},
        ],
        "text": f"The next bar must bring {'; '.join(texts)}.",
    }
    return Event("setup.forming", event_id("setup.forming", setup.id), before, setup.subject, data)


def set_aside_event(instrument: str = "HARBOUR", reason: str = "cost fails: 0.3, wanted <= 0.1") -> Event:
    """Say that a setup was set aside."""
    data = setup_data(instrument) | {"set_aside": reason}
    name = event_id("setup.set_aside", instrument, str(BAR_CLOSE))
    return Event("setup.set_aside", name, BAR_CLOSE, f"{instrument}/15m", data, thread=name)


def withdrawn_event(setup: Event) -> Event:
    """Say that a setup said earlier no longer holds."""
    about = setup.data
    data: WithdrawnData = {
        "instrument": about["instrument"],
        "timeframe": about["timeframe"],
        "setup": about["setup"],
        "direction": about["direction"],
        "bar_open": about["bar_open"],
        "bar_close": about["bar_close"],
        "withdraws": setup.id,
        "evidence_points": about["evidence_points"],
        "set_aside": setup.kind == "setup.set_aside",
        "otherwise": False,
        "reason": "the feed restated the bar",
    }
    return Event(
        "setup.withdrawn", event_id("setup.withdrawn", setup.id), setup.time, setup.subject, data, thread=setup.id
    )


def found_in_short(instrument: str = "HARBOUR", bar_close: int = BAR_CLOSE) -> FoundInShort:
    """List a setup as a summary does."""
    return {
        "what": "setup",
        "instrument": instrument,
        "timeframe": "15m",
        "title": "doji pause",
        "direction": "long",
        "bar_close": rfc3339(bar_close),
        "entry": "101.35",
        "stop": "100.15",
        "size": "833",
        "room": "2.38",
    }


def station_event(station: str = "loft") -> Event:
    """Say that a station is still watching."""
    data: StationData = {
        "station": station,
        "reason": "still watching",
        "series": 12,
        "bars": 4_032,
        "setups_found": 1,
        "setups": ["HARBOUR/15m long 2026-03-02T16:00:00Z"],
        "found": [found_in_short()],
        "troubles": [],
    }
    return Event("station.watching", event_id("station.watching", station, str(BAR_CLOSE)), BAR_CLOSE, station, data)
