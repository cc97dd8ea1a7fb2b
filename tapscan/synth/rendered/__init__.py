"""Photos that nobody took: invented parts drawn by arithmetic, with SYNTHETIC written into the picture.

`picture` writes words and PNG files whose bytes do not depend on any library's version; `junction` is the
demo's zone on a photo, with its scans; `cut_photo` is the demo's cut.
"""
