"""The store of what was measured, corrected and decided: a chain of hashed entries."""
