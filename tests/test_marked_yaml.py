"""YAML with places: 1.2's plain words, clear refusals, nothing but FileRefused for any bytes."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from tablevoice import marked_yaml
from tablevoice.errors import FileRefused
from tablevoice.marked_yaml import (
    MAX_BYTES,
    MAX_DEPTH,
    MAX_NODES,
    parse_marked_yaml,
    read_marked_yaml,
)


def refusal(data: bytes) -> str:
    with pytest.raises(FileRefused) as refused:
        parse_marked_yaml(data, "a.yaml")
    assert len(refused.value.problems) == 1
    problem = refused.value.problems[0]
    assert problem.do
    return str(problem)


def test_only_true_and_false_are_booleans() -> None:
    """The examples of YAML 1.2.2, section 10.3.2 (core schema), beside 1.1's words and numbers."""
    text = (
        b"words: [yes, no, on, off, y, n, Yes, NO, 1:30, 12:30:45, 2001-12-14, 1_000, 0b1, =]\n"
        b"core: [true, True, TRUE, false, null, ~, Null, 0, 0o7, 0x3A, -19, 0., -0.0, .5, +12e03,"
        b" -2E+05, .inf, -.Inf, +.INF]\n"
        b"empty:\n"
    )
    value = parse_marked_yaml(text, "a.yaml").value
    assert value["words"] == ["yes", "no", "on", "off", "y", "n", "Yes", "NO", "1:30", "12:30:45",
                              "2001-12-14", "1_000", "0b1", "="]
    assert value["core"] == [True, True, True, False, None, None, None, 0, 7, 58, -19, 0.0, 0.0,
                             0.5, 12000.0, -200000.0, math.inf, -math.inf, math.inf]
    assert [type(each) for each in value["core"][7:12]] == [int, int, int, int, float]
    assert value["empty"] is None
    assert math.isnan(parse_marked_yaml(b".nan", "a.yaml").value)


def test_quotes_and_tags_make_words() -> None:
    value = parse_marked_yaml(b"['true', \"1\", !!str 5, ! 6, !!int 7]", "a.yaml").value
    assert value == ["true", "1", "5", "6", 7]


def test_everything_has_its_place() -> None:
    data = b"\xef\xbb\xbfa:\n  b: [x, {c: 1}]\n  7: &n {d: e}\nf: *n\n"
    marked = parse_marked_yaml(data, "a.yaml")
    assert marked.where() == "a.yaml:1:1"
    assert marked.where(("a",), key=True) == "a.yaml:1:1"
    assert marked.where(("a", "b")) == "a.yaml:2:6"
    assert marked.where(("a", "b"), key=True) == "a.yaml:2:3"
    assert marked.where(("a", "b", 1, "c")) == "a.yaml:2:14"
    assert marked.where(("a", "7")) == marked.where(("a", 7)) == "a.yaml:3:6"
    assert marked.where(("f", "d")) == "a.yaml:3:13"
    assert marked.where(("a", "b", 9, "gone")) == "a.yaml:2:6"


def test_columns_count_characters() -> None:
    assert parse_marked_yaml("é: [ü, x]".encode(), "a.yaml").where(("é", 1)) == "a.yaml:1:8"


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_both_line_endings(ending: bytes) -> None:
    marked = parse_marked_yaml(ending.join([b"a: 1", b"b:", b"  - x"]), "a.yaml")
    assert marked.value == {"a": 1, "b": ["x"]}
    assert marked.where(("b", 0)) == "a.yaml:3:5"


@pytest.mark.parametrize(
    ("data", "place", "words"),
    [
        (b"a: 1\nb: 2\na: 3", "a.yaml:3:1", "'a' stands here a second time. It is in line 1"),
        (b"1: x\n'1': y", "a.yaml:2:1", "second time"),
        (b"a: b: c", "a.yaml:1:5", "not valid YAML"),
        (b"a: [1, 2", "a.yaml:", "not valid YAML"),
        (b"a:\n\tb: 1", "a.yaml:2:1", "Indent with spaces"),
        (b"x: ok\ny: \xff\xfe", "a.yaml:2:4", "byte 4 of this line (0xff, byte 10 of the file)"),
        ("a: ä".encode("latin-1"), "a.yaml:1:4", "Save the file as UTF-8"),
        ("a: b".encode("utf-16"), "a.yaml:1:1", "not UTF-8"),
        (b"a: b\x00c", "a.yaml:1:5", "U+0000"),
        (b"a: b\n\x1b[2J", "a.yaml:2:1", "U+001B"),
        (b'a: "\\a"', "a.yaml:1:4", "U+0007"),
        (b'a: "\\U00110000"', "a.yaml:1", "YAML"),
        (b'a: "\\ud800"', "a.yaml:1", ""),
        (b"a: *b", "a.yaml:1:4", "nothing above is named '&b'"),
        (b"a: &b [*b]", "a.yaml:1:8", "nothing above"),
        (b"a: 1\n---\nb: 2", "a.yaml:2:1", "second document"),
        (b"[a]: 1", "a.yaml:1:1", "cannot be a key"),
        (b"true: 1", "a.yaml:1:1", "Put it in quotes"),
        (b"1.5: 1", "a.yaml:1:1", "Put it in quotes"),
        (b"a: !!python/object/apply:os.getcwd []", "a.yaml:1:4", "tag"),
        (b"a: !local x", "a.yaml:1:4", "tag"),
        (b"!!int x", "a.yaml:1:1", "tag"),
        (b"a: " + b"9" * 5000, "a.yaml:1:4", "too large"),
    ],
)
def test_refusals_name_the_place_and_the_way_out(data: bytes, place: str, words: str) -> None:
    text = refusal(data)
    assert text.startswith(place)
    assert words in text
    assert len(text) < 500


