"""Where bars come from (feeds) and where events go (sinks): everything that touches the outside."""
