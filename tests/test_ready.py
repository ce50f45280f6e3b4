"""What is compiled before the first bar."""

from __future__ import annotations

from scanner.engine.ready import Ready, compiled_for, make_ready
from tests.laws import told_ahead


def test_what_cores_compile_side_by_side_is_what_bars_need() -> None:
    rulebook = told_ahead()
    make_ready([rulebook])
    functions = compiled_for(rulebook)
    needed = [set(function.signatures) for function in functions]
    assert all(needed)
    for part in Ready(rulebook).parts():
        part()
    assert [set(function.signatures) for function in functions] == needed
