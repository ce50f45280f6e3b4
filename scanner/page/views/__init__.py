"""What each page shows, a file a page."""
