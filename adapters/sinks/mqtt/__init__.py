"""The sink ``mqtt``: events to a broker, and decisions from it."""
