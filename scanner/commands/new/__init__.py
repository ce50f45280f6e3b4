"""``closewatch new``: six questions, and a first configuration made of the answers."""
