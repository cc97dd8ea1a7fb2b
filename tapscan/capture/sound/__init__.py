"""Sound: a microphone or a recording in, taps that are worth keeping out.

`sources` feeds, `listening` hears, `judging` and `ringing` keep or refuse, `counting` finds lost samples,
`cues` answers by ear.
"""
