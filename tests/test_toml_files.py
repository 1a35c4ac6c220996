"""TOML files: every fault at once, with its line, in tables and arrays of tables; msgspec as independent check."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta

from flattop.errors import SettingsError
from flattop.toml_files import Document, Table, faults_in, parse_toml, read_toml


class Colour(StrEnum):
    RED = "red"
    BLUE = "blue"


class Leaf(Table, frozen=True, kw_only=True):
    size: Annotated[float, Meta(ge=0.5, le=2.0, description="size [m]")]
    colour: Colour = Colour.RED


class Branch(Table, frozen=True, kw_only=True):
    name: Annotated[str, Meta(min_length=1, max_length=5)]
    leaves: Annotated[tuple[Leaf, ...], Meta(min_length=1, max_length=3, description="leaves")]


class Tree(Table, frozen=True, kw_only=True):
    root: Leaf = Leaf(size=1.0)
    kind: Literal["oak", 4] = "oak"
    branches: Annotated[tuple[Branch, ...], Meta(max_length=2)] = ()


def parsed(text):
    raw = text if isinstance(text, bytes) else text.encode()
    return parse_toml(raw, name="file x", error=SettingsError)


def faults(text, kind=Tree):
    return faults_in(parsed(text), kind)


def refused(text):
    with pytest.raises(SettingsError) as caught:
        parsed(text)
    return str(caught.value)


def test_a_whole_file_has_no_fault():
    text = """
    kind = 4
    [root]
    size = 2
    [[branches]]
    name = "left"
    [[branches.leaves]]
    size = 0.5
    [[branches.leaves]]
    size = 1.0
    colour = "blue"
    """
    assert faults(text) == []
    tree = msgspec.convert(parsed(text).table, Tree)
    assert tree.branches[0].leaves[1] == Leaf(size=1.0, colour=Colour.BLUE)


def test_faults_in_arrays_of_tables_are_told_with_the_line_and_the_place_in_the_array():
    found = faults(
        '[[branches]]\nname = "a"\n[[branches.leaves]]\nsize = 1\n'
        '[[branches]]\nnam = "b"\n[[branches.leaves]]\nsize = 1\n[[branches.leaves]]\nsize = 9\ncolour = "pink"\n'
    )
    assert found == [
        "line 6: branches[2].nam is not known; did you mean name?",
        'line 5: branches[2].name is missing; needed is "text" on one line, 1 to 5 characters; add it',
        "line 10: branches[2].leaves[2].size (size [m]) is 9; allowed is a number from 0.5 to 2.0; correct it",
        'line 11: branches[2].leaves[2].colour is "pink"; allowed is "red" or "blue"; '
        'correct it, or delete the line for the default, "red"',
    ]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('[[branches]]\nname = "a"', "line 1: branches[1].leaves is missing; needed is 1 to 3 tables, each under"),
        ('[[branches]]\nname = "a"\nleaves = []', "line 3: branches[1].leaves (leaves) is an empty array"),
        ('[[branches]]\nname = "a"\nleaves = 3', "[[branches.leaves]]; correct it"),
        ("branches = [1]", "line 1: branches[1] is 1; allowed is a table; correct it"),
        ("[branches]\nx = 1", "branches is a table; allowed is 0 to 2 tables"),
        ('branches = [{name = "a", leaves = [{size = 7}]}]', "line 1: branches[1].leaves[1].size"),
    ],
)
def test_an_array_that_is_none_or_too_short_or_inline(text, found):
    assert any(found in fault for fault in faults(text)), faults(text)


def test_lines_are_found_in_dotted_and_inline_spellings_too():
    assert "line 2: root.size" in faults("\nroot.size = 9.0\n")[0]
    assert "line 1: root.size" in faults("root = { size = 9.0 }")[0]
    assert 'line 2: root."a b" is not known' in faults('[root]\n"a b" = 1\nsize = 1')[0]


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm():
    assert parsed(b"\xef\xbb\xbf[root]\r\nsize = 1.0\r\n").table == {"root": {"size": 1.0}}


def test_a_missing_file_and_a_folder_say_so_and_what_to_do(tmp_path):
    with pytest.raises(SettingsError, match=r"thing .*none.toml does not exist; check the path, or create the file"):
        read_toml(tmp_path / "none.toml", what="thing", error=SettingsError)
    with pytest.raises(SettingsError, match=r"cannot be read \(Is a directory\); check that it is a file"):
        read_toml(tmp_path, what="thing", error=SettingsError)


def test_text_in_another_encoding_is_refused_with_its_line():
    assert "file x is not UTF-8 text (line 2); save it as UTF-8" in refused(b"[meter]\nserial = '\xe9'\n")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("[root]\nsize = \n", "line 2"),
        ("[root]\nsize = 0.1\nsize = 0.2\n", "line 3"),
        ("a = " + "[" * 5000, "is not TOML"),
        ("a = " + "9" * 5000, "is not TOML"),
    ],
)
def test_a_file_that_is_not_toml_is_refused(text, reason):
    message = refused(text)
    assert reason in message
    assert "correct that place, or restore a copy" in message


def test_a_file_far_too_long_is_refused_unparsed():
    assert "longer than 65536 bytes" in refused(b"#" * 70_000)


_VALUES = st.one_of(
    st.booleans(), st.integers(), st.floats(), st.text(max_size=6), st.dates(), st.sampled_from(["red", "oak", 4, 1.0])
)
_LEAVES = st.dictionaries(st.sampled_from(["size", "colour", "sise"]), _VALUES, max_size=3)
_BRANCHES = st.dictionaries(
    st.sampled_from(["name", "leaves"]), st.one_of(_VALUES, st.lists(_LEAVES, max_size=4)), max_size=2
)
_TREES = st.fixed_dictionaries(
    {}, optional={"root": _LEAVES, "kind": _VALUES, "branches": st.lists(st.one_of(_BRANCHES, _VALUES), max_size=3)}
)


@given(_TREES)
def test_what_the_walk_passes_msgspec_converts_and_what_msgspec_refuses_the_walk_names(tables):
    found = faults_in(Document(tables, {}), Tree)
    try:
        msgspec.convert(tables, Tree)
    except msgspec.ValidationError:
        assert found
    else:
        # The walk is stricter only with NaN, control characters and the like; never with an ordinary value.
        assert not found or "nan" in str(found) or "on one line" in str(found), found
