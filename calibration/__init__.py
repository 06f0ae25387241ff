"""Targets, rulers and lenses: how pixels become mm, and what is not known about it."""
