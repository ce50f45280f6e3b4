"""How a study is made, in words, with its sources, and its inputs."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from scanner.present.study.numbers import count
from scanner.present.study.tables import Row, table
from scanner.wording.words import counted, name

if TYPE_CHECKING:
    from scanner.studies.schema import Study

METHOD = {
    "Bars and setups": (
        "All bars went through the code that judges live ones: rows that cannot be bars are refused, coarser bars are "
        "made from finer ones, and a setup is found at the close of its last bar, from that bar and those before it. "
        "If the instruments were chosen because they still trade, those that failed are missing: that flatters longs, "
        "of setups and of random bars alike, so read a mean together with the comparison with chance."
    ),
    "Entries, exits and worst-case fills": (
        "Each setup is followed bar by bar as it would be live. A gap fills at the open, and if a bar reaches both the "
        "stop and the objective, the stop counts as first. A setup counts in figures of R once it is closed, so those "
        "still open where the bars end are missing there, and more often long-lasting ones than others. One set "
        "aside by a required surrounding or a suspected bad tick is counted separately, in no other figure."
    ),
    "R and costs": (
        "R is the result in units of the risk at the fill, net of spread, commission and slippage if the configuration "
        "has them, and of 0.05 R if it has none. A constant cost in R flatters tight stops. What it costs to hold a "
        "position, such as interest, the fee for shares sold short and dividends, is not counted."
    ),
    "Intervals": (
        "Trades of the same month are correlated; on many instruments even those of the same day. So each of many "
        "samples draws whole months with replacement: blocks of time instead of single values, as Politis and Romano "
        "(1994) do with stretches of any length. The interval of a mean is that of the bootstrap-t over these samples "
        "(Efron and Tibshirani 1993). The design effect is the factor by which the months widen the variance of a mean "
        "(Kish 1965). The interval of a share is Wilson's (Newcombe 1998) for as many trades as the design effect "
        "leaves "
        "(Korn and Graubard 1998), and that of a median is read from it (Woodruff 1952)."
    ),
    "Too few": (
        "Fewer than 30 closed trades, or trades in fewer than 12 months, have no interval: they are grey, and say so."
    ),
    "Chance": (
        "For each setup, bars of the same series are drawn at random and traded on the same side, with the same risk "
        "in ATR, entry, exits, costs and worst-case fills: once from all bars, once from those on the same side of the "
        "slow average with a fresh cross. A bar where the costs would set a setup aside does not count. Samples of "
        "whole months say what the difference may be. “Chance as good” is how often a random pick of these bars does "
        "at least as well."
    ),
    "Changes of the rules": (
        "Each rule and surrounding is switched and each setting changed, one at a time, and compared with the rules as "
        "they are in the same samples of months. A search among many always finds something by chance. So the "
        "corrected intervals hold for all changes at once (Romano and Wolf 2005), q controls the false discovery rate "
        "(Benjamini and Hochberg 1995), and the best of all is judged by its superior predictive ability (Hansen "
        "2005), with errors measured in each sample. A change that differs in too few trades is grey and is not among "
        "those "
        "corrected for one another."
    ),
    "Walk-forward": (
        "For each year, the change with the best trades that had ended before the year is chosen, and only the setups "
        "it finds in that year count. So no choice uses the bars on which it is judged."
    ),
    "How much is enough": (
        "The smallest mean that the trades can tell from 0 is the one with which the interval of 80 % of the samples "
        "would lie above 0. To tell a mean m from 0 as surely, two-sided at 5 %, plain normal theory requires "
        "(1.960 + 0.842)² · s² / m² trades with a standard deviation of s, times the design effect."
    ),
    "Looks": (
        "Every question asked of the same bars is a look, and enough looks find an edge by chance. Each change of the "
        "rules that an earlier study showed is one more. The verdict therefore uses an interval at "
        "the level 1 − 0.05 / looks. It speaks of an edge only where that interval and the one of the difference from "
        "chance both lie above 0."
    ),
}
SOURCES = (
    (
        "Y. Benjamini and Y. Hochberg, Controlling the false discovery rate, Journal of the Royal Statistical Society "
        "B 57 (1995) 289-300."
    ),
    "B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 12 (from memory).",
    (
        "P. R. Hansen, A test for superior predictive ability, Journal of Business & Economic Statistics 23 (2005) "
        "365-380."
    ),
    "L. Kish, Survey Sampling, 1965 (from memory).",
    "E. L. Korn and B. I. Graubard, Survey Methodology 24 (1998) 193-201 (from memory).",
    (
        "R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998) "
        "857-872."
    ),
    (
        "D. N. Politis and J. P. Romano, The stationary bootstrap, Journal of the American Statistical Association 89 "
        "(1994) 1303-1313."
    ),
    "J. P. Romano and M. Wolf, Econometrica 73 (2005) 1237-1282 (from memory).",
    "R. S. Woodruff, Journal of the American Statistical Association 47 (1952) 635-646 (from memory).",
    (
        "A published result for comparison: candlestick rules in large US shares showed no value after "
        "bootstrapping. B. R. Marshall, M. R. Young and L. C. Rose, Journal of Banking & Finance 30 (2006) 2303-2323 "
        "(from memory)."
    ),
)
MARK_LENGTH = 12
NAME_LENGTH = 60
MOST_FILES = 60


def method() -> str:
    """Say how everything was computed."""
    told = [f"<h3>{escape(title)}</h3><p>{escape(words)}</p>" for title, words in METHOD.items()]
    sources = "".join(f"<li>{escape(source)}</li>" for source in SOURCES)
    return "\n".join([*told, f"<h3>Sources</h3><ul>{sources}</ul>"])


def read(study: Study) -> str:
    """Say what was read, and what is needed to repeat the study."""
    words = (
        f"Rules marked {study.settings_mark[:MARK_LENGTH]}, random draws from seed {study.seed}. The same files, "
        "rules and seed give the same figures to the last digit, on any number of processes."
    )
    if not study.files:
        return f"<p>{escape(words)} The bars were passed as tables in memory.</p>"
    shown, caption = study.files[:MOST_FILES], "Files that were read"
    if len(shown) < len(study.files):
        caption += f": the first {MOST_FILES} of {counted(len(study.files), 'file')}"
    rows = [Row(name(each.name, NAME_LENGTH), (count(each.size), each.mark[:MARK_LENGTH])) for each in shown]
    return f"<p>{escape(words)}</p>\n{table(caption, ('file', 'bytes', 'SHA-256 begins'), rows)}"
