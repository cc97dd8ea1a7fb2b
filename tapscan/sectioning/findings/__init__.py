"""Findings: what a cut showed in, frozen data out.

`logbook` and `csv_text` keep the file, `places` reads where, `recorded` is the data, `learning` what it
says of the readings.
"""
