"""Words as a page for mail: one column that a phone can show, light and dark, and nothing fetched from elsewhere."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING

from scanner.present.cautions import FULL
from scanner.present.page_html import document

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.present.wording import Line, Words

# Many mail programs read styles only where they stand on the element itself. The few rules in the head are for those
# that know dark colours, and have to overrule these.
STYLES = {
    "page": "margin:0;padding:16px 8px;background:#efece4;color:#1b242e;"
    "font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans',sans-serif;font-size:16px;line-height:1.45",
    "card": "max-width:560px;margin:0 auto 12px;padding:18px 18px 14px;background:#ffffff;border-top:5px solid #23676b;"
    "border-radius:6px",
    "head": "margin:0 0 8px;font-size:20px;line-height:1.25;font-weight:700;overflow-wrap:anywhere",
    "text": "margin:0 0 12px;overflow-wrap:anywhere",
    "orders": "margin:0 0 12px;padding:8px 12px;border:2px solid #23676b;border-radius:4px;font-weight:700;"
    "overflow-wrap:anywhere",
    "glance": "margin:0 0 12px;font-weight:600;overflow-wrap:anywhere",
    "title": "margin:18px 0 4px;font-size:13px;font-weight:700;letter-spacing:.06em;text-transform:uppercase;"
    "color:#23676b",
    "rows": "width:100%;border-collapse:collapse",
    "name": "padding:7px 12px 0 0;border-top:1px solid #ded9cd;text-align:left;vertical-align:top;font-weight:400",
    "value": "padding:7px 0 0;border-top:1px solid #ded9cd;text-align:right;vertical-align:top;font-weight:700;"
    "font-variant-numeric:tabular-nums;overflow-wrap:anywhere",
    "note": "padding:0 0 7px;font-size:13px;line-height:1.35;color:#5a6470;overflow-wrap:anywhere",
    "wrong": "margin:16px 0 4px;padding:10px 12px;background:#f6ead9;border-left:4px solid #9a5b13;"
    "overflow-wrap:anywhere",
    "record": "margin:16px 0 4px;overflow-wrap:anywhere",
    "picture": "display:block;width:100%;height:auto;margin:4px 0 12px;border:0;border-radius:4px",
    "foot": "max-width:560px;margin:0 auto;padding:2px 18px 12px;font-size:13px;line-height:1.4;color:#5a6470",
}
DARK = """\
:root { color-scheme: light dark; supported-color-schemes: light dark; }
@media (prefers-color-scheme: dark) {
  .page { background: #12171c !important; color: #e9e6df !important; }
  .card { background: #1c232b !important; border-top-color: #6db9bd !important; }
  .orders { border-color: #6db9bd !important; }
  .title { color: #7fc6ca !important; }
  .name, .value { border-top-color: #36414d !important; }
  .note, .foot { color: #a7b0bb !important; }
  .wrong { background: #33291a !important; border-left-color: #d99a4e !important; }
}"""
MAIL_COLORS = '<meta name="supported-color-schemes" content="light dark">'
TIED = re.compile(r"\b(?:entry|stop|R|at|was) (?=[-\d])|(?<=\d) (?=R\b)")
"""What a headline keeps on one line: a word with the number after it, and a number with the R after it."""


def html(words: Words, pictures: Sequence[str | None] = ()) -> str:
    """Write a whole page. ``pictures`` are addresses of charts: one of an alert, or one for each alert of a digest."""
    charts = [*pictures, *[None] * (1 + len(words.parts))]
    cards = [_alert(words, None if words.parts else charts[0])]
    cards += [_part(part, chart) for part, chart in zip(words.parts, charts, strict=False)]
    foot = _element("div", "foot", escape(FULL)) if words.caution else ""
    body = _element("body", "page", "\n".join(["", *cards, foot, ""]))
    return document(words.headline, f"\n{DARK}\n", body, metas=[MAIL_COLORS])


def _alert(words: Words, chart: str | None) -> str:
    return _element(
        "div",
        "card",
        _element("h1", "head", _headline(words))
        + _text("text", words.lead)
        + _text("orders", words.orders)
        + _picture(chart)
        + _table("Levels", words.levels)
        + _text("wrong", words.wrong)
        + _table(words.why_title, words.why)
        + _text("record", words.record),
    )


def _part(words: Words, chart: str | None) -> str:
    return _element(
        "div",
        "card",
        _element("h2", "head", _headline(words))
        + _text("text", words.lead)
        + _text("orders", words.orders)
        + _text("glance", words.glance)
        + _picture(chart)
        + _text("wrong", words.wrong)
        + _text("record", words.record),
    )


def _headline(words: Words) -> str:
    return escape(TIED.sub(lambda found: found[0].replace(" ", "\u00a0"), words.headline))


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
