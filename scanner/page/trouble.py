"""What the page answers if something cannot be shown."""

from __future__ import annotations

NO_STORY = "The store has no story with this id; the journal lists all stories."
NO_SETUP = "There is no setup of this name."


class NothingHereError(Exception):
    """The requested thing does not exist; the message is one sentence for the reader."""
