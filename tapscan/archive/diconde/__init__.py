"""Archived inspections as DICONDE files, the form of DICOM that non-destructive testing exchanges.

Where the rules come from
-------------------------
ASTM E2339 (the practice) and E2663 (its part for ultrasonics) rename DICOM's attributes for a component
instead of a patient and add those of group 0014. Nobody here has held the two standards in hand: what is
used of them is **from memory** and marked so where it is used. The tags, types and names of group 0014 are as
DICOM itself registers them (PS3.6), and each file keeps the rules of a DICOM storage class (PS3.3), which is
what the tests check it by. Settings whose unit DICOM's register does not name (velocity, frequency) are in
words, with their unit, rather than in an attribute where they might be read a thousand times too large.

Which storage classes, and why
------------------------------
* Maps are **Secondary Capture Images**: any viewer opens them, 16 bits are finer than any reading, and
  spacing, scale and padding are all that a map needs. The ultrasound image class would be nearer to E2663's
  wording, but allows no more than 8 bits of grey.
* A zone on a photo is a Secondary Capture Image, too: the photo in colour, its points as private attributes,
  since no class of image has points that are no pixels.
* A-scans are a **Parametric Map**, the one class that holds floating-point values, and so every sample to the
  bit, each frame being the whole zone at one moment. The waveform classes hold whole numbers only.
"""

from tapscan.archive.diconde.ascans import read_ascans
from tapscan.archive.diconde.writing import write_diconde

__all__ = ["read_ascans", "write_diconde"]
