"""An event loop without real waiting, in which threads are steps and the process may die between any two steps.

``asyncio.sleep``, timeouts and all that is built on them use its time. Work for a thread is done in one step, at a
moment that the world chooses, so that the same world always goes the same way.
"""

from __future__ import annotations

import asyncio
from selectors import BaseSelector, SelectorKey
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


class KilledError(SystemExit):
    """The process is dead; the event loop lets it through, since no task may catch it."""


class Process(Protocol):
    """What happens to a process: how slow its disk is, and when it dies."""

    passed: float
    """Seconds of simulated time."""

    def delay(self) -> float:
        """Give the seconds that the next piece of work in a thread takes."""

    def step(self) -> None:
        """Note that the loop is about to do its next step; KilledError ends the process there."""

    def done(self) -> None:
        """Note that a thread has done its work, before any task knows; KilledError as above."""


class _Jump(BaseSelector):
    """Never waits for anything outside: instead, the time of the loop passes."""

    def __init__(self, fate: Process) -> None:
        self._fate = fate
        self._keys: dict[Any, SelectorKey] = {}

    def register(self, fileobj: Any, events: int, data: Any = None) -> SelectorKey:  # noqa: ANN401 - as in the library
        self._keys[fileobj] = key = SelectorKey(fileobj, _number(fileobj), events, data)
        return key

    def unregister(self, fileobj: Any) -> SelectorKey:  # noqa: ANN401 - as in the library
        return self._keys.pop(fileobj)

    def get_map(self) -> Mapping[Any, SelectorKey]:
        return self._keys

    def select(self, timeout: float | None = None) -> list[tuple[SelectorKey, int]]:
        assert timeout is not None, "everybody waits, and nothing will ever happen"
        if timeout > 0:
            self._fate.passed += timeout
        self._fate.step()
        return []


class WorldLoop(asyncio.SelectorEventLoop):
    """The loop of one process of a world."""

    def __init__(self, fate: Process) -> None:
        self._fate = fate
        super().__init__(_Jump(fate))

    def time(self) -> float:
        return self._fate.passed

    def run_in_executor(self, executor: object, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override] # noqa: ANN401 - as in the library
        """Do the work of a thread in a step of its own, some time from now; it cannot be cancelled."""
        assert executor is None
        future = self.create_future()
        self.call_later(self._fate.delay(), self._work, future, func, args)
        return future

    def _work(self, future: asyncio.Future[Any], func: Callable[..., Any], args: tuple[Any, ...]) -> None:
        try:
            result, problem = func(*args), None
        except Exception as raised:  # noqa: BLE001 - passed on to the waiting call
            result, problem = None, raised
        self._fate.done()
        if future.done():
            return
        if problem is not None:
            future.set_exception(problem)
        else:
            future.set_result(result)


def _number(fileobj: Any) -> int:  # noqa: ANN401 - a descriptor, or what has one
    number: int = fileobj if isinstance(fileobj, int) else fileobj.fileno()
    return number
