"""The progress bar: what it says, and that it can be silent."""

from __future__ import annotations

import pytest

from matcher.progress import Progress


def test_nothing_is_shown_when_nothing_is_wanted(capsys: pytest.CaptureFixture[str]) -> None:
    """With ``show=False`` neither bar nor line appears anywhere."""
    with Progress("matching", 100, show=False) as bar:
        bar.say("tpe slows down")
        bar.show(50, "half of it")
    assert capsys.readouterr() == ("", "")


def test_share_and_words_stand_on_the_error_stream(capsys: pytest.CaptureFixture[str]) -> None:
    """With the time left, where the bar is to tell it."""
    with Progress("matching", 200, show=True, tail=", {remaining} left") as bar:
        bar.show(150, "150 tried")
    out, err = capsys.readouterr()
    assert out == ""
    for said in ("matching", "75%", "150 tried", "left"):
        assert said in err


def test_what_is_late_does_not_pass_the_end(capsys: pytest.CaptureFixture[str]) -> None:
    """The last batch may end after the time is up; the bar stands at its end."""
    with Progress("matching", 20.0, show=True) as bar:
        bar.show(23.0, "done")
    assert "100%" in capsys.readouterr().err


def test_a_line_does_not_break_the_bar(capsys: pytest.CaptureFixture[str]) -> None:
    """What is said while the bar runs stands on a line of its own."""
    with Progress("matching", 10, show=True) as bar:
        bar.say("this sampler slows down")
    out, err = capsys.readouterr()
    assert "this sampler slows down\n" in out + err


def test_an_error_inside_closes_the_bar(capsys: pytest.CaptureFixture[str]) -> None:
    """The error goes through, and what is printed after it starts on a new line."""

    def interrupted() -> None:
        with Progress("matching", 10, show=True) as bar:
            bar.show(5, "half of it")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert capsys.readouterr().err.endswith("\n")