@pytest.mark.parametrize("data", [b"[" * 100_000, b"{a: " * 50_000, b"- " * 100_000])
def test_depth_is_bounded(data: bytes) -> None:
    text = refusal(data)
    # libyaml looks ahead and may come to a bound of its own first.
    assert f"deeper than {MAX_DEPTH} levels" in text or "maximum nesting depth" in text


def test_alias_bombs_are_bounded() -> None:
    rows = [b"a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [b"a%d: &a%d [%s]" % (n, n, b", ".join([b"*a%d" % (n - 1)] * 10))
             for n in range(1, 30)]
    assert f"more than {MAX_NODES} values, aliases included" in refusal(b"\n".join(rows))


def test_size_is_bounded_before_parsing(tmp_path: Path) -> None:
    file = tmp_path / "big.yaml"
    with file.open("wb") as stream:
        stream.truncate(100 * 1024 * 1024)
    with pytest.raises(FileRefused, match="larger than 8 MiB"):
        read_marked_yaml(file)
    assert "larger than 8 MiB" in refusal(b"a" * (MAX_BYTES + 1))


def test_a_line_of_megabytes_is_no_trouble() -> None:
    value = parse_marked_yaml(b"a: " + b"x" * (MAX_BYTES - 10), "a.yaml").value
    assert len(value["a"]) == MAX_BYTES - 10


def test_missing_file_folder_and_impossible_path(tmp_path: Path) -> None:
    (tmp_path / "lanterns.yaml").write_text("a: 1")
    with pytest.raises(FileRefused, match=r"no such file.*Did you mean 'lanterns.yaml'"):
        read_marked_yaml(tmp_path / "lantern.yaml")
    with pytest.raises(FileRefused, match="its folder is not there"):
        read_marked_yaml(tmp_path / "nowhere" / "x.yaml")
    with pytest.raises(FileRefused, match="this is a folder"):
        read_marked_yaml(tmp_path)
    with pytest.raises(FileRefused):
        read_marked_yaml(Path("a\0b"))
    with pytest.raises(FileRefused):
        read_marked_yaml(tmp_path / ("x" * 5000))


def test_an_empty_file_is_nothing() -> None:
    for data in (b"", b"# only a comment\n", b"---\n", b"\n\n"):
        assert parse_marked_yaml(data, "a.yaml").value is None


plain = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-2**40, 2**40), st.text(
        st.characters(blacklist_categories=["Cs", "Cc", "Cn", "Co"]), max_size=20)),
    lambda below: st.one_of(st.lists(below, max_size=4), st.dictionaries(
        st.text("abcdefg_", min_size=1, max_size=8), below, max_size=4)),
    max_leaves=12)


@settings(max_examples=80, deadline=None)
@given(value=plain)
def test_what_pyyaml_writes_is_read_back(value: object) -> None:
    """PyYAML's own emitter as the outside check: any value comes back as it was."""
    data = yaml.safe_dump(value, allow_unicode=True, sort_keys=False).encode()
    assert parse_marked_yaml(data, "a.yaml").value == value


SCRAPS = st.sampled_from(
    [b"a", b": ", b"- ", b"\n", b"\n  ", b"\t", b"[", b"]", b"{", b"}", b",", b"&x", b"*x", b"!",
     b"!!int", b"'", b'"', b"\\", b"|", b">", b"#", b"---", b"...", b"%YAML 1.1", b"? ", b"~",
     b"<<", b"\xc3\xa9", b"\xff", b"\x00", b"\x85", b"\xe2\x80\xa8", b"\\u12", b"\\x00", b"1e9",
     b"true", b"\r", b"@", b"`", b"\xef\xbb\xbf"])


@pytest.mark.parametrize("loader", ["libyaml", "pure"])
@settings(max_examples=250, deadline=None)
@given(data=st.one_of(st.binary(max_size=60), st.lists(SCRAPS, max_size=25).map(b"".join)))
def test_any_bytes_are_read_or_refused(loader: str, data: bytes) -> None:
    with pytest.MonkeyPatch.context() as patch:
        if loader == "pure":
            patch.setattr(marked_yaml, "_Loader", PureLoader)
        try:
            where = parse_marked_yaml(data, "a.yaml").where()
        except FileRefused as refused:
            where = refused.problems[0].where
        assert where.startswith("a.yaml:")


class PureLoader(yaml.SafeLoader):
    """What a computer without libyaml uses."""

    yaml_implicit_resolvers = marked_yaml._Loader.yaml_implicit_resolvers
