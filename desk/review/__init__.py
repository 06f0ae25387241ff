"""The review page: what waits, the picture with the lines found in it, and a person's decision."""
