"""Findings held against indications, and what a number of sectioned parts teaches about the method."""
