"""Draws photographs of weld sections from dimensions, so that the true values are known."""
