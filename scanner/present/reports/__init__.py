"""Reports and tables that commands print or write."""
