"""The local page: a small server on this computer, and a page that shows, collects and marks.

`web` takes requests; `bench` has the one inspection that is open and its analysis; `views` gives what is
shown, `plan` writes the plan, `collecting` takes taps, `setups` proves the setup, `photos`, `cutting` and
`cut_faces` are for cuts. `page/` is the page itself.
"""
