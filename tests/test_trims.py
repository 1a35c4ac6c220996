"""trims.json: what comes back is what was kept, and what cannot be read is no trim."""

import json
from dataclasses import replace

import pytest

from flattop.bands import Trimmed
from flattop.errors import StorageError
from flattop.record import trims
from flattop.record.stamps import Trust, Wall
from flattop.samples import Input

WALL = Wall(1_790_000_000.0, Trust.NETWORK)
MADE = Trimmed(Input.SPEAKER, 1.0213, 0.0012, calibrated=True, hz=50.0, rms_v=42.4)


@pytest.mark.parametrize("calibrated", [True, False])
def test_a_trim_comes_back_as_it_was_kept(tmp_path, calibrated):
    made = replace(MADE, calibrated=calibrated)
    trims.save(tmp_path, {Input.SPEAKER: trims.made(made, WALL)})
    assert trims.load(tmp_path)[Input.SPEAKER].of(Input.SPEAKER) == made
    assert json.loads((tmp_path / trims.NAME).read_text())["speaker"]["factor"] == made.factor


def test_one_that_does_not_say_what_it_was_made_against_calibrates_nothing(tmp_path):
    trims.save(tmp_path, {Input.SPEAKER: trims.made(MADE, WALL)})
    file = tmp_path / trims.NAME
    kept = json.loads(file.read_text())
    del kept["speaker"]["calibrated"]
    file.write_text(json.dumps(kept))
    assert trims.load(tmp_path)[Input.SPEAKER].of(Input.SPEAKER) == replace(MADE, calibrated=False)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"speaker": {"factor": -1}}', '{"woofer": {}}'])
def test_one_that_cannot_be_read_is_none(tmp_path, text):
    (tmp_path / trims.NAME).write_text(text)
    assert trims.load(tmp_path) == {}


def test_a_card_that_does_not_take_it_is_said(tmp_path):
    with pytest.raises(StorageError, match="see to the card"):
        trims.save(tmp_path / "gone", {Input.SPEAKER: trims.made(MADE, WALL)})
