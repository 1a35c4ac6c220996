"""Settings: defaults, every kind of fault, all of them at once, with line, limits and remedy."""

from __future__ import annotations

import tomllib

import msgspec
import pytest

from flattop import settings, toml_files
from flattop.errors import FlattopError, SettingsError


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "flattop.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refused(path):
    with pytest.raises(SettingsError) as caught:
        settings.load(path)
    return str(caught.value)


def test_no_file_gives_the_defaults_of_the_meter_as_built():
    held = settings.load(None)
    assert (held.meter.input, held.meter.serial, held.meter.update_s, held.meter.window_s) == ("speaker", "", 0.1, 0.25)
    assert (held.ads1015.address, held.ads1015.alert_gpio, held.ads1015.rate) == (0x48, 4, 3300)
    verdict = held.verdict
    assert (verdict.flat_db, verdict.soft_db, verdict.flat_thd_pct) == (0.25, 0.08, 1.0)
    assert (verdict.hysteresis, verdict.latch_s, verdict.hold_s, verdict.dc_alarm_v) == (0.1, 1.0, 1.0, 0.5)
    assert (held.files.calibration, held.files.folder) == ("", "")


def test_an_empty_file_is_the_defaults_too(written):
    assert settings.load(written("")) == settings.Settings()


def test_the_defaults_lie_within_their_own_limits(written):
    tables = msgspec.to_builtins(settings.Settings())
    lines = []
    for table, fields in tables.items():
        lines.append(f"[{table}]")
        lines += [f"{key} = {toml_files.shown(value)}" for key, value in fields.items()]
    text = "\n".join(lines)
    assert tomllib.loads(text) == tables
    path = written(text.replace('calibration = ""', "").replace('folder = ""', ""))
    assert settings.load(path) == settings.Settings()


def test_every_value_arrives_where_it_belongs(written):
    path = written(
        """
        [meter]
        input = "line"
        serial = "FT-0007"
        update_s = 0.2
        window_s = 1            # a whole number is a number
        [ads1015]
        address = 0x49
        alert_gpio = -1
        rate = 2400
        [screen]
        controller = "ili9341"
        rotation = 180
        baud_hz = 24_000_000
        colours = "bgr"
        inverted = "no"
        [verdict]
        flat_db = 0.3
        soft_db = 0.1
        flat_thd_pct = 2.0
        hysteresis = 0.2
        latch_s = 0.5
        hold_s = 2.0
        dc_alarm_v = 1.5
        [files]
        calibration = "ft.toml"
        folder = "/srv/sessions"
        """
    )
    held = settings.load(path)
    assert held == settings.Settings(
        meter=settings.Meter(input="line", serial="FT-0007", update_s=0.2, window_s=1.0),
        ads1015=settings.Ads1015(address=0x49, alert_gpio=-1, rate=2400),
        screen=settings.Screen(controller="ili9341", rotation=180, baud_hz=24_000_000, colours="bgr", inverted="no"),
        verdict=settings.Verdict(
            flat_db=0.3, soft_db=0.1, flat_thd_pct=2.0, hysteresis=0.2, latch_s=0.5, hold_s=2.0, dc_alarm_v=1.5
        ),
        # A relative path counts from the settings file, an absolute one stands as it is.
        files=settings.Files(calibration=str(path.parent / "ft.toml"), folder="/srv/sessions"),
    )
    assert isinstance(held.meter.window_s, float)


def test_settings_are_frozen():
    with pytest.raises(AttributeError):
        settings.Settings().meter.update_s = 0.5


