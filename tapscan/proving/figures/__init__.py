"""What a known piece shows: readings in, figures out.

`taps` and `echoes` measure, `separation` compares damage with sound, `comparisons` and `charts` with
earlier checks, `gauge` and `hands` one hand with another.
"""
