"""What changed, what to rebuild, publishing in one move."""
