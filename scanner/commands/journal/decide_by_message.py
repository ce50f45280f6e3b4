"""Decisions that arrive as messages, recorded in the store of the station that receives them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from scanner.commands.journal.deciding import Wish, keep, number
from scanner.commands.trouble import UsageError
from scanner.present.contract.decision_message import NUMBERS_OF, TEXT_OF, UnreadableError, answer, key_of, read
from scanner.store import StoreTroubleError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from scanner.store import Store
    from scanner.store.decisions import Decided


class DecisionsByMessage:
    """A ``scanner.ports.Decider`` over an open store; times in answers are in ``zone``."""

    def __init__(self, store: Store, zone: str, note: Callable[[str], None]) -> None:
        self._store = store
        self._zone = zone
        self._note = note
        self._log = structlog.get_logger("closewatch")

    def answer(self, message: bytes) -> bytes:
        """Record a decision and give the answer: what was recorded, or a sentence that says why nothing was."""
        key = key_of(message)
        try:
            made, lines = keep(self._store, _wish(read(message)), self._zone)
        except (UnreadableError, UsageError, StoreTroubleError) as problem:
            return answer(key, str(problem))
        except Exception as defect:  # noqa: BLE001 - the next message must still be received
            self._log.exception("a decision could not be kept")
            return answer(
                key, f"this was not kept, because of a defect in closewatch ({type(defect).__name__}); see its log"
            )
        self._log.info("decided", decision=made.kind, thread=made.thread)
        return answer(key, " ".join(lines), made.thread)

    def refuse(self, message: bytes, why: str) -> bytes:
        """Give the answer to a message that is ignored."""
        return answer(key_of(message), why)

    def tell(self, trouble: str) -> None:
        """Note why decisions are not received."""
        self._note(trouble)


def _wish(message: Mapping[str, str]) -> Wish:
    kind: Decided = message["decision"]  # type: ignore[assignment]  # it was read as one of them
    numbers = {name: number(message[name], name) for name in NUMBERS_OF[kind] if name in message}
    return Wish(message["id"], kind, **numbers, text=message.get(TEXT_OF[kind] or "", ""))
