from pathlib import Path

import pytest

from tapscan.errors import TapscanError
from tapscan.plan import Block, Laminate
from tapscan.plan.text.reading import parse_plan, read_plan

ZONE = """
[[zone]]
code = "BM"
shape = "tube"
stations = 40
positions = 12
station_pitch_mm = 10.0
girth_mm = 120.0
"""
PANEL = """
[[zone]]
code = "PL"
shape = "panel"
stations = 4
positions = 6
station_pitch_mm = 10.0
position_pitch_mm = 15.0
"""


def test_the_whole_plan_is_read():
    plan = parse_plan(
        """
[part]
name = "Main boom"
serial = 17
date = 2026-03-01
[laminate]
thickness_mm = 1.6
poisson = 0.3
[tap]
taps_per_point = 5
tapper_mass_g = 6
tapper_radius_mm = 7.5
[ascan]
sample_rate_mhz = 100
centre_frequency_mhz = 5.0
beam_mm = 4.5
[analysis]
false_call_rate = 0.02
"""
        + ZONE
        + 'reference = ["01-11:06-02", "BM-9-3", "BM-01-01:BM-02-02"]\nskip = ["20-05"]\nthickness_mm = 2.0\n'
        + 'bonded = ["30-11:34-02"]\n'
        + PANEL
    )
    assert (plan.part.name, plan.part.serial, plan.part.date) == ("Main boom", "17", "2026-03-01")
    assert (plan.taps_per_point, plan.false_call_rate) == (5, 0.02)
    assert (plan.sample_rate_mhz, plan.centre_frequency_mhz) == (100.0, 5.0)
    assert plan.has_tap_table
    assert plan.has_ascan_table
    tube, panel = plan.zones
    assert plan.zone("PL") is panel
    assert tube.laminate == Laminate(2.0, None, 0.3, None, None)
    assert panel.laminate.thickness_mm == 1.6
    assert tube.reference == (Block(1, 11, 6, 2), Block(9, 3, 9, 3), Block(1, 1, 2, 2))
    assert tube.skip == (Block(20, 5, 20, 5),)
    assert tube.bonded == (Block(30, 11, 34, 2),)
    assert (plan.tapper_mass_g, plan.tapper_radius_mm, plan.beam_mm) == (6.0, 7.5, 4.5)
    assert (tube.girth_start_mm, tube.girth_end_mm, tube.position_pitch_mm) == (120.0, 120.0, None)
    assert (panel.girth_start_mm, panel.position_pitch_mm, panel.is_tube) == (None, 15.0, False)


def test_what_the_plan_leaves_out():
    plan = parse_plan(ZONE)
    assert (plan.taps_per_point, plan.false_call_rate, plan.sample_rate_mhz) == (3, 0.01, None)
    assert not plan.has_tap_table
    assert plan.zones[0].laminate == Laminate(None, None, None, None, None)
    with pytest.raises(KeyError, match="QQ"):
        plan.zone("QQ")


def test_a_tapered_tube():
    (zone,) = parse_plan(ZONE.replace("girth_mm = 120.0", "girth_start_mm = 120\ngirth_end_mm = 90.5")).zones
    assert (zone.girth_start_mm, zone.girth_end_mm) == (120.0, 90.5)


def test_a_zone_whose_code_looks_like_a_station():
    text = ZONE.replace('"BM"', '"01"') + 'reference = ["01-01:06-12", "01-02-03"]\n'
    assert parse_plan(text).zones[0].reference == (Block(1, 1, 6, 12), Block(2, 3, 2, 3))


def edit(old: str, new: str, text: str = ZONE) -> str:
    assert old in text
    return text.replace(old, new)


IN_ZONE = r'^inspection\.toml: zone "BM": '


