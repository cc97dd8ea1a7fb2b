"""Inspections kept for decades: sealed bags, a catalogue over them, computing them again, exchange."""
