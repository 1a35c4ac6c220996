"""Calibration files: exact round trip, every fault at once, damage found even where it stays within limits."""

from __future__ import annotations

import contextlib
import datetime
import json
import re
import stat
import tomllib
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flattop import calibration
from flattop.calibration import RANGES_V, Calibration, InputCalibration, RangeCalibration
from flattop.errors import CalibrationError, StorageError
from flattop.samples import Input

DAY = datetime.date(2026, 5, 4)


def made(**changes):
    inputs = {
        Input.SPEAKER: InputCalibration({r: RangeCalibration(1.0 + r / 100, -0.0125 * r) for r in RANGES_V}, 1.03),
        Input.LINE: InputCalibration({r: RangeCalibration(0.99 + r / 100, 0.001 * r) for r in RANGES_V}),
    }
    fields = {
        "serial": "FT-0007",
        "date": DAY,
        "reference": "bench meter, certificate 1234",
        "reference_u_pct": 0.05,
        "inputs": inputs,
    }
    return Calibration(**(fields | changes))


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "ft-0007.toml"
    calibration.save(path, made())
    return path


def refused(path, **known):
    with pytest.raises(CalibrationError) as caught:
        calibration.load(path, **known)
    return str(caught.value)


def changed(path, *pairs):
    text = path.read_text()
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text)
    return path


def test_what_is_saved_is_loaded(path):
    assert calibration.load(path, serial="FT-0007", today=DAY) == made()


def test_the_meaning_of_the_file_is_as_documented(path):
    held = calibration.load(path).inputs[Input.SPEAKER].ranges[2.048]
    assert (held.gain, held.offset_v) == (1.02048, -0.0125 * 2.048)
    assert tomllib.loads(path.read_text())["speaker"]["2.048"] == {"gain": 1.02048, "offset_v": -0.0125 * 2.048}


_TEXT = st.text(st.characters(exclude_categories=["C", "Z"], include_characters=" "), min_size=1, max_size=40)
_RANGES_OF = {
    Input.SPEAKER: st.builds(RangeCalibration, gain=st.floats(0.9, 1.1), offset_v=st.floats(-2.0, 2.0)),
    Input.LINE: st.builds(RangeCalibration, gain=st.floats(0.9, 1.1), offset_v=st.floats(-0.2, 0.2)),
}
_CALIBRATIONS = st.builds(
    Calibration,
    serial=_TEXT,
    date=st.dates(datetime.date(2020, 1, 1), datetime.date(2199, 12, 31)),
    reference=_TEXT,
    reference_u_pct=st.floats(0.0, 5.0),
    inputs=st.fixed_dictionaries(
        {
            which: st.builds(
                InputCalibration,
                ranges=st.fixed_dictionaries(dict.fromkeys(RANGES_V, ranges)),
                pole_scale=st.floats(0.8, 1.25),
            )
            for which, ranges in _RANGES_OF.items()
        }
    ),
)


@given(_CALIBRATIONS)
def test_the_round_trip_is_exact(tmp_path_factory, held):
    path = tmp_path_factory.getbasetemp() / "round-trip.toml"
    calibration.save(path, held)
    assert calibration.load(path) == held


def test_the_checksum_is_that_of_zlib_over_sorted_json(path):
    # An independent computation of what the module's docstring states.
    values = tomllib.loads(path.read_text())
    stated = values.pop("crc32")
    values["date"] = values["date"].isoformat()
    assert stated == f"{zlib.crc32(json.dumps(values, sort_keys=True).encode()):08x}"


def test_every_single_changed_digit_is_found(path):
    text = path.read_text()
    start = text.index("serial")
    places = [start + found.start() for found in re.finditer(r"\d", text[start:])]
    assert len(places) > 60
    missed = []
    for place in places:
        path.write_text(text[:place] + str((int(text[place]) + 1) % 10) + text[place + 1 :])
        with contextlib.suppress(CalibrationError):
            missed.append((place, calibration.load(path)))
    # A change of the last digit of a long number may leave the nearest float the same: then nothing is damaged.
    assert all(held == made() for _, held in missed)
    assert len(missed) <= 2


def test_a_file_cut_off_anywhere_is_refused(path):
    raw = path.read_bytes().rstrip()
    for length in range(0, len(raw), 7):
        path.write_bytes(raw[:length])
        message = refused(path)
        assert str(path) in message


def test_an_edit_on_purpose_is_accepted_once_the_checksum_offered_is_put_in(path):
    changed(path, ("gain = 1.02048", "gain = 1.0204"))
    message = refused(path)
    assert "line 4: crc32 is" in message
    assert "damaged or was edited; restore a copy or calibrate again; if it was edited on purpose, set crc32" in message
    offered = re.search(r'set crc32 = "([0-9a-f]{8})"', message)[1]
    changed(path, (re.search(r'crc32 = "\w+"', path.read_text())[0], f'crc32 = "{offered}"'))
    assert calibration.load(path).inputs[Input.SPEAKER].ranges[2.048].gain == 1.0204


def test_a_missing_checksum_is_not_taken_for_a_good_one(path):
    changed(path, (re.search(r'crc32 = "\w+"\n', path.read_text())[0], ""))
    assert "crc32 is missing, which is not the checksum" in refused(path)


def test_comments_and_spacing_are_free(path):
    changed(path, ("version = 1", "\n# done after the new fuse\nversion   =   1  # still"))
    assert calibration.load(path) == made()


