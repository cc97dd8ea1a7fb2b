"""The setup, proved on a known piece: tapper, microphone, hand; probe, couplant, instrument.

In goes an inspection folder whose plan says what is known of its points, with taps or A-scans taken on it;
out come figures, what each must be, and a verdict. `taps` and `echoes` measure, `separation` says how far
known damage is from known good, `charts` and `judging` compare with earlier checks, `gauge` parts a score
into part, strike and person, `keeping` has the files, `proof` says what the checks prove of the readings.
"""
