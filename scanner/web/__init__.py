"""What is served over HTTP: a server with limits, and the health of a running station."""
