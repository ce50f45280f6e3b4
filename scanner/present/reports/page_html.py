"""What all pages share: the head, the colours in light and dark, pictures and facts.

A page has no scripts, and nothing is fetched from elsewhere.
"""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from html import escape
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable

STYLE = """
:root { color-scheme: light dark; --paper: #efece4; --card: #ffffff; --ink: #1b242e; --pale: #5a6470; --line: #ded9cd;
  --accent: #23676b; --own: #eaf1f0; --wrong: #f6ead9; --edge: #9a5b13; }
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #12171c; --card: #1c232b; --ink: #e9e6df; --pale: #a7b0bb; --line: #36414d; --accent: #7fc6ca;
    --own: #22313a; --wrong: #33291a; --edge: #d99a4e; }
}
* { box-sizing: border-box; }
body { margin: 0; padding: 16px 8px 32px; background: var(--paper); color: var(--ink);
  font: 16px/1.45 system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif; overflow-wrap: anywhere; }
h1 { margin: 8px 0 4px; font-size: 24px; line-height: 1.2; }
h2 { margin: 0; font-size: 20px; line-height: 1.25; }
h3 { margin: 16px 0 4px; font-size: 13px; letter-spacing: .06em; text-transform: uppercase; color: var(--accent); }
p { margin: 4px 0 8px; }
.pale, footer { color: var(--pale); font-size: 14px; }
.wrong { margin: 10px 0; padding: 8px 12px; background: var(--wrong); border-left: 4px solid var(--edge); }
.card { padding: 16px; background: var(--card); border-top: 5px solid var(--accent); border-radius: 6px; }
dl { display: grid; grid-template-columns: repeat(auto-fill, minmax(132px, 1fr)); gap: 0 16px; margin: 10px 0 0; }
dl div { padding: 6px 0; border-top: 1px solid var(--line); }
dt { font-size: 13px; color: var(--pale); }
dd { margin: 0; font-weight: 700; font-variant-numeric: tabular-nums; }
img { display: block; width: 100%; height: auto; border-radius: 4px; }
"""


def document(title: str, style: str, body: str, *, metas: Iterable[str] = ()) -> str:
    """Write a whole page: ``body`` is the body element, ``style`` has its rules, ``metas`` are more head elements."""
    head = [
        '<meta charset="utf-8">',
        *metas,
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        f"<title>{escape(title)}</title>",
        f"<style>{style}</style>",
    ]
    lines = ["<!doctype html>", '<html lang="en" dir="ltr">', "<head>", *head, "</head>", body, "</html>", ""]
    return "\n".join(lines)


def closed_page(title: str, style: str, inner: str) -> str:
    """Write a page with the common style and ``style`` that may load nothing and run nothing."""
    whole = STYLE + style
    hashed = b64encode(sha256(whole.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{hashed}'; img-src data:; base-uri 'none'; form-action 'none'"
    meta = f'<meta http-equiv="Content-Security-Policy" content="{escape(policy)}">'
    return document(title, whole, f"<body>\n{inner}\n</body>", metas=[meta])


def picture(drawn: bytes, alt: str, kind: Literal["png", "svg+xml"] = "png") -> str:
    """Embed a picture in the page, with a description."""
    data = b64encode(drawn).decode()
    return f'<img src="data:image/{kind};base64,{data}" alt="{escape(alt)}" loading="lazy">'


def facts(pairs: Iterable[tuple[str, str]]) -> str:
    """List what is known by name."""
    rows = "".join(f"<div><dt>{escape(key)}</dt><dd>{escape(value)}</dd></div>" for key, value in pairs)
    return f"<dl>{rows}</dl>"
