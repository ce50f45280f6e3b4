"""What is wrong with a file that is not TOML, and what was probably meant."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from scanner.configuration.toml_files.lines import broken_statement
from scanner.wording.text import plain

if TYPE_CHECKING:
    import tomllib

    from scanner.configuration.toml_files.lines import Statement

LONGEST = 40
"""How much of the file is shown at most."""
AROUND = 1_000
"""Characters examined on each side of the place where the parser gave up."""
HERE = "\0"
"""Marks, in a line, the place where the parser gave up; no line of TOML can hold it."""
TWICE = re.compile(r"Cannot (?:declare|overwrite|redefine|mutate)|Duplicate inline table key")
IN_LIST = re.compile(rf"=\s*\[[^\]]*{HERE}")

KEY = rf"(?:^|[{{,])\s*(?P<key>[^={{,]*{HERE}[^={{,]*?)\s*="
ANYWHERE = (
    ("", rf"^{HERE}?\ufeff", "the file begins with a byte order mark; save it as UTF-8 without one"),
    ("", rf"(?:{HERE}|=\s*)[\u2018-\u201f\u00ab\u00bb`]", "a quote must be a straight one, \" or '"),
    (
        "Unescaped|Invalid hex|Escaped",
        "",
        r"a backslash in double quotes must be written \\; or put the text in single quotes",
    ),
    (
        "Illegal character '.n'|Found invalid character '.n'|Unterminated|Expected [\"']['\"][\"']",
        "",
        "a quote is opened on this line and not closed; add the closing one",
    ),
    ("Invalid date", "", "there is no such date or time; write a date as 2026-06-12 and a time as 18:00:00"),
    ("", rf"^\s*{HERE}?(?://|;|%|--)", "a comment begins with #"),
)
"""The start of the parser's reason, a pattern of the line, and the sentence, which may show parts of the line."""
HEADINGS = (
    ("", rf"^\s*\[+[\s{HERE}]*\]", "a heading needs a name, such as [station]"),
    (
        "Expected newline",
        rf"^(?P<heading>[^{HERE}]*){HERE}",
        "put what follows the heading {heading} on its own line",
    ),
    (
        "",
        r"^\s*(?P<begin>\[+[\w.-]*\.)(?P<name>[^\].\"']*[^\].\"'\w\s\0-][^\].\"']*|[\w-]+\s+[^\]\"']*)(?P<end>\]+)",
        'a name with such characters needs quotes: {begin}"{name}"{end}',
    ),
    ("Expected ']", r"^\s*(?P<heading>[^\]#]*)", "a heading ends as it begins, with as many ]; close {heading}"),
)
LISTS = (
    (
        "",
        rf"{HERE}\s*(?:[\w.\"'-]+\s*=|\[\[?\w[\w.]*\]|$)",
        "the list that begins on line {line} is not closed; add its ]",
    ),
    ("Unclosed", rf"{HERE}(?P<rest>[^,\]#]+)", "a comma is missing before {rest}"),
    ("Invalid value", rf"{HERE},", "there is a comma too many"),
    ("Invalid value", rf"{HERE}(?P<value>[^,\]#]+)", 'text must be quoted: "{value}"'),
)
PAIRS = (
    ("", rf",\s*{HERE}\s*\}}", "remove the comma before the closing brace"),
    ("Unclosed inline", rf"{HERE}(?P<rest>\s*[\w.\"'-]+\s*=.*)", "a comma is missing before {rest}"),
    (
        "Unclosed inline|Invalid initial",
        rf"\{{[^}}]*{HERE}\s*(?:#|$)",
        "everything in braces must be on one line, with the closing brace",
    ),
    ("Expected '='", rf"{HERE}\s*:", "write = instead of the colon"),
    (
        "Expected '='",
        rf"^\s*(?P<key>[^{HERE}]+){HERE}\s*(?:#|$)",
        "{key} has no value; add = and one, or remove the line",
    ),
    (
        "Expected '='|Invalid statement|Invalid initial",
        rf"(?:^|[{{,])\s*{HERE}\s*=",
        "the name of a setting is missing before =",
    ),
    ("Expected '='|Invalid statement|Invalid initial", KEY, 'a name with such characters needs quotes: "{key}"'),
    ("Expected '='", rf"^\s*(?P<key>[^{HERE}]+?)\s*{HERE}(?P<value>[^#]+)", "= is missing: {key} = {value}"),
    ("Invalid value", rf"=\s*{HERE}\s*(?:[#,}}]|$)", "the value is missing; add one, or remove the line"),
    ("Invalid value", rf"{HERE}(?i:true|yes|on)\b", "write true, in small letters"),
    ("Invalid value", rf"{HERE}(?i:false|no|off)\b", "write false, in small letters"),
    ("Invalid value", rf"{HERE}(?i:none|null|nil)\b", "to leave a setting open, remove its line"),
    ("Invalid value", rf"{HERE}(?P<number>\.\d+)", "a number needs a digit before its point: 0{number}"),
    ("Expected newline", rf"{HERE}\s*(?P<rest>[;,])\s*(?:#|$)", "remove the {rest} at the end of the line"),
    ("Expected newline", rf"[\s\"'\]}}]{HERE}\s*[\w.-]+\s*=", "each setting needs its own line"),
    ("Expected newline", rf"=\s*[+-]?[\d.]+{HERE},\d", "a number needs a point before its decimals and no commas"),
    (
        "Expected newline",
        rf"=\s*[+-]?0{HERE}\d+(?:\.\d+)?\s*(?:#|$)",
        "a number must not begin with 0; leave it out, or put text in quotes",
    ),
    (
        "Expected newline",
        rf"=\s*[\d{HERE}]+[-./][\d{HERE}]+[-./]\d+",
        "write a date as 2026-06-12, or put text in quotes",
    ),
    (
        "Expected newline",
        rf"=\s*[+-]?[\d.]+\s+{HERE}",
        "a number must have no spaces and no unit; put text in quotes",
    ),
    (
        "Expected newline",
        rf"[\"'\]}}]\s*{HERE}(?P<rest>.+)",
        "the value ends before {rest}; remove that, or put # before a comment",
    ),
    (
        "Invalid value|Unclosed inline",
        rf"[{{,]\s*[\w.\"'-]+\s*=\s*(?P<value>[^,}}=]*{HERE}[^,}}#]*)",
        'text must be quoted: "{value}"',
    ),
    ("Expected newline|Invalid value", r"=\s*(?P<value>.+?)\s*(?:\s#|$)", 'text must be quoted: "{value}"'),
)


