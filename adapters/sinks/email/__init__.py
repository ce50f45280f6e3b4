"""The sink ``email``: letters to a mail server."""