def test_all_faults_are_reported_at_once(path):
    changed(
        path,
        ("version = 1", "version = 2"),
        ("serial", "seriall"),
        ("pole_scale = 1.03", "pole_scale = 1.5"),
        ("gain = 1.02048", "gain = 1.2"),
        ("reference_u_pct = 0.05", "reference_u_pct = -1"),
    )
    message = refused(path, today=datetime.date(2026, 5, 3))
    for words in (
        "line 3: version (version of this kind of file) is 2; allowed is 1",
        "line 5: seriall is not known; did you mean serial?",
        "serial is missing",
        "line 11: speaker.pole_scale (factor on the front end's time constants) is 1.5; allowed is a number from 0.8",
        'line 12: speaker."2.048".gain (factor on the indicated level) is 1.2; allowed is a number from 0.9 to 1.1',
        "line 8: reference_u_pct",
        "line 6: date is 2026-05-04; allowed is 2026-05-03 (today) or earlier",
        "correct the other faults, then try again",
    ):
        assert words in message
    assert message.count("\n") == 8
    assert "set crc32" not in message


@pytest.mark.parametrize(("which", "limit"), [("speaker", 2.0), ("line", 0.2)])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_offset_has_limits_of_each_input(path, which, limit, sign):
    held = made()
    for offset_v, accepted in ((sign * limit, True), (sign * limit * 1.01, False)):
        ranges = dict(held.inputs[Input(which)].ranges) | {0.512: RangeCalibration(1.0, offset_v)}
        inputs = dict(held.inputs) | {Input(which): InputCalibration(ranges)}
        if accepted:
            calibration.save(path, made(inputs=inputs))
            assert calibration.load(path).inputs[Input(which)].ranges[0.512].offset_v == offset_v
        else:
            with pytest.raises(CalibrationError, match=rf'{which}."0.512".offset_v .* from {-limit} to {limit}'):
                calibration.save(path, made(inputs=inputs))


@pytest.mark.parametrize("value", ["nan", "inf", "true", '"1.0"', "0.8999", "1.1001"])
def test_a_gain_that_is_no_number_near_one_is_refused(path, value):
    changed(path, ("gain = 1.02048", f"gain = {value}"))
    assert 'speaker."2.048".gain' in refused(path)


def test_a_missing_range_is_named(path):
    changed(path, ('"0.256"', '# "0.256"'))
    assert 'line 10: speaker."0.256" is missing' in refused(path)


def test_a_missing_input_is_named(path):
    path.write_text(path.read_text().split("[line]")[0])
    assert "line is missing; needed is a table [line]" in refused(path)


def test_dates_in_the_future_need_a_known_date_to_be_found(path):
    assert calibration.load(path).date == DAY
    assert calibration.load(path, today=DAY).date == DAY
    assert "check the clock of this meter" in refused(path, today=DAY - datetime.timedelta(days=1))


def test_a_date_from_a_clock_that_was_not_set_is_refused(path):
    with pytest.raises(CalibrationError, match="date is 1970-01-01; allowed is 2020-01-01 or later"):
        calibration.save(path, made(date=datetime.date(1970, 1, 1)))
    changed(path, ("date = 2026-05-04", "date = 2019-12-31"))
    assert "date is 2019-12-31; allowed is 2020-01-01 or later" in refused(path)


def test_the_file_of_another_meter_is_refused(path):
    message = refused(path, serial="FT-0008")
    assert "serial is FT-0007; allowed is FT-0008, the serial number of this meter" in message


def test_age_in_days():
    assert calibration.age_days(made(), datetime.date(2027, 5, 4)) == 365
    assert calibration.age_days(made(), DAY) == 0


def test_a_refused_calibration_leaves_the_old_file_alone(path):
    before = path.read_bytes()
    with pytest.raises(CalibrationError, match="line is missing"):
        calibration.save(path, made(inputs={Input.SPEAKER: made().inputs[Input.SPEAKER]}))
    assert path.read_bytes() == before


def test_a_full_or_missing_folder_is_a_storage_error_and_leaves_the_old_file(path, monkeypatch):
    with pytest.raises(StorageError, match="check the card, its free space and who may write"):
        calibration.save(path.parent / "none" / "x.toml", made())
    before = path.read_bytes()

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(calibration.os, "fsync", full)
    with pytest.raises(StorageError, match="No space left on device"):
        calibration.save(path, made(serial="FT-0008"))
    assert path.read_bytes() == before
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_the_file_is_synced_before_the_rename_and_the_folder_after_it(path, monkeypatch):
    happened = []
    fsync, replace = calibration.os.fsync, calibration.Path.replace

    def seen_fsync(number):
        happened.append("folder" if stat.S_ISDIR(calibration.os.fstat(number).st_mode) else "file")
        fsync(number)

    def seen_replace(self, target):
        happened.append("rename")
        return replace(self, target)

    monkeypatch.setattr(calibration.os, "fsync", seen_fsync)
    monkeypatch.setattr(calibration.Path, "replace", seen_replace)
    calibration.save(path, made())
    assert happened == ["file", "rename", "folder"]


def test_behind_a_link_the_file_is_replaced_and_the_link_stays(path):
    link = path.with_name("link.toml")
    link.symlink_to(path)
    calibration.save(link, made(serial="FT-0009"))
    assert link.is_symlink()
    assert calibration.load(path).serial == "FT-0009"


def test_what_is_no_calibration_file_is_refused(path):
    path.write_bytes(b"\x00\x01\xff" * 10)
    assert "is not UTF-8 text" in refused(path)
    path.write_text("")
    assert "version is missing" in refused(path)
    assert "does not exist" in refused(path.with_name("none.toml"))


def test_a_number_of_thousands_of_digits_is_a_fault_like_any_other(path):
    changed(path, ("gain = 1.02048", f"gain = 0x{'f' * 5000}"))
    assert "is a whole number of more than 64 bits; allowed is a number from 0.9 to 1.1" in refused(path)
