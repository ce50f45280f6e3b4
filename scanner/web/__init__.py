"""What is served over HTTP: how requests are let in and limited, and the health of a running station."""
