"""From attempts to better tops."""
