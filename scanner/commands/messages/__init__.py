"""What goes with messages when they leave, and the message that tries the way to every sink."""
