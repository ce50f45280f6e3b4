"""The data of each kind of event, and how its texts are written; the contract is made from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from typing_extensions import TypedDict  # the standard one keeps too little information before Python 3.12

if TYPE_CHECKING:
    from collections.abc import Callable

Direction = Literal["long", "short"]
EntryStyle = Literal["early", "break", "average"]
ExitStyle = Literal["ride", "quick"]
Place = Literal["line", "average", "level", "turn"]
State = Literal["waiting", "open", "stopped", "left", "left_on_pressure", "lapsed", "spoiled", "broken_off"]
"""The state of a setup's story: it waits for its entry, is open, or has ended in one of the other ways."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a text of an event is written, in the keywords of JSON Schema; the published contract takes it from here."""

    pattern: str
    format: str = ""

    def __get_pydantic_json_schema__(self, schema: Any, handler: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:  # noqa: ANN401 - a schema of pydantic, which is not imported here
        """Add it to a JSON Schema made from the types below."""
        return handler(schema) | {"pattern": self.pattern} | ({"format": self.format} if self.format else {})


DecimalText = Annotated[str, Form(r"^-?(0|[1-9][0-9]*)(\.[0-9]+)?$")]
"""A number as a decimal string, never with an exponent; a price at the instrument's step."""
MomentText = Annotated[str, Form("Z$", "date-time")]
"""RFC 3339, in UTC."""
CurrencyText = Annotated[str, Form("^([A-Z]{3})?$")]
"""ISO 4217; empty if unknown."""
TimeframeText = Annotated[str, Form("^[1-9][0-9]*[mhdw]$")]
EventIdText = Annotated[str, Form("^[0-9a-f]{32}$")]


class Measure(TypedDict):
    """One rule, place or point of evidence: its measured value, its threshold and its verdict.

    ``measured`` is null if there was nothing to measure; ``threshold`` is what the measured value is compared with, in
    the same unit; ``verdict`` is whether it holds; ``text`` says it in words.
    """

    measured: float | None
    threshold: str
    verdict: bool
    text: str


NOT_JUDGED = "not judged"
"""The start of the text of one of the surroundings that cannot be judged, and so holds."""


class PlaceFound(Measure):
    """A place that was looked for; ``price`` is its price, null if none was found."""

    price: DecimalText | None


class Entry(TypedDict):
    """One of the three ways to enter: price, risk and objectives as decimal strings at the instrument's step.

    ``obstacle`` is the nearest one at least a step beyond the price, null if there is none, and ``obstacle_text`` says
    what it is. ``being_broken`` lists what lies between the close and the price («41.20 swing high»). ``at_risk`` is
    what the size loses between price and stop, before costs, in the currency of the account; null without a size.
    """

    price: DecimalText | None
    risk: DecimalText | None
    objectives: list[DecimalText]
    obstacle: DecimalText | None
    obstacle_text: str
    being_broken: list[str]
    room: DecimalText | None
    size: DecimalText | None
    size_reason: str
    at_risk: DecimalText | None
    reason: str


# Written this way because "break" cannot be the name of a class attribute.
Levels = TypedDict(
    "Levels",
    {
        "early": DecimalText | None,
        "break": DecimalText | None,
        "average": DecimalText | None,
        "stop": DecimalText,
        "objectives": list[DecimalText],
        "obstacle": DecimalText | None,
    },
)
"""The levels of a setup, decimal strings at the instrument's step; null if a level does not apply.

``objectives`` (1R, 2R and 3R) and ``obstacle`` are those of the chosen entry style.
"""


class ExitPlan(TypedDict):
    """How to exit: ``style`` is ride (close beyond the slow average) or quick, ``reason`` says why."""

    style: ExitStyle
    reason: str


class SetupBar(TypedDict):
    """One bar of a setup: the letter by which a chart marks it, and its name."""

    letter: str
    name: str


class BarOfSetup(TypedDict):
    """Which setup it is about, and one bar; the types below say which bar."""

    instrument: str
    timeframe: TimeframeText
    setup: str
    title: str
    bars: list[SetupBar]
    direction: Direction
    bar_open: MomentText
    bar_close: MomentText
    close: DecimalText
    step: DecimalText
    currency: CurrencyText


class SetupData(BarOfSetup):
    """A setup whose rules all hold: where and when, why, and the levels.

    ``setup`` is its name and ``title`` its name in sentences; ``bars`` are its bars, oldest first, the last of which is
    the one from ``bar_open`` to ``bar_close``. ``place`` is the safest of the places that hold, null if none does and
    the setup needs none. ``set_aside`` says how a suspected bad tick affects it and which of the required surroundings
    fail, and is empty for a qualified setup. ``alongside`` names other setups at the same bar, each as its name and
    direction. ``entry_within`` is the number of bars in which its entry must come, and ``valid_until`` when that ends:
    at the open of the next bar for an early entry, at the open of the last of these bars for an average entry, and at
    its close for a break entry; null if the sessions are unknown, or for more than 1000 bars. ``spoiled_by`` is what
    spoils it before the entry besides a close beyond the stop or a cross back of the MACD line; empty if nothing else
    does. ``size`` is that of the chosen entry style, null if none can be given; ``size_reason`` says how it was found
    or why there is none, and ``warnings`` what is likely to hurt. ``step`` and ``currency`` are the instrument's,
    ``account_currency`` is that of the account.
    """

    place: Place | None
    rules: dict[str, Measure]
    places: dict[str, PlaceFound]
    surroundings: dict[str, Measure]
    set_aside: str
    alongside: list[str]
    evidence: dict[str, Measure]
    evidence_points: int
    evidence_total: int
    levels: Levels
    level_reasons: dict[str, str]
    entry_style: EntryStyle
    entry_within: int
    valid_until: MomentText | None
    entries: dict[str, Entry]
    spoiled_by: str
    exit_plan: ExitPlan
    size: DecimalText | None
    size_reason: str
    account_currency: CurrencyText
    warnings: list[str]


def chosen_entry(data: SetupData) -> Entry:
    """Give the entry that is followed."""
    return data["entries"][data["entry_style"]]


class Must(TypedDict):
    """One thing that the next bar must do: ``what`` must lie from ``least`` to ``most``, null if there is no bound.

    ``what`` is its close, high or low, its range, its body, counted in the direction of the setup, or body_of_range,
    the body as a fraction of the range. With ``beyond``, the bounds themselves are not enough. ``text`` says it in
    words («a close above 42.40»).
    """

    what: Literal["close", "high", "low", "body", "range", "body_of_range"]
    least: DecimalText | None
    most: DecimalText | None
    beyond: bool
    text: str


class FormingData(BarOfSetup):
    """A setup that the next bar may complete: the bars up to this one meet its rules.

    ``bar_open``, ``bar_close`` and ``close`` are of this bar, the last but one of the setup. ``next_open`` and
    ``next_close`` are of the bar that may complete it, and ``becomes`` is the id that the setup then has; null if the
    sessions are unknown. ``must`` is all that the setup asks of that bar, with bounds at the instrument's step, and
    ``text`` says it in one sentence. ``places`` are those at this bar, empty if the setup needs none: they and the
    surroundings are judged at the close of the next bar. This is valid for the next bar only, and no event follows if
    that does not complete the setup.
    """

    next_open: MomentText | None
    next_close: MomentText | None
    becomes: EventIdText | None
    places: dict[str, PlaceFound]
    must: list[Must]
    text: str


class WithdrawnData(TypedDict):
    """An earlier setup that no longer holds as reported, because the feed restated a bar.

    ``withdraws`` is its event's id, ``evidence_points`` are those it was reported with, and ``set_aside`` says whether
    it was set aside. ``otherwise`` says that it holds with other levels, evidence or another way to exit, or that it is
    now set aside or no longer so: then an event of its own reports it as it is now.
    """

    instrument: str
    timeframe: TimeframeText
    setup: str
    direction: Direction
    bar_open: MomentText
    bar_close: MomentText
    withdraws: EventIdText
    evidence_points: int
    set_aside: bool
    otherwise: bool
    reason: str


class StoryData(TypedDict):
    """How a reported setup goes on, at the close of a bar.

    ``bar_open``, ``bar_close`` and ``close`` are of that bar, ``setup_close`` is the close of the setup's last bar, and
    ``set_aside`` says whether the setup was set aside. ``reason`` says why it is reported. ``planned_entry`` and
    ``planned_risk`` are those of ``entry_style``, ``entry`` and ``risk`` those of the fill, null without one. ``exit``
    is the exit price, ``half_exit`` that of the half closed before. All R are in units of the risk of the fill: ``r``
    is the result once the position is closed, and until then that at the close; ``r_at_stop`` is the result at the
    stop, ``best_r`` and ``worst_r`` the furthest for and against it so far, ``cost_r`` the costs of both ways, null if
    unknown. ``result`` is the result in money for ``size``, before costs, in ``currency``, null if half was closed and
    ``size`` is not an even number of lots; ``point_value`` is what a unit gains in it when the price rises by 1.
    ``bars_waited`` counts the bars without an entry, ``bars_held`` those that closed with the position open.
    ``pressure`` names the signs of pressure against a ride in the last bars, of which ``pressure_needed`` different
    ones end it. ``orders`` are the orders that are valid now, empty if there are none, and ``next`` says what would
    change the plan next. ``warnings`` are about what comes soon: a weekend, a holiday, or one of the user's dates.
    """

    instrument: str
    timeframe: TimeframeText
    setup: str
    title: str
    direction: Direction
    set_aside: bool
    evidence_points: int
    setup_close: MomentText
    bar_open: MomentText
    bar_close: MomentText
    close: DecimalText
    step: DecimalText
    currency: CurrencyText
    entry_style: EntryStyle
    exit_style: ExitStyle
    state: State
    reason: str
    planned_entry: DecimalText
    planned_risk: DecimalText
    entry: DecimalText | None
    risk: DecimalText | None
    first_stop: DecimalText
    stop: DecimalText
    exit: DecimalText | None
    half_exit: DecimalText | None
    r: DecimalText | None
    r_at_stop: DecimalText | None
    best_r: DecimalText | None
    worst_r: DecimalText | None
    cost_r: DecimalText | None
    size: DecimalText | None
    point_value: DecimalText
    result: DecimalText | None
    bars_waited: int
    bars_held: int
    pressure: list[str]
    pressure_needed: int
    orders: str
    next: str
    warnings: list[str]


class SeriesData(TypedDict):
    """A series put on hold (``series.held``) or warm again (``series.resumed``); ``ready_after`` counts bars."""

    instrument: str
    timeframe: TimeframeText
    bar_open: MomentText
    bar_close: MomentText
    reason: str
    ready_after: int


class FeedData(TypedDict):
    """A feed that is late or back: which series, since which bar close, and how many bars were caught up."""

    feed: str
    series: list[str]
    since: MomentText
    caught_up: int
    reason: str


class FoundInShort(TypedDict):
    """A setup, or its ending, as a summary lists it: ``what`` is «setup», or its ending, such as «lapsed».

    ``entry``, ``stop``, ``size`` and ``room`` are those of the entry style that is followed; null if there is none,
    and ``room`` for an ending.
    """

    what: str
    instrument: str
    timeframe: TimeframeText
    title: str
    direction: Direction
    bar_close: MomentText
    entry: DecimalText | None
    stop: DecimalText
    size: DecimalText | None
    room: DecimalText | None


class StationData(TypedDict):
    """A station's report on itself: after catching up, and once a day while it is still watching.

    ``bars`` counts those looked at since the summary of this kind before, or the start. ``setups_found`` counts the
    setups since then; after catching up only those that were too old to be sent, and with them the endings that were.
    ``setups`` names the last of them, and ``found`` has the same with their levels, both oldest first.
    """

    station: str
    reason: str
    series: int
    bars: int
    setups_found: int
    setups: list[str]
    found: list[FoundInShort]
    troubles: list[str]
