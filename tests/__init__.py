"""The tests: they mirror bridge/, room by room."""
