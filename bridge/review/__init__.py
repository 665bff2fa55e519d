"""What one reads afterwards: a take's journal, read, counted and laid out as one page."""
