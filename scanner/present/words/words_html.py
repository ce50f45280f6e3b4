"""Words as a page for mail: one column that a phone can show, light and dark, and nothing fetched from elsewhere."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING

from scanner.present.reports.page_html import document
from scanner.wording.cautions import FULL
from scanner.wording.words import NUMBERS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.wording.words import Line, Words

# Many mail programs read styles only on the element itself. The few rules in the head are for those
# that know dark colours, and must override these.
STYLES = {
    "page": "margin:0;padding:8px 6px;background:#efece4;color:#1b242e;"
    "font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans',sans-serif;font-size:15px;line-height:1.4",
    "card": "max-width:600px;margin:0 auto 10px;padding:14px 0 12px;background:#ffffff;border-top:5px solid #23676b;"
    "border-radius:6px;overflow:hidden",
    "block": "margin:0;padding:0 14px",
    "head": "margin:0 0 6px;font-size:19px;line-height:1.25;font-weight:700;overflow-wrap:anywhere",
    "about": "margin:0 0 10px;font-size:13px;font-weight:700;color:#23676b;overflow-wrap:anywhere",
    "text": "margin:0 0 10px;overflow-wrap:anywhere",
    "against": "margin:0 0 10px;padding:8px 12px;background:#f6ead9;border-left:4px solid #9a5b13;"
    "overflow-wrap:anywhere",
    "orders": "margin:0 0 10px;padding:8px 12px;border:2px solid #23676b;border-radius:4px;font-weight:700;"
    "overflow-wrap:anywhere",
    "glance": "margin:0 0 10px;font-weight:600;overflow-wrap:anywhere",
    "figures": "width:100%;border-collapse:collapse;table-layout:fixed;margin:0 0 10px",
    "figure": "width:50%;padding:4px 8px 4px 0;border-top:1px solid #ded9cd;vertical-align:top;text-align:left;"
    "font-weight:400;overflow-wrap:anywhere",
    "what": "display:block;font-size:12px;line-height:1.3;color:#5a6470",
    "much": "display:block;font-size:16px;line-height:1.3;font-weight:700;font-variant-numeric:tabular-nums",
    "title": "margin:14px 0 4px;font-size:13px;font-weight:700;letter-spacing:.06em;text-transform:uppercase;"
    "color:#23676b",
    "rows": "width:100%;border-collapse:collapse",
    "name": "padding:6px 12px 0 0;border-top:1px solid #ded9cd;text-align:left;vertical-align:top;font-weight:400",
    "value": "padding:6px 0 0;border-top:1px solid #ded9cd;text-align:right;vertical-align:top;font-weight:700;"
    "font-variant-numeric:tabular-nums;overflow-wrap:anywhere",
    "note": "padding:0 0 6px;font-size:13px;line-height:1.35;color:#5a6470;overflow-wrap:anywhere",
    "wrong": "margin:0 0 10px;overflow-wrap:anywhere",
    "record": "margin:0 0 10px;overflow-wrap:anywhere",
    "rest": "margin:0",
    "line": "margin:0;padding:6px 0 7px;border-top:1px solid #ded9cd;overflow-wrap:anywhere",
    "acted": "display:block;font-size:14px;line-height:1.3;font-weight:700",
    "aside": "display:block;font-size:13px;line-height:1.35;color:#5a6470",
    "fold": "padding:4px 0;font-size:13px;font-weight:700;color:#23676b;cursor:pointer;overflow-wrap:anywhere",
    "more": "padding:9px 12px;border:1px solid #23676b;border-radius:4px;font-weight:700;color:#23676b;cursor:pointer",
    "picture": "display:block;width:100%;height:auto;margin:0 0 12px;border:0",
    "foot": "max-width:600px;margin:0 auto;padding:2px 14px 8px;font-size:12px;line-height:1.4;color:#5a6470",
}
DARK = """\
:root { color-scheme: light dark; supported-color-schemes: light dark; }
@media (prefers-color-scheme: dark) {
  .page { background: #12171c !important; color: #e9e6df !important; }
  .card { background: #1c232b !important; border-top-color: #6db9bd !important; }
  .orders, .more { border-color: #6db9bd !important; }
  .title, .about, .more, .fold { color: #7fc6ca !important; }
  .name, .value, .figure, .line { border-top-color: #36414d !important; }
  .note, .what, .aside, .foot { color: #a7b0bb !important; }
  .against { background: #33291a !important; border-left-color: #d99a4e !important; }
}"""
MAIL_COLORS = '<meta name="supported-color-schemes" content="light dark">'
AGAINST = "Something speaks against it: see below."
TIED = re.compile(r"\b(?:entry|stop|size|room|R|at|was) (?=[-−\d])|(?<=\d) (?=(?:R|[A-Z]{3})\b)")
"""What a headline keeps on one line: a word with the number after it, and a number with the R after it."""


def html(words: Words, pictures: Sequence[str | None] = ()) -> str:
    """Write a whole page. ``pictures`` are addresses of charts: one for an alert, or one for each alert of a digest."""
    charts = [*pictures, *[None] * (1 + len(words.parts))]
    cards = [_list(words), _rest(words.parts, charts)] if words.parts else [_alert(words, charts[0])]
    foot = _element("div", "foot", escape(f"{FULL} {NUMBERS}")) if words.caution else ""
    body = _element("body", "page", "\n".join(["", *cards, foot, ""]))
    return document(words.headline, f"\n{DARK}\n", body, metas=[MAIL_COLORS])


def _alert(words: Words, chart: str | None) -> str:
    # Without figures there is no plan or position, so the details are shown open.
    tables = _table("Levels", words.levels) + _table(words.why_title, words.why)
    rest = _element("details", "rest", _element("summary", "more", "All details") + tables)
    return _card(
        _element("h1", "head", _tied(words.headline))
        + _about(words)
        + _text("orders", words.orders)
        + _figures(words.figures),
        chart,
        _text("text", words.lead)
        + _text("against", words.against)
        + _text("wrong", words.wrong)
        + _text("text", words.folded)
        + _text("record", words.record)
        + (rest if words.figures else tables),
    )


def _list(words: Words) -> str:
    """List the alerts of a digest, each as the line to act on, so that a few screens of a phone show ten."""
    lines = [
        _element(
            "p",
            "line",
            _element("span", "acted", _tied(part.headline))
            + "".join(
                _element("span", "aside", escape(text)) for text in (part.orders, part.against and AGAINST) if text
            ),
        )
        for part in words.parts
    ]
    return _card(_element("h1", "head", _tied(words.headline)) + _text("text", words.lead) + "".join(lines), None, "")


def _rest(parts: Sequence[Words], charts: Sequence[str | None]) -> str:
    """Fold the rest of each alert of a digest, with its chart."""
    folded = [
        _element(
            "details",
            "rest",
            _element("summary", "fold", escape(part.title or part.headline))
            + _text("text", part.lead)
            + _text("against", part.against)
            + _text("glance", part.glance)
            + _text("wrong", part.wrong)
            + _text("record", part.record)
            + _picture(chart),
        )
        for part, chart in zip(parts, charts, strict=False)
    ]
    return _card(_element("h2", "title", "More on each") + "".join(folded), None, "")


def _card(above: str, chart: str | None, below: str) -> str:
    """Place a chart, as wide as the card, between the parts above and below it."""
    return _element("div", "card", _element("div", "block", above) + _picture(chart) + _element("div", "block", below))


def _figures(figures: Sequence[Line]) -> str:
    """Set the key figures in two columns."""
    if not figures:
        return ""
    cells = [
        _element(
            "td", "figure", _element("span", "what", escape(each.name)) + _element("span", "much", _tied(each.value))
        )
        for each in figures
    ]
    cells += [_element("td", "figure", "")] * (len(cells) % 2)
    rows = "\n".join(f"<tr>{one}{other}</tr>" for one, other in zip(cells[::2], cells[1::2], strict=True))
    return _element("table", "figures", f"\n{rows}\n")


def _tied(text: str) -> str:
    """Escape a text, with the blanks that must not break."""
    return escape(TIED.sub(lambda found: found[0].replace(" ", "\u00a0"), text))


def _about(words: Words) -> str:
    """Name the subject, if the headline does not begin with it."""
    return "" if words.headline.startswith(words.title) else _text("about", words.title)


def _element(tag: str, style: str, inner: str) -> str:
    return f'<{tag} class="{style}" style="{STYLES[style]}">{inner}</{tag}>'


def _text(style: str, text: str) -> str:
    return _element("p", style, escape(text)) if text else ""


def _picture(address: str | None) -> str:
    if address is None:
        return ""
    alt = "Chart; what it shows is in the text"
    return f'<img class="picture" style="{STYLES["picture"]}" src="{escape(address)}" alt="{alt}">'


def _table(title: str, lines: Sequence[Line]) -> str:
    if not lines:
        return ""
    rows = "\n".join(_row(line) for line in lines)
    return _element("h3", "title", title) + _element("table", "rows", f"\n{rows}\n")


def _row(line: Line) -> str:
    note = f'<td colspan="2" class="note" style="{STYLES["note"]}">{escape(line.note)}</td>'
    return (
        f"<tr>{_element('th', 'name', escape(line.name))}{_element('td', 'value', escape(line.value))}</tr>"
        f"<tr>{note}</tr>"
    )
