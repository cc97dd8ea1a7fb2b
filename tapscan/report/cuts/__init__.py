"""After the saw: findings in, drawings out.

`sections` and `photo_sections` draw what had been called and what was found, `strips` both to scale along a
cut, `faces` the measured photo of a cut, `joints` its adhesive over the joint, `lines` the cuts that were
planned.
"""
