"""Words that an audience should not hear, whole and in all their forms; and the lists of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tablevoice.errors import FileRefused
from tablevoice.marked_yaml import read_marked_yaml
from tablevoice.phrasebook.desk.fitness import read_fitness, stem_of
from tablevoice.phrasebook.desk.house_style import AUDIENCES, Audience
from tablevoice.phrasebook.desk.word_lists import (
    SHIPPED,
    FitFor,
    WordListFile,
    read_word_lists,
    unfit_for,
)
from tests.phrasebook.desk.books import book, codes


def found(
    line: str, audience: Audience = "children", language: str = "en", **slots: object
) -> list[str]:
    text = book({"turn": [line]}, slots=slots, language=language)
    return [note.what for note in read_fitness(text, read_word_lists((), language), audience)]


@pytest.mark.parametrize(
    "line",
    [
        "Damn, a moth.",
        "You are all idiots!",
        "It kills me.",
        "I was killing time.",
        "Oh, SHUT UP.",
        "Shutting up now.",
        "He hated it.",
        "That's stupidly easy.",
        "Hell's bells.",
        "I'm dying to.",
    ],
)
def test_unfit_words_are_found_in_their_forms(line: str) -> None:
    (what,) = found(line)
    assert "unfit for children" in what


@pytest.mark.parametrize(
    "line",
    [
        "We went to Scunthorpe.",
        "An assessment of classic cocktails.",
        "Hello, shell!",
        "The dice are cast.",
        "Arsenic is in Arsenal.",
        "Skilled hands.",
        "Better be a beetle.",
        "Shut it up there.",
        "The dumbbell.",
        "Wineglass? Winery!",
        "Shitake no, shiitake.",
        "Penistone, Lightwater, Clitheroe.",
        "I suckled.",
        "A diet.",
        "Hat, hater of none: hate not.",
    ],
)
def test_words_that_only_contain_one_are_not(line: str) -> None:
    hits = found(line)
    assert hits == [] if "hate" not in line else len(hits) == 1


def test_the_audience_decides() -> None:
    assert len(found("Damn, a moth.", "children")) == 1
    assert found("Damn, a moth.", "general") == []
    assert len(found("That is crap.", "general")) == 1
    assert found("That is crap.", "adults") == []
    assert unfit_for("nobody", "adults")
    for index, audience in enumerate(AUDIENCES):
        assert [unfit_for(fit, audience) for fit in AUDIENCES] == [
            other > index for other in range(len(AUDIENCES))
        ]


def test_slot_values_are_tried_alone_and_at_the_seam() -> None:
    (what,) = found("Take {thing}.", thing=["the beer", "the lamp"])
    assert "the value “the beer” of slot 'thing'" in what
    (what,) = found("Just shut {thing}!", thing=["up the lid", "the lamp"])
    assert "“shut up”" in what


def test_other_languages_are_stemmed_their_own_way() -> None:
    (what,) = found("Du verdammter Motte.", language="de")
    assert "verdammt" in what
    assert found("Der Totempfahl.", language="de") == []
    assert len(found("Malditos sean.", language="es")) == 1
    assert stem_of("ko")("말이") == "말이"
    assert found("안녕하세요.", language="ko") == []


def test_the_shipped_list_is_sound() -> None:
    read = WordListFile.model_validate(read_marked_yaml(SHIPPED).value)
    assert {"en", "de", "es"} <= set(read.words)
    for language, words in read.words.items():
        stem = stem_of(language)
        forms = [" ".join(map(stem, word.split())) for word in words]
        assert len(forms) == len(set(forms)), language
        assert [f"{word}:" for word in words] == sorted(f"{word}:" for word in words), language


# --- a user's own lists -------------------------------------------------------------


def listed(folder: Path, text: str, name: str = "ours.yaml") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def words(*files: Path) -> dict[str, FitFor]:
    return dict(read_word_lists(files, "en"))


def test_a_users_list_adds_words_and_lets_others_pass(tmp_path: Path) -> None:
    ours = listed(
        tmp_path,
        "format: 1\nwords:\n  en: {Moth Eater: nobody, beer: children}\n  de: {Falter: nobody}\n",
    )
    read = words(ours)
    assert read["moth eater"] == "nobody"
    assert read["beer"] == "children"
    assert "falter" not in read
    text = book({"turn": ["A moth eater drinks beer."]})
    (note,) = read_fitness(text, read, "adults")
    assert "“moth eater”" in note.what
    later = listed(tmp_path, "format: 1\nwords: {en: {moth eater: children}}", "later.yaml")
    assert codes(read_fitness(text, words(ours, later), "children")) == []


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        ("format: 1\nwords: {en: {damn: kids}}", ":2:20", "adults, children, general, nobody"),
        ("format: 1\nwords: {en: {damn: childern}}", ":2:20", "Did you mean 'children'?"),
        ("format: 1\nwords: {en: [damn]}", ":2:13", "Write a mapping"),
        ("format: 2\nwords: {}", ":1:9", "1"),
        ("format: 1\nwords: {en: {'...': nobody}}", ":2:14", "Write a word"),
        ("format: 1\nwords: {en: {damn: nobody, damn: adults}}", ":2:28", "a second time"),
        ("format: 1\nwrods: {}", ":2:1", "Did you mean 'words'?"),
        ("just text", ":1:1", "Begin with 'format: 1'"),
        ("format: 1\nwords: {en: {oops: nobody", ":3:", "not valid YAML"),
        ("format: 1\nwords: {english: {damn: nobody}}", ":2:9", ""),
    ],
)
def test_a_broken_list_is_one_clear_error(tmp_path: Path, text: str, where: str, says: str) -> None:
    file = listed(tmp_path, text)
    with pytest.raises(FileRefused) as refused:
        words(file)
    assert any(
        problem.where.startswith(f"{file}{where}") and says in f"{problem.what} {problem.do}"
        for problem in refused.value.problems
    ), str(refused.value)


def test_a_list_in_another_encoding_or_none_at_all(tmp_path: Path) -> None:
    latin = tmp_path / "latin.yaml"
    latin.write_bytes("format: 1\nwords: {de: {blöd: general}}".encode("latin-1"))
    with pytest.raises(FileRefused, match=r"latin\.yaml:2:16.*UTF-8"):
        words(latin)
    with pytest.raises(FileRefused, match=r"Did you mean 'latin\.yaml'"):
        words(tmp_path / "latn.yaml")
    with pytest.raises(FileRefused) as both:
        words(latin, tmp_path / "none_there.yaml")
    assert len(both.value.problems) == 2
