"""The workroom in its own process, which lives only while it is used, since the rules need much memory."""

from __future__ import annotations

import pickle
import subprocess
import sys
from functools import partial
from threading import Lock, Timer, current_thread
from typing import TYPE_CHECKING, Any, Self, cast

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scanner.page.workroom.work import Work

IDLE = 60.0
"""Seconds that the process lives after its last answer."""


class Elsewhere:
    """Asks a ``Work`` in another process, one question at a time, until the context is left."""

    def __init__(self, path: Path, idle: float = IDLE) -> None:
        self._path, self._idle = path, idle
        self._turn = Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = Timer(idle, self._end_idle)

    @property
    def work(self) -> Work:
        """The work, as if it were here."""
        return cast("Work", _Asked(self.ask))

    @property
    def process(self) -> int | None:
        """The process id; None if there is no process."""
        process = self._process
        return None if process is None else process.pid

    def ask(self, name: str, *given: object, **named: object) -> Any:  # noqa: ANN401 - whatever the work answers
        """Call a method of the work; gives its result, and raises the errors that are expected of it."""
        with self._turn:
            self._rest.cancel()
            answer = self._answer((name, given, named))
            self._rest = Timer(self._idle, self._end_idle)
            self._rest.daemon = True
            self._rest.start()
        if isinstance(answer, Exception):
            raise answer
        return answer

    def _answer(self, question: object) -> object:
        if self._process is None or self._process.poll() is not None:
            words = [sys.executable, "-m", "scanner.page.workroom", str(self._path)]
            self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)  # noqa: S603 - our own words
        questions, answers = self._process.stdin, self._process.stdout
        if questions is None or answers is None:
            raise AssertionError("both are pipes")
        pickle.dump(question, questions)
        questions.flush()
        return pickle.load(answers)  # noqa: S301 - our own process answers

    def _end_idle(self) -> None:
        with self._turn:
            if self._rest is current_thread():
                self._end()

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None

    def __enter__(self) -> Self:
        """Start nothing before the first question."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            self._process.kill()  # so that a waiting question ends
        with self._turn:
            self._rest.cancel()
            self._end()


class _Asked:
    def __init__(self, ask: Callable[..., Any]) -> None:
        self._ask = ask

    def __getattr__(self, name: str) -> Callable[..., Any]:
        return partial(self._ask, name)