@pytest.mark.parametrize(
    ("text", "message"),
    [
        # keys
        (edit("girth_mm", "girht_mm"), r"unknown key 'girht_mm' \(did you mean girth_mm\?\)$"),
        (ZONE + "colour = 3", r"unknown key 'colour' \(known here: thickness_mm, modulus_gpa, "),
        (
            edit("girth_mm = 120.0", ""),
            r'girth_mm is missing for shape "tube" \(add girth_mm = …, the circumference',
        ),
        (
            edit("stations = 40", ""),
            r"stations is missing \(add stations = …, how many steps along the axis\)",
        ),
        (edit("stations = 40\npositions = 12", ""), "stations is missing .*; 1 more error"),
        # values
        (
            edit("10.0", "0.0"),
            r"station_pitch_mm = 0\.0 is not accepted: .*greater than 0 \(give the distance",
        ),
        (
            edit("120.0", "-120.0"),
            r"girth_mm = -120\.0 is not accepted: .*greater than 0 \(give the circumference",
        ),
        (edit("120.0", "nan"), "girth_mm = nan is not accepted: input should be a finite number"),
        (edit("120.0", "inf"), "girth_mm = inf is not accepted: input should be a finite number"),
        (
            edit("120.0", "1e6"),
            "girth_mm = 1000000.0 is not accepted: input should be less than or equal to 100000",
        ),
        (edit("120.0", '"120"'), "girth_mm = '120' is not accepted: input should be a valid number"),
        (edit("120.0", "true"), "girth_mm = True is not accepted"),
        (edit("40", "0"), "stations = 0 is not accepted: input should be greater than or equal to 1"),
        (edit("40", "-3"), "stations = -3 is not accepted"),
        (edit("40", "40.5"), r"stations = 40\.5 is not accepted: input should be a valid integer"),
        (
            edit('"tube"', '"cone"'),
            r"shape = 'cone' is not accepted: .*\(give \"tube\", \"panel\" or \"photo\"\)",
        ),
        (
            edit("40", "50000").replace("= 12\n", "= 50000\n"),
            r"stations × positions = 2,500,000,000 points.*\(split it",
        ),
        (
            ZONE + "thickness_mm = 0",
            r"thickness_mm = 0 is not accepted: .* \(give the thickness of the wall\)",
        ),
        (ZONE + "poisson = 0.6", r"poisson = 0\.6 is not accepted: .*less than or equal to 0\.5"),
        # lengths that do not belong
        (
            ZONE + "position_pitch_mm = 3.0",
            r'position_pitch_mm does not belong to shape "tube" \(delete it: on a tube',
        ),
        (
            edit('"tube"', '"panel"'),
            r'girth_mm does not belong to shape "panel" \(delete it, or set shape = "tube"',
        ),
        (
            edit('"tube"', '"panel"').replace("girth_mm = 120.0", ""),
            r'position_pitch_mm is missing for shape "panel" \(add position_pitch_mm = …, the distance',
        ),
        (
            ZONE + "girth_end_mm = 90.0",
            r"girth_mm and girth_end_mm given \(give girth_mm alone, or girth_start_mm and",
        ),
        (edit("girth_mm", "girth_start_mm"), "girth_start_mm given .*girth_end_mm on a tapered tube"),
        # points
        (
            ZONE + 'reference = ["41-01"]',
            r"reference '41-01': station 41 is outside the zone \(stations run from 1 to 40",
        ),
        (
            ZONE + 'reference = ["01-01:06-13"]',
            r"reference '01-01:06-13': position 13 is outside the zone \(positions",
        ),
        (ZONE + 'skip = ["00-01"]', "skip '00-01': station 0 is outside the zone"),
        (
            ZONE + 'reference = ["seven"]',
            r"reference 'seven' is not a block of points \(write \"07-05\", or corner",
        ),
        (
            ZONE + '[zone.notes]\n07-05 = "a rattle"\nskip = "20-05"',
            r"notes: 'skip' is not a point \(.*; other keys of the zone go above \[zone\.notes\]\)",
        ),
        (ZONE + '[zone.notes]\n"01-01:02-02" = "soft"', "notes: '01-01:02-02' is not a point"),
        (ZONE + '[zone.notes]\n41-01 = "soft"', "notes '41-01': station 41 is outside the zone"),
        (ZONE + '[zone.notes]\n7-5 = "soft"\nBM-07-05 = "softer"', "has two notes at BM-07-05"),
        (ZONE + "notes = 5", r"notes = 5 is not accepted: .*\(give a table \[zone.notes\]"),
        (ZONE + 'bonded = ["01-13"]', "bonded '01-13': position 13 is outside the zone"),
        (ZONE + 'reference = ["QQ-01-01"]', "reference 'QQ-01-01' is not a block of points"),
        (
            ZONE + "reference = [5]",
            r"reference = 5 is not accepted: .*\(give a list of points known to be good",
        ),
        (ZONE + 'skip = "01-01"', "skip = '01-01' is not accepted: input should be a valid list"),
        # together
        (ZONE + ZONE, r"code is used twice \(give each zone its own code\)"),
        (ZONE + 'mirror_of = "BN"', r'mirror_of: "BN" is not a zone of this plan \(the plan has no other'),
        (ZONE + 'mirror_of = "BM"', r"mirror_of: names the zone itself \(name the zone on the other side\)"),
        (
            ZONE + 'mirror_of = "PL"' + PANEL,
            r'mirror_of: "PL" has another shape or grid \(mirror zones need the same',
        ),
    ],
)
def test_what_is_wrong_in_a_zone_is_reported_with_key_value_and_fix(text, message):
    with pytest.raises(TapscanError, match=IN_ZONE + message):
        parse_plan(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"holds no zone \(add a \[\[zone\]\] table\)"),
        ("zone = []", "holds no zone"),
        (
            "[zone]\ncode = 'A'",
            r"zone is not a list of tables \(begin each zone with \[\[zone\]\], in two brackets\)",
        ),
        ("zone = [1]", "zone number 1: zone is not a list of tables"),
        (
            "part = 'x'\n" + ZONE,
            r"part is not a table \(put \[part\] on a line of its own, and its keys below\)",
        ),
        (ZONE + "[taps]\nn = 3", r"unknown key 'taps' \(did you mean tap\?\)"),
        (edit('"BM"', '"bm"'), r"zone \"bm\": code = 'bm' is not accepted \(give 1 to 8 of A-Z 0-9\)"),
        (edit('"BM"', '"LONGERTHAN8"'), r"code = 'LONGERTHAN8' is not accepted \(give 1 to 8"),
        (edit('"BM"', "5"), "zone number 1: code = 5 is not accepted"),
        (ZONE + "[[zone]]\nname = 'x'", "zone number 2: code is missing .*; 4 more errors"),
        (
            ZONE + "[tap]\ntaps_per_point = 0",
            r"\[tap\]: taps_per_point = 0 is not accepted: .*\(give how many strikes",
        ),
        (
            ZONE + "[tap]\ntaps_per_pont = 3",
            r"\[tap\]: unknown key 'taps_per_pont' \(did you mean taps_per_point\?\)",
        ),
        (
            ZONE + "[tap]\ntapper_mass_g = 0.0",
            r"\[tap\]: tapper_mass_g = 0.0 .*\(give what the tapper weighs",
        ),
        (ZONE + "[ascan]\nbeam_mm = -1.0", r"\[ascan\]: beam_mm = -1.0 .*\(give the width of the beam"),
        (ZONE + "[ascan]\nsample_rate_mhz = -1", r"\[ascan\]: sample_rate_mhz = -1 is not accepted"),
        (
            ZONE + "[analysis]\nfalse_call_rate = 0.9",
            r"\[analysis\]: false_call_rate = 0\.9 is not accepted: .*0\.5",
        ),
        (ZONE + "[analysis]\nfalse_call_rate = 0", r"\[analysis\]: false_call_rate = 0 is not accepted"),
        (
            ZONE + "[laminate]\ndensity_kg_m3 = '1550'",
            r"\[laminate\]: density_kg_m3 = '1550' is not accepted",
        ),
        (ZONE + "[part]\nname = [1]", r"\[part\]: name = a list is not accepted"),
        (
            ZONE.replace("girth_mm", 'reference = ["03-03:01-01"]\ngirth_mm'),
            r"reference '03-03:01-01': ends before it begins, .* \(write the lower station first",
        ),
        ("stations = = 3", r"is not valid TOML: .*line 1.*\(correct that line: numbers as 120\.5"),
        (ZONE + "stations = 3", "is not valid TOML: Cannot overwrite a value"),
        ("x = " + "[" * 5000, r"is nested far too deep for a plan \(check that it is the right file\)"),
        ("x = " + "9" * 5000, "is not valid TOML: Exceeds the limit .* has 5000 digits"),
    ],
)
def test_what_is_wrong_elsewhere_is_reported_with_its_place(text, message):
    with pytest.raises(TapscanError, match=r"^inspection\.toml: (zone .*)?" + message):
        parse_plan(text)


