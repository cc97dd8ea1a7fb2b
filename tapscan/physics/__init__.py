"""Closed-form plate, shell, contact and wave formulas: numbers in, numbers out, each with its source."""
