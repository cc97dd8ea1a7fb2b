import pytest

from tapscan.errors import TapscanError
from tapscan.plan.text.template import PLAN_TEMPLATE
from tapscan.records.starting import start_inspection


def test_a_new_folder_holds_the_plan_and_places_for_readings(tmp_path):
    plan = start_inspection(tmp_path / "parts" / "boom")
    assert plan.read_text(encoding="utf-8") == PLAN_TEMPLATE
    assert sorted(path.name for path in plan.parent.iterdir()) == ["ascans", "inspection.toml", "taps"]


def test_a_folder_with_other_files_is_fine_and_they_stay(tmp_path):
    (tmp_path / "taps").mkdir()
    (tmp_path / "taps" / "BM-01-01.wav").write_text("x", encoding="utf-8")
    start_inspection(tmp_path)
    assert (tmp_path / "taps" / "BM-01-01.wav").read_text(encoding="utf-8") == "x"


def test_a_plan_is_never_replaced(tmp_path):
    (tmp_path / "inspection.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(
        TapscanError, match=r"holds an inspection\.toml already \(edit that one, or name another"
    ):
        start_inspection(tmp_path)
    assert (tmp_path / "inspection.toml").read_text(encoding="utf-8") == "mine"


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "boom").write_text("x", encoding="utf-8")
    with pytest.raises(TapscanError, match="is a file"):
        start_inspection(tmp_path / "boom")
    with pytest.raises(TapscanError, match=r"cannot be written: .*\(name a folder that you may write to\)"):
        start_inspection(tmp_path / "boom" / "inner")