def test_a_panel_has_no_seam_to_cross():
    text = PANEL + 'reference = ["01-05:02-02"]'
    with pytest.raises(
        TapscanError, match=r"crosses a seam, which a panel does not have \(write the lower position"
    ):
        parse_plan(text)


def plan_file(folder: Path, content: bytes) -> Path:
    (folder / "inspection.toml").write_bytes(content)
    return folder


def test_files_of_other_editors_are_read(tmp_path):
    for content in (b"\xef\xbb\xbf" + ZONE.encode(), ZONE.replace("\n", "\r\n").encode()):
        assert read_plan(plan_file(tmp_path, content)).zones[0].code == "BM"


def test_files_that_are_no_plan(tmp_path):
    with pytest.raises(TapscanError, match=r"holds no inspection\.toml \(start one with: tapscan new DIR"):
        read_plan(tmp_path)
    with pytest.raises(
        TapscanError, match=r"is not a folder \(name the folder that holds inspection\.toml\)"
    ):
        read_plan(tmp_path / "gone")
    with pytest.raises(TapscanError, match=r"is not UTF-8 text \(save it again as plain text in UTF-8\)"):
        read_plan(plan_file(tmp_path, ZONE.encode("utf-16")))
    with pytest.raises(TapscanError, match="is over 1 MB, too large for a plan"):
        read_plan(plan_file(tmp_path, b"#" * 1_000_001))


