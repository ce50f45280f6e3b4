"""What each page shows, one file per page."""
