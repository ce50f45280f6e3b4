"""What the page answers if something cannot be shown."""

from __future__ import annotations

NO_STORY = "There is no story of that id in the store; the journal lists all there are."
NO_SETUP = "There is no setup of that name."


class NothingHereError(Exception):
    """The requested thing does not exist; the message is one sentence for the reader."""
