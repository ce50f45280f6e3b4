"""``closewatch new``: six questions, and a first configuration made from the answers."""
