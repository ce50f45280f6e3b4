"""The demo feed: invented instruments on an invented exchange, and the script that made their bars."""
