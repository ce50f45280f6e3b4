"""The notes added to messages when they are sent, and the test message for every sink."""
