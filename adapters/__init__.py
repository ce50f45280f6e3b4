"""Where bars come from (feeds) and where events go (sinks): all contact with the outside."""
