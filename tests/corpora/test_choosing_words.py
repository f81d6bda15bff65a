"""How confusable a set of words is: the real recogniser, real voices, the command itself."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import matplotlib.image
import numpy as np
import pytest

from tablevoice.commands.choosing_words import (
    Confusability,
    Trials,
    checked_words,
    measure,
    pronounce_options,
    propose,
    words_in,
)
from tablevoice.commands.word_picture import draw
from tablevoice.corpora import phones
from tablevoice.corpora.speakers import Speaker
from tablevoice.errors import AudioUnavailable, RecogniserUnavailable, TablevoiceError

E_SET = "b c d e g p t v z".split()  # noqa: SIM905
SPELLING = "alfa bravo charlie delta echo foxtrot golf hotel india".split()  # noqa: SIM905
ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_letters_that_rhyme_come_out_far_worse_than_the_spelling_alphabet() -> None:
    """The E-set is the classic of confusable words; ICAO's alphabet was chosen against it.

    ICAO Annex 10, volume II (the alphabet), and the E-set of Rabiner and Wilpon's work on
    recognising letters (both from memory).
    """
    trials = Trials(snrs_db=(15.0,), speakers=9, noise="fan")
    rhyming, spelt = (measure(checked_words(words, trials), trials) for words in (E_SET, SPELLING))
    worse, better = rhyming.right(), spelt.right()
    assert worse.of == better.of == 9 * 9
    assert worse.high is not None
    assert better.low is not None
    assert worse.high < better.low  # the 95 % intervals do not touch
    nearest = [[found.nearest(word)[1] for word in found.words] for found in (rhyming, spelt)]
    assert max(nearest[0]) < min(nearest[1])
    assert float(np.median(nearest[0])) < 0.25 * float(np.median(nearest[1]))
    assert {speaker.family for speaker in spelt.speakers} >= {"espeak", "flite", "hibari"}


def made_up(words: tuple[str, ...], counts: list[list[int]]) -> Confusability:
    said = checked_words(words, Trials())
    away = np.array([[phones.distance(said[a], said[b]) for b in words] for a in words])
    heard = MappingProxyType({10.0: np.array(counts, dtype=np.int64)})
    return Confusability(words, away, heard, (Speaker("espeak", "en-us"),))


RED_RAID_BLUE = made_up(("red", "raid", "blue"), [[6, 3, 1, 0], [2, 7, 0, 1], [0, 0, 10, 0]])


def test_the_pair_most_often_confused_comes_first() -> None:
    worst = RED_RAID_BLUE.pairs()[0]
    assert {worst.first, worst.second} == {"red", "raid"}
    assert (worst.confused.count, worst.confused.of) == (5, 20)
    assert RED_RAID_BLUE.worst_words() == ["red", "raid", "blue"]
    assert RED_RAID_BLUE.nearest("red")[0] == "raid"
    assert RED_RAID_BLUE.right().count == 23
    assert RED_RAID_BLUE.right("blue").share == 1.0


def test_a_proposal_lies_farther_from_every_other_word() -> None:
    said = checked_words(RED_RAID_BLUE.words, Trials())
    proposals, better = propose(RED_RAID_BLUE, said, ["raid"], ["rate", "rode", "violet", "red"])
    assert proposals[0].nearest == "red"
    assert [word for word, _ in proposals[0].better] == ["violet", "rode"]
    assert better == ("red", "violet", "blue")
    for word, away in proposals[0].better:
        others = [said["red"], said["blue"]]
        own = checked_words([word, "red"], Trials())[word]
        assert away == pytest.approx(min(phones.distance(own, other) for other in others))
        assert away > proposals[0].distance
    _, plain = propose(RED_RAID_BLUE, said, ["red"], None)
    assert plain[0] not in RED_RAID_BLUE.words


def test_where_nothing_is_better_the_set_stays() -> None:
    said = checked_words(RED_RAID_BLUE.words, Trials())
    proposals, better = propose(RED_RAID_BLUE, said, ["blue"], ["red", "blew"])
    assert proposals[0].better == ()
    assert better == RED_RAID_BLUE.words


def test_the_picture_shows_what_was_measured(tmp_path: Path) -> None:
    file = tmp_path / "words.png"
    draw(RED_RAID_BLUE, "Three words", file)
    picture = matplotlib.image.imread(file)[:, :, :3]
    assert min(picture.shape[:2]) > 300
    flat = picture.reshape(-1, 3)
    red = (flat[:, 0] > flat[:, 1] + 0.2) & (flat[:, 0] > flat[:, 2] + 0.15)
    green = (flat[:, 1] > flat[:, 0] + 0.15) & (flat[:, 1] > flat[:, 2] + 0.05)
    assert red.mean() > 0.01
    assert green.mean() > 0.02
    with pytest.raises(AudioUnavailable, match="picture cannot be written"):
        draw(RED_RAID_BLUE, "Three words", tmp_path / "nowhere" / "words.png")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "Fewer than two"),
        (["amber", "AMBER "], "Fewer than two"),
        ([f"word {number}" for number in range(80)], "at most 60"),
        (["amber", "zaffre", "blorp"], r"no word 'zaffre', 'blorp'.*--pronounce(.|\n)*zaffre: Z"),
    ],
)
def test_a_set_that_cannot_be_measured_is_refused_once(words: list[str], message: str) -> None:
    with pytest.raises(TablevoiceError, match=message):
        checked_words(words, Trials())


def test_a_word_that_lacks_can_be_given_its_phones() -> None:
    own = dict(pronounce_options(["Zaffre=z ae f er"]))
    assert own == {"zaffre": ("Z AE F ER",)}
    trials = Trials(pronunciations=own)
    assert checked_words(["amber", "zaffre"], trials)["zaffre"] == ("Z", "AE", "F", "ER")
    with pytest.raises(TablevoiceError, match="no pronunciation"):
        list(pronounce_options(["zaffre"]))


def test_a_list_to_choose_from_is_read_or_refused_whole(tmp_path: Path) -> None:
    file = tmp_path / "words.txt"
    file.write_text("amber  # warm\n\n# a note\nnever mind\n", "utf-8")
    assert words_in(file) == ["amber", "never mind"]
    file.write_text("amber\nzaffre\nblorp\n", "utf-8")
    with pytest.raises(RecogniserUnavailable, match=r"words\.txt.*'zaffre', 'blorp'"):
        words_in(file)
    file.write_text("# nothing\n", "utf-8")
    with pytest.raises(TablevoiceError, match="no word"):
        words_in(file)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(TablevoiceError, match="cannot be read"):
        words_in(file)


def tablevoice(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tablevoice", "words", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "120"},
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


@pytest.mark.slow
def test_the_command_prints_draws_and_proposes(tmp_path: Path) -> None:
    done = tablevoice(
        "red", "raid", "never mind", "--speakers", "3", "--snr", "20", "--noise", "pink",
        "--replace", "1", "--keep", "red", "--keep", "never mind", folder=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert re.search(r"(red – raid|raid – red).*\d+ % \(\d+ to \d+\)", done.stdout)
    assert re.search(r"instead of raid: \w+", done.stdout)
    assert re.search(r"proposed: red \w+ never mind", done.stdout)
    assert re.search(r"at 20 dB heard right: \d+ %", done.stdout)
    assert "synthetic speakers" in done.stdout
    assert (tmp_path / "words.png").stat().st_size > 10_000
    assert (tmp_path / "words_proposed.png").stat().st_size > 10_000


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["amber"], "Fewer than two"),
        (["amber", "blorp"], "no word 'blorp'"),
        (["amber", "teal", "--snr", "loud"], "'loud' is no ratio"),
        (["amber", "teal", "--noise", "trombone"], "no noise 'trombone'"),
        (["amber", "teal", "--keep", "ambr"], "Did you mean 'amber'"),
        (["amber", "teal", "--choose-from", "none.txt"], "none.txt"),
    ],
)
def test_the_command_has_one_clear_error(tmp_path: Path, words: list[str], message: str) -> None:
    done = tablevoice(*words, folder=tmp_path)
    assert done.returncode == 1
    assert message in done.stderr
    assert done.stderr.count("error:") == 1
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "words.png").exists()
