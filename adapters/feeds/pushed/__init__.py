"""The shared parts of feeds that receive messages: the connection, the inbox, and a memory of recent bars."""