def test_all_faults_are_reported_at_once_each_with_line_value_limits_and_remedy(written):
    message = refused(
        written(
            "[meter]\n"
            "updat_s = 0.1\n"
            'input = "aux"\n'
            "window_s = 5.0\n"
            "[ads1015]\n"
            "rate = 860\n"
            "address = 0x50\n"
            "[verdict]\n"
            "soft_db = 0.5\n"
            'latch_s = "long"\n'
            "[filles]\n"
            'folder = "x"\n'
        )
    )
    lines = message.split("\n")[1:]
    assert len(lines) == 8
    for line, words in {
        2: ["meter.updat_s is not known", "did you mean update_s?"],
        3: ["meter.input", 'is "aux"', '"line" or "speaker"', "correct it, or delete the line", 'default, "speaker"'],
        4: ["meter.window_s", "is 5.0", "from 0.1 to 2.0", "default, 0.25"],
        6: ["ads1015.rate", "is 860", "1600 or 2400 or 3300"],
        7: ["ads1015.address", "is 80", "0x48 to 0x4b"],
        9: ["verdict.soft_db is 0.5", "less than verdict.flat_db, which is 0.25", "lower the one or raise the other"],
        10: ["verdict.latch_s", 'is "long"', "a number from 0.0 to 10.0"],
        11: ["filles is not known", "did you mean files?"],
    }.items():
        fault = next(fault for fault in lines if f"line {line}: " in fault)
        assert all(word in fault for word in words), fault


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("update_s = true", "is true"),
        ("update_s = nan", "is nan"),
        ("update_s = inf", "is inf"),
        ("update_s = -inf", "is -inf"),
        ("update_s = 0.0499", "is 0.0499"),
        ("update_s = 1.0001", "is 1.0001"),
        ('update_s = "0.1"', 'is "0.1"'),
        ("update_s = [0.1]", "is an array"),
        ("update_s = {a = 1}", "is a table"),
        ("update_s = 2026-05-04", "is 2026-05-04"),
        (f"update_s = 0x{'f' * 5000}", "more than 64 bits"),
        ("serial = 7", "is 7"),
        (f'serial = "{"x" * 41}"', "0 to 40 characters"),
        ('serial = "two\\nlines"', "on one line"),
        ("input = 1", '"speaker"'),
    ],
)
def test_a_value_of_the_wrong_type_or_range_is_refused(written, line, found):
    message = refused(written(f"[meter]\nwindow_s = 2.0\n{line}\n"))
    assert "line 3: meter." in message
    assert found in message
    assert message.count("\n") == 1


@pytest.mark.parametrize(
    "line", ["rate = 3300.0", "address = true", "address = 72.0", "alert_gpio = 17", "address = -1"]
)
def test_whole_numbers_are_whole_and_no_truth_values(written, line):
    assert "line 2: ads1015." in refused(written(f"[ads1015]\n{line}\n"))


@pytest.mark.parametrize("text", ["meter = 3", "[[meter]]\nupdate_s = 0.1"])
def test_a_section_that_is_no_table_is_refused(written, text):
    assert "allowed is a table [meter]" in refused(written(text))


def test_values_at_their_limits_are_accepted(written):
    assert settings.load(written("[meter]\nupdate_s = 0.05\nwindow_s = 2.0")).meter.update_s == 0.05
    assert settings.load(written("[verdict]\nhysteresis = 0\nlatch_s = 10")).verdict.latch_s == 10.0


def test_a_soft_limit_as_high_as_the_flat_one_is_refused_even_beside_other_faults(written):
    message = refused(written("[verdict]\nflat_db = 0.2\nsoft_db = 0.2\nhold_s = -1\n"))
    assert "line 3: verdict.soft_db is 0.2; allowed is less than verdict.flat_db, which is 0.2" in message
    assert "line 4: verdict.hold_s" in message


def test_a_pause_between_windows_is_refused(written):
    message = refused(written("[meter]\nupdate_s = 0.5\n"))
    assert "meter.update_s is 0.5; allowed is at most meter.window_s, which is 0.25" in message


def test_what_is_no_toml_file_is_a_settings_error(written, tmp_path):
    assert "settings file" in refused(tmp_path / "none.toml")
    assert "is not TOML" in refused(written("[meter]\nupdate_s = \n"))


def test_settings_errors_belong_to_the_tree():
    assert issubclass(SettingsError, FlattopError)
