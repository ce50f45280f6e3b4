"""Lines of keys: every path that tomllib reads, and each where it stands."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from scanner.configuration.toml_files.lines import lines

if TYPE_CHECKING:
    from collections.abc import Iterator

Path = tuple[str | int, ...]

HANDWRITTEN = """\
# [not.a.table]
title = "a # in quotes, ] and }" # and a comment

[station]
zone = 'UTC'
"quoted key.with dot" = 1
tall = \"""
[no.table]
key = "\\\\\"""
after = 2

[feeds . "my feed"]
query = { a = "1", b.c = [1, 2], d = '}' }
deep.er = 1.5

[[routes]]
sinks = [
    "one",  # ]
    # "none"
    'two',
]
[[routes]]
sinks = []
[routes.inner]
x = 1979-05-27T07:32:00Z
[[routes.many]]
[[routes.many]]
y = '''quotes at the end''''
"""


def paths(value: object, path: Path = ()) -> Iterator[tuple[Path, object]]:
    if path:
        yield path, value
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield from paths(inner, (*path, key))


def test_a_document_with_every_way_to_write() -> None:
    found = lines(HANDWRITTEN)
    assert set(found) == {path for path, _ in paths(tomllib.loads(HANDWRITTEN))}
    expected: dict[Path, int] = {
        ("title",): 2,
        ("station",): 4,
        ("station", "quoted key.with dot"): 6,
        ("station", "after"): 10,
        ("feeds",): 12,
        ("feeds", "my feed", "query", "b", "c", 1): 13,
        ("feeds", "my feed", "deep", "er"): 14,
        ("routes",): 16,
        ("routes", 0, "sinks", 1): 20,
        ("routes", 1): 22,
        ("routes", 1, "inner", "x"): 25,
        ("routes", 1, "many", 1, "y"): 28,
    }
    assert {path: found[path] for path in expected} == expected


@st.composite
def documents(draw: st.DrawFn) -> str:  # noqa: C901 - one branch for each way to write a value
    """Write a document in which each number is the line that it stands on."""
    written: list[str] = []
    number = draw(st.integers(1, 8))
    line_end = draw(st.sampled_from(["\n", "\r\n"]))

    def here() -> int:
        return len(written) + 1

    def pairs(names: Iterator[str]) -> None:
        for _ in range(draw(st.integers(0, 4))):
            name, shape = next(names), draw(st.sampled_from(["plain", "inline", "list", "tall", "dotted", "comment"]))
            if shape == "plain":
                written.append(f"{name} = {here()} # {name} = 0")
            elif shape == "dotted":
                written.append(f'{name} . "a.b" . c={here()}')
            elif shape == "inline":
                written.append(f"{name} = {{ 'x' = {here()}, y = [{here()}, {{z={here()}}}], s = \"}}\" }}")
            elif shape == "list":
                written.append(f"{name} = [")
                written.append(f"  {here()}, # ]")
                written.append("")
                written.append(f"[{here()}, {here()}],")
                written.append("]")
            elif shape == "tall":
                written.extend([f'{name} = """', "[[x]]", 'y = 0 \\"""', '"""'])
            else:
                written.append("# [x]")

    names = iter(f"k{count}" for count in range(1_000))
    pairs(names)
    for _ in range(number):
        heading = draw(st.sampled_from(["[t{0}]", "[ t{0} . 'u.v' ]", "[[array]]", "[[array.inner]]"]))
        if heading == "[[array.inner]]" and "[[array]]" not in written:
            heading = "[[array]]"
        written.append(heading.format(here()))
        pairs(names)
    return line_end.join(written) + line_end


@given(documents())
def test_every_number_is_on_its_line(document: str) -> None:
    read = dict(paths(tomllib.loads(document)))
    found = lines(document)
    assert found.keys() == read.keys()
    numbers = {path: value for path, value in read.items() if isinstance(value, int)}
    assert {path: found[path] for path in numbers} == numbers
