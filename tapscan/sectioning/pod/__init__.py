"""Probability of detection: sectioned parts in, curves, bounds and what more cuts would show out.

`gathering` and `trials` collect, `hit_miss`, `signal_response` and `thresholds` fit, `study` says what it
means.
"""
