"""The strict reader: every complaint is one sentence with file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from files_samples import refusal
from hypothesis import given
from hypothesis import strategies as st

from engine.errors import FileError
from engine.sessions.yaml_text import (
    MAX_DEPTH,
    MAX_YAML,
    Node,
    parse_yaml,
    plain,
    read_yaml,
    yaml_dump,
)

FILE = Path("cell.yaml")


def parse(text: str) -> Node:
    return parse_yaml(text.encode(), FILE)


def refused(data: str | bytes) -> FileError:
    with pytest.raises(FileError) as caught:
        parse_yaml(data.encode() if isinstance(data, str) else data, FILE)
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize(
    "raw", ["010", "0x1F", "1_000", "1:30", "1e3", ".5", "+7", "-0", "yes", "2026-11-25", ".nan"]
)
def test_scalars_stay_the_raw_text_of_the_file_quoted_or_not(raw: str) -> None:
    for written in (raw, f"'{raw}'", f'"{raw}"'):
        (item,) = parse(f"pose: [{written}]").at("pose").items()
        assert item.text() == raw


def test_places_name_line_and_dotted_key() -> None:
    root = parse("a: 1\nstations:\n- id: 1\n- pose:\n  - 'x'\n  - 2\n")
    item = root.at("stations").items()[1].at("pose").items()[1]
    assert (item.key, item.line) == ("stations[2].pose[2]", 6)


def test_duplicate_keys_are_refused_with_both_lines() -> None:
    error = refused("board:\n  rows: 8\n  columns: 11\n  rows: 9\n")
    assert (error.line, error.key) == (4, "board.rows")
    assert "line 2" in error.clause


@pytest.mark.parametrize("text", ["a: &x 1\nb: *x\n", "a: 1\nb: &x 1\n", "a: &x [*x]\n", "*a : b"])
def test_anchors_and_aliases_are_refused(text: str) -> None:
    assert refused(text).line is not None


@pytest.mark.parametrize(
    "text", ["a: !!int '3'", "a: !x {}", "!!map {a: 1}", "a: !!python/name:os.x"]
)
def test_type_marks_are_refused(text: str) -> None:
    assert "type mark" in refused(text).clause


def test_a_second_document_is_refused() -> None:
    assert refused("a: 1\n---\nb: 2\n").line == 2


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"# only a remark\n", b"---\n", b"~", b"\xef\xbb\xbf"]
)
def test_an_empty_file_is_called_empty(data: bytes) -> None:
    assert refused(data).clause == "the file is empty"


@pytest.mark.parametrize(
    "data",
    [
        b"\x89PNG\r\n\x1a\n\x00\x00",
        b"a: \xff\n",
        b"a: 1\x00",
        b"\xff\xfea\x00",
        b"a: \x1b[0m",
        b"\x7f",
    ],
)
def test_what_is_no_utf8_text_is_refused(data: bytes) -> None:
    assert "text" in refused(data).clause


@pytest.mark.parametrize(
    "text", ["a: [1, 2", "a: 'x", "a: {b: 1", "a:\n\tb: 1", "a: b: c", "@x", "a\nb: 1"]
)
def test_broken_yaml_is_refused_with_its_line(text: str) -> None:
    error = refused(text)
    assert "not valid YAML" in error.clause
    assert error.line is not None


@pytest.mark.parametrize(
    "bomb", ["[" * 200_000, "{a: " * 5_000, "- " * 100_000, "a: " + "[" * 40 + "]" * 40]
)
def test_nesting_without_end_is_refused(bomb: str) -> None:
    refused(bomb)


def test_nesting_as_deep_as_allowed_is_read() -> None:
    parse("[" * MAX_DEPTH + "]" * MAX_DEPTH)
    refused("[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1))


@pytest.mark.parametrize("text", ["[a, b]: 1", "{a: 1}: 2", "? [a]\n: 1"])
def test_lists_and_groups_as_keys_are_refused(text: str) -> None:
    assert "key" in refused(text).clause


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "cell.yaml"
    with path.open("wb") as file:
        file.truncate(MAX_YAML + 1)
    with pytest.raises(FileError, match="limit is 8"):
        read_yaml(path)


def test_missing_files_folders_and_devices_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file"):
        read_yaml(tmp_path / "nothing.yaml")
    with pytest.raises(FileError, match="folder"):
        read_yaml(tmp_path)
    with pytest.raises(FileError, match="ordinary"):
        read_yaml(Path("/dev/zero"))
    with pytest.raises(FileError, match="no file name"):
        read_yaml(tmp_path / "a\0b")


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_one_sentence(data: bytes) -> None:
    assert "\n" not in refusal(lambda: parse_yaml(data, FILE))


texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=40)
scalars = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | texts
documents = st.dictionaries(
    texts,
    st.recursive(scalars, lambda s: st.lists(s) | st.dictionaries(texts, s), max_leaves=8),
    min_size=1,
    max_size=4,
)


@given(documents)
def test_what_is_dumped_is_what_the_yaml_library_loads(document: dict[str, object]) -> None:
    document = plain(document)
    assert yaml.safe_load(yaml_dump(document)) == document


@given(st.lists(texts, min_size=1))
def test_texts_come_back_from_the_strict_reader(items: list[str]) -> None:
    read = parse(yaml_dump({"texts": items})).at("texts").items()
    assert [item.value for item in read] == items
    assert not any(item.is_null for item in read)


def test_repeated_values_are_written_out_and_unknown_numbers_are_null() -> None:
    row = [1.0, float("nan")]
    text = yaml_dump(plain({"rows": [row, row], "t": float("inf")}))
    assert "&" not in text
    assert yaml.safe_load(text) == {"rows": [[1.0, None]] * 2, "t": None}
