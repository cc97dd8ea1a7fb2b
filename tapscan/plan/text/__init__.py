"""The plan's text: `inspection.toml` in, a plan or all its mistakes out.

`reading` reads, `tables` and `setup_tables` say what may be written, `mistakes` and `doubts` what is wrong
with it, `template` starts one.
"""