def test_a_misspelt_folder_is_asked_about(tmp_path):
    (tmp_path / "gravel-fork").mkdir()
    (tmp_path / "gravel-fork" / "inspection.toml").write_text(ZONE)
    (tmp_path / "gravel-forks-photos").mkdir()
    with pytest.raises(TapscanError) as caught:
        read_plan(tmp_path / "gravel-frok")
    assert (
        str(caught.value)
        == f"{tmp_path / 'gravel-frok'}: is not a folder (did you mean {tmp_path / 'gravel-fork'}?)"
    )


def test_a_plan_that_is_a_link_out_of_the_folder_is_not_read(tmp_path):
    plan_file(tmp_path, ZONE.encode())
    inner = tmp_path / "inner"
    inner.mkdir()
    try:
        (inner / "inspection.toml").symlink_to(tmp_path / "inspection.toml")
    except OSError:
        pytest.skip("this file system has no links")
    with pytest.raises(TapscanError, match=r"is a link out of the inspection \(copy the plan itself there\)"):
        read_plan(inner)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (
            "girth_mm = 0.12",
            r"girth_mm = 0\.12 is far too small for millimetres \(write it in mm: 0\.12 m are 120 mm\)",
        ),
        ("station_pitch_mm = 0.01", r"station_pitch_mm = 0\.01 is far too .*0\.01 m are 10 mm"),
        ("thickness_mm = 0.0016", r"thickness_mm = 0\.0016 is far too .*0\.0016 m are 1\.6 mm"),
    ],
)
def test_a_length_in_metres_is_refused_with_its_millimetres(line, words):
    key = line.split(" = ")[0]
    kept = "".join(text for text in ZONE.splitlines(keepends=True) if not text.startswith(key))
    with pytest.raises(TapscanError, match=rf'zone "BM": {words}'):
        parse_plan(kept + line + "\n")


