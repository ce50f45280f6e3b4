"""The sink ``email``: mails sent through a mail server."""
