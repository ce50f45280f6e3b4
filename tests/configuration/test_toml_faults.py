"""Files that are no TOML: the line, what is wrong there, and what was probably meant."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scanner.configuration.toml_files.faults import fault

QUOTED = "text must be quoted: "
ALIKE = "a name with such characters needs quotes: "
ALONE = "a number must have no spaces and no unit; put text in quotes"
BACKSLASH = r"a backslash in double quotes must be written \\; or put the text in single quotes"
MOVE = "; move the lines under this heading there, and remove the heading"
DATE = "write a date as 2026-06-12, or put text in quotes"

FAULTS = [
    # What stands twice, and where it stood first.
    ('[station]\nzone = "A"\nzone = "A"', 3, "station.zone is already on line 2; keep one of the two"),
    ("[a.b]\nx = 1\n[a]\ny = 1\n[a]", 5, "the table [a] is already on line 3" + MOVE),
    ("[[r]]\n[r.x]\n[[r]]\n[r.x]\n[r.x]", 5, "the table [r.x] is already on line 4" + MOVE),
    ("tall = '''\n'''\na = 1\na.b = 2", 4, "a is already on line 3; keep one of the two"),
    ("[[routes]]\n[routes]", 2, "routes is already on line 1, in another form; keep one of the two"),
    ("a = { b = 1 }\n\n[a]", 3, "a is already on line 1, in another form; keep one of the two"),
    ("fx = { USD = 1, USD = 2 }", 1, "USD appears twice in the same braces; keep one"),
    # Text without quotes, quotes without an end, and quotes that are none.
    ("zone = UTC # here", 1, QUOTED + '"UTC"'),
    ("\nurl = https://x.example.org/a#b", 2, QUOTED + '"https://x.example.org/a#b"'),
    ("base = 15m", 1, QUOTED + '"15m"'),
    ("start = 22:00", 1, QUOTED + '"22:00"'),
    ('sinks = ["screen", mail]', 1, QUOTED + '"mail"'),
    ('sinks = [\n  "screen",\n  mail,\n]', 3, QUOTED + '"mail"'),
    ("query = { a = 1, b = symbol }", 1, QUOTED + '"symbol"'),
    ('[station]\nzone = "UTC\nname = "a"', 2, "a quote is opened on this line and not closed; add the closing one"),
    ("zone = 'UTC", 1, "a quote is opened on this line and not closed; add the closing one"),
    (
        "a = 1\nb = '''UTC\n\n\nc = 2",
        2,
        "something that begins on this line is not closed; add its closing quotes or bracket",
    ),
    ("zone = “UTC”", 1, "a quote must be a straight one, \" or '"),
    (r'path = "c:\users"', 1, BACKSLASH),
    (r'path = "c:\Program Files"', 1, BACKSLASH),
    # Numbers, dates, true and false.
    ("day = 2026-13-01", 1, DATE),
    ("day = 12.06.2026", 1, DATE),
    ("day = 2026-02-30", 1, "there is no such date or time; write a date as 2026-06-12 and a time as 18:00:00"),
    ("equity = 50000 EUR", 1, ALONE),
    ("equity = 50 000", 1, ALONE),
    ("step = 0,01", 1, "a number needs a point before its decimals and no commas"),
    ("step = .01", 1, "a number needs a digit before its point: 0.01"),
    ("symbol = 0700", 1, "a number must not begin with 0; leave it out, or put text in quotes"),
    ("tls = True", 1, "write true, in small letters"),
    ("tls = off", 1, "write false, in small letters"),
    ("base = none", 1, "to leave a setting open, remove its line"),
    # What is missing or too much.
    ('[station]\nzone "UTC"', 2, '= is missing: zone = "UTC"'),
    ("zone: 'UTC'", 1, "write = instead of the colon"),
    ("zone\nname = 'a'", 1, "zone has no value; add = and one, or remove the line"),
    ("zone =\nname = 'a'", 1, "the value is missing; add one, or remove the line"),
    ("[station]\n= 3", 2, "the name of a setting is missing before ="),
    ('a = ["x" "y"]', 1, 'a comma is missing before "y"'),
    ("a = [1,,2]", 1, "there is a comma too many"),
    ("a = [1,\n2\n\n[station]\nzone = 1", 4, "the list that begins on line 1 is not closed; add its ]"),
    ("a = [\n1,\nb = 3", 3, "the list that begins on line 1 is not closed; add its ]"),
    ("fx = { USD = 1 JPY = 2 }", 1, "a comma is missing before JPY = 2 }"),
    ("fx = { USD = 1, }", 1, "remove the comma before the closing brace"),
    ("fx = {\n  USD = 1\n}", 1, "everything in braces must be on one line, with the closing brace"),
    ("a = 1;", 1, "remove the ; at the end of the line"),
    ("a = 1 b = 2", 1, "each setting needs its own line"),
    ("a = 'x' and more", 1, "the value ends before and more; remove that, or put # before a comment"),
    ("// nothing", 1, "a comment begins with #"),
    ("\ufeff[station]", 1, "the file begins with a byte order mark; save it as UTF-8 without one"),
    # Names and headings.
    ("CROWN/MARK = 1", 1, ALIKE + '"CROWN/MARK"'),
    ("[instruments.CROWN/MARK]\nstep = 1", 1, ALIKE + '[instruments."CROWN/MARK"]'),
    ("[feeds.my feed]", 1, ALIKE + '[feeds."my feed"]'),
    ("[station\nzone = 1", 1, "a heading ends as it begins, with as many ]; close [station"),
    ("[station] zone = 1", 1, "put what follows the heading [station] on its own line"),
    ("[]", 1, "a heading needs a name, such as [station]"),
    # What cannot be guessed is told in the parser's words.
    ('a = "\x07"', 1, r"Illegal character '\x07' (at column 6)"),
]


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["LF", "CRLF"])
@pytest.mark.parametrize(("text", "line", "sentence"), FAULTS)
def test_what_is_wrong_and_what_was_probably_meant(text: str, line: int, sentence: str, end: str) -> None:
    text = f"{text}\n".replace("\n", end)
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)
    assert fault(text, caught.value) == (line, sentence)


PIECES = st.sampled_from(
    [*"\n\n =[]{},.\"'\\#-:a1", "[a]", "[[b]]", "c = ", "'''", '"""', "\r\n", "true", "2026-01-01", "ä", "{x}", "\0"]
)


@given(st.lists(PIECES, max_size=25).map("".join))
def test_whatever_is_wrong_has_a_line_of_the_file_and_a_sentence(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        line, sentence = fault(text, problem)
        assert 1 <= line <= text.count("\n") + 1
        assert sentence.isprintable()
