"""What feeds share that messages are pushed to: the connection, the inbox, and a memory of recent bars."""
