"""Figures to PDF."""
