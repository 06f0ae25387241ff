"""Published and drawing limits as data, formulas and decision rules: from values to outcomes."""
