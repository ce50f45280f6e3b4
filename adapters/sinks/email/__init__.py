"""The sink ``email``: emails sent through a mail server."""
