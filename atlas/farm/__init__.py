"""The farm file: open, check, read, change, start, demo."""