def fault(text: str, problem: tomllib.TOMLDecodeError) -> tuple[int, str]:
    """Give the line on which a text stops being TOML, and a sentence: what is wrong there and what to do."""
    reason, _, place = str(problem).partition(" (at ")
    found = re.match(r"line (\d+), column (\d+)", place)
    at = len(text.rstrip())
    if found is not None:
        at = sum(len(line) for line in text.split("\n")[: int(found[1]) - 1]) + int(found[1]) - 1 + int(found[2]) - 1
    statement = broken_statement(text, at)
    if TWICE.match(reason):
        return text.count("\n", 0, at) + 1, _twice(reason, statement)
    if found is None and text.count("\n", 0, at) + 1 > statement.line:
        return statement.line, "something that begins on this line is not closed; add its closing quotes or bracket"
    start, end = text.rfind("\n", 0, at) + 1, text.find("\n", at)
    after = text[at : min(end if end >= 0 else len(text), at + AROUND)].rstrip("\r")
    line = text[max(start, at - AROUND) : at] + HERE + after
    return text.count("\n", 0, at) + 1, _likely(reason, line, statement) or f"{reason} (at column {at - start + 1})"


def _twice(reason: str, statement: Statement) -> str:
    inline = re.search(r"Duplicate inline table key '(.*)'", reason)
    if inline is not None:
        return f"{plain(inline[1], LONGEST)} appears twice in the same braces; keep one"
    name = plain(".".join(part for part in statement.path if isinstance(part, str)), LONGEST)
    first = f"already on line {statement.first}" if statement.first is not None else "already further up"
    if not statement.heading:
        return f"{name} is {first}; keep one of the two"
    if statement.again:
        return f"the table [{name}] is {first}; move the lines under this heading there, and remove the heading"
    return f"{name} is {first}, in another form; keep one of the two"


def _likely(reason: str, line: str, statement: Statement) -> str | None:
    """Say what is probably wrong at the mark in a line; None if that is unclear."""
    in_list = reason == "Unclosed array" or statement.in_list or IN_LIST.search(line) is not None
    for begins, looks, sentence in (*ANYWHERE, *(HEADINGS if statement.heading else LISTS if in_list else ()), *PAIRS):
        found = re.search(looks, line) if re.match(begins, reason) else None
        if found is not None:
            parts = {name: plain(part.replace(HERE, "").strip(), LONGEST) for name, part in found.groupdict().items()}
            return str(sentence.format(line=statement.line, **parts))
    return None
