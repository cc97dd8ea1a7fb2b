"""The plan, written from the page: marks, notes and the form in, the owner's text with its comments out.

`file` edits the text, `history` undoes it, `routes` takes what the page sends.
"""
