"""Figures to HTML; templates/ holds the words and the look."""