def test_all_mistakes_are_reported_at_once():
    text = (
        '[part]\ndate = "2026-02-30"\n'
        + edit("girth_mm", "girht_mm")
        + 'skip = ["99-01"]\n'  # not checked before the zone itself is valid
        + PANEL
        + 'reference = ["09-01", "seven"]\nmirror_of = "BN"\n[analysis]\nunits = "in"\n'
    )
    with pytest.raises(TapscanError) as caught:
        parse_plan(text)
    assert [str(one) for one in caught.value.mistakes] == [
        "inspection.toml: zone \"BM\": unknown key 'girht_mm' (did you mean girth_mm?)",
        (
            "inspection.toml: [analysis]: unknown key 'units' "
            "(move it to the top of the file, above the first table: units = …)"
        ),
        (
            "inspection.toml: [part]: date = '2026-02-30' is not a date "
            "(write year-month-day, such as 2026-03-01, or leave it empty)"
        ),
        (
            "inspection.toml: zone \"PL\": reference '09-01': station 9 is outside the zone "
            "(stations run from 1 to 4)"
        ),
        (
            "inspection.toml: zone \"PL\": reference 'seven' is not a block of points "
            '(write "07-05", or corner to corner "01-01:06-12")'
        ),
        'inspection.toml: zone "PL": mirror_of: "BN" is not a zone of this plan (did you mean BM?)',
    ]
    paths = [one.path for one in caught.value.mistakes]
    assert paths[0] == ("zone", 0, "girht_mm")
    assert paths[-2:] == [("zone", 1, "reference"), ("zone", 1, "mirror_of")]
    assert str(caught.value).endswith("(did you mean girth_mm?; 5 more errors)")


def test_a_misspelt_key_is_one_mistake_though_its_key_is_then_missing():
    with pytest.raises(TapscanError) as caught:
        parse_plan(edit("stations", "statons"))
    assert [one.what for one in caught.value.mistakes] == ["unknown key 'statons'"]


def test_zones_of_one_code_are_reported_once_for_each_repetition():
    with pytest.raises(TapscanError) as caught:
        parse_plan(ZONE * 3)
    assert [one.what for one in caught.value.mistakes] == ["code is used twice"] * 2


@pytest.mark.parametrize(
    "day", ["2026-03-01", "2026-03", "2026", "1 March 2026", "Mar 1, 2026", "01.03.2026", ""]
)
def test_dates_that_can_mean_only_one_day_are_kept_as_written(day):
    assert parse_plan(f'[part]\ndate = "{day}"\n{ZONE}').part.date == day


@pytest.mark.parametrize("day", ["yesterday", "2026-02-30", "03/04/2026", "2026-13-01", "31.04.2026"])
def test_a_date_that_is_no_date_is_refused(day):
    with pytest.raises(TapscanError, match=rf"\[part\]: date = '{day}' is not a date \(write year-month-day"):
        parse_plan(f'[part]\ndate = "{day}"\n{ZONE}')


def test_units_and_the_side_of_the_datum_line():
    plan = parse_plan('units = "in"\n' + ZONE + 'datum_side = "left"\n')
    assert (plan.units, plan.zones[0].datum_side) == ("in", "left")
    assert (parse_plan(ZONE).units, parse_plan(ZONE).zones[0].datum_side) == ("mm", None)
    with pytest.raises(TapscanError, match=r"datum_side = 'front' is not accepted: .*\(give the side of the"):
        parse_plan(ZONE + 'datum_side = "front"')
    with pytest.raises(TapscanError, match=r"units = 'cm' is not accepted: .*\(give \"mm\", or \"in\" for"):
        parse_plan('units = "cm"\n' + ZONE)
