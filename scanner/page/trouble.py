"""What the page answers where something cannot be shown."""

from __future__ import annotations

NO_STORY = "There is no story of that id in the store; the journal lists all there are."
NO_SETUP = "There is no setup of that name."


class NothingHereError(Exception):
    """What was asked for is not there; the message is one sentence for the reader."""
