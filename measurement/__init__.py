"""From a section in mm to values with their uncertainty."""
