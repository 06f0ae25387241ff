"""Quantities, units at the edge, errors, plane geometry: what every room may use."""
