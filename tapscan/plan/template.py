"""The plan that `tapscan new` writes: every key explained, every placeholder refused until filled in."""

__all__ = ["PLAN_TEMPLATE"]

# Zeros and question marks are valid TOML and no valid plan: a number nobody measured cannot slip through.
PLAN_TEMPLATE = """\
# The plan of one inspection. Fill in what is 0 or ?, delete what does not apply, then run: tapscan grid DIR
# Lines that begin with # are comments; take the # away to use a line.

# units = "in"                    # inches beside the millimetres of the report; all files stay in mm

[part]                            # free text, all of it optional
name = ""                         # what the part is: "Left seat tube of a cargo bike"
owner_ref = ""                    # the customer's number, not their name
serial = ""
history = ""                      # what happened to it, and where it was hit
inspector = ""
date = ""                         # year-month-day

[laminate]                        # the wall, for every zone; a [[zone]] may override any of these
# thickness_mm = 1.6              # measured at a cut edge, or from the maker
# thickness_tolerance = 0.1       # share by which the wall may be thinner; A-scans list what is thinner
# modulus_gpa = 60.0              # bending modulus in the plane
# poisson = 0.3
# density_kg_m3 = 1550.0
# velocity_m_s = 2950.0           # speed of sound through the thickness; needed for depths from A-scans

# One [[zone]] for each named area with one surface. Copy the whole block for the next one.
[[zone]]
code = "?"                        # 1 to 8 of A-Z 0-9, written with a crayon: point BM-07-05 is in zone BM
name = ""                         # "Main boom"
shape = "tube"                    # "tube", or "panel" for anything that is not closed round
stations = 0                      # how many steps along the axis
positions = 0                     # how many steps round the girth, or across a panel; position 1 on the
                                  # datum line, then clockwise seen from station 1's end
station_pitch_mm = 0.0            # from one station to the next, along the axis
girth_mm = 0.0                    # tube: circumference, measured with a tape
# girth_start_mm = 0.0            # tapered tube: circumference at the first and at the last edge of the zone,
# girth_end_mm = 0.0              # instead of girth_mm
# position_pitch_mm = 0.0         # panel: from one position to the next, instead of any girth
# datum_side = "top"              # where position 1 is when the part is built in: "top", "bottom", "left" or
                                  # "right", seen from station 1's end; the report then gives clock positions
reference = []                    # points known to be good, station first: ["09-03"], or corner to corner:
                                  # ["01-01:06-12"]; a block may cross the seam: "01-11:06-02"
skip = []                         # holes, inserts, labels: left out on purpose, never reported as clear
# bonded = ["01-01:04-12"]        # points with an insert bonded behind them: A-scans then look for a disbond
# mirror_of = "?"                 # code of the zone on the other side of the part, with the same grid
# [zone.notes]                    # what you notice on the way, below all other lines of its zone; the page
# 07-05 = "a rattle"              # writes here, too

[tap]
taps_per_point = 3                # strikes at every point, recorded in one file taps/BM-07-05.wav
# tapper_mass_g = 4.1             # what the tapper weighs and the radius of its tip: for tapscan grid to say
# tapper_radius_mm = 5.0          # what can be found; 4.1 g and 5 mm are taken where nothing is said

# [ascan]                         # only with ultrasonic A-scans
# sample_rate_mhz = 0.0           # of ascans/BM.npy; a CSV of one trace carries its own time base: its first
                                  # line names the columns and their units, such as time_us,amplitude
# centre_frequency_mhz = 0.0      # of the probe; estimated when left out
# beam_mm = 0.0                   # width of the beam at -6 dB, for tapscan grid to say what can be found

[analysis]
false_call_rate = 0.01            # wanted fraction of good points called suspect
"""
