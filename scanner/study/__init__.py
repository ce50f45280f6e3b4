"""Looking back: replaying recorded bars."""
