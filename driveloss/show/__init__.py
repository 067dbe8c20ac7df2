"""Answers as tables, JSON, figures and the page."""
