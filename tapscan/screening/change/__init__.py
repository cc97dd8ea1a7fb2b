"""Two visits or two like zones: both in, what is new, grown, shrunk or gone out.

`comparison` is the job; `likeness`, `twins` and `datums` say what may be compared, `changes` what became of
areas.
"""
