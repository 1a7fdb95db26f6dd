"""The progress bar: what it says, and that it can be silent."""

from __future__ import annotations

import pytest

from matcher.search.progress import Progress


def test_nothing_is_shown_when_nothing_is_wanted(capsys: pytest.CaptureFixture[str]) -> None:
    """With ``show=False`` neither bar nor line appears anywhere."""
    with Progress(seconds=None, evals=100, show=False) as bar:
        bar.say("tpe slows down")
        bar.update(1.0, 50, 2.5)
    assert capsys.readouterr() == ("", "")


def test_a_budget_in_evaluations_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """Share of the budget, best loss and number of evaluations, on the error stream."""
    with Progress(seconds=None, evals=200, show=True) as bar:
        bar.update(3.0, 150, 2.456)
    out, err = capsys.readouterr()
    assert out == ""
    assert "75%" in err
    assert "loss 2.46" in err
    assert "150 tried" in err
    assert "left" in err


def test_a_budget_in_seconds_is_counted_down(capsys: pytest.CaptureFixture[str]) -> None:
    """Share of the time, and the seconds that are left."""
    with Progress(seconds=20.0, evals=None, show=True) as bar:
        bar.update(5.0, 4321, 1.0)
    err = capsys.readouterr().err
    assert "25%" in err
    assert "4321 tried" in err
    assert "15 s left" in err


@pytest.mark.parametrize(("seconds", "elapsed_s"), [(20.0, 23.0), (0.5, 9.0)])
def test_a_late_batch_does_not_pass_the_end(
    seconds: float, elapsed_s: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last batch may end after the time is up; the bar stands at its end."""
    with Progress(seconds=seconds, evals=None, show=True) as bar:
        bar.update(elapsed_s, 10, 1.0)
    err = capsys.readouterr().err
    assert "100%" in err
    assert " 0 s left" in err
    assert "-" not in err.replace("--", "").split("100%")[-1]


def test_a_line_does_not_break_the_bar(capsys: pytest.CaptureFixture[str]) -> None:
    """What is said while the bar runs stands on a line of its own."""
    with Progress(seconds=None, evals=10, show=True) as bar:
        bar.say("this sampler slows down")
    out, err = capsys.readouterr()
    assert "this sampler slows down\n" in out + err


def test_an_error_inside_closes_the_bar(capsys: pytest.CaptureFixture[str]) -> None:
    """The error goes through, and what is printed after it starts on a new line."""

    def interrupted() -> None:
        with Progress(seconds=None, evals=10, show=True) as bar:
            bar.update(1.0, 5, 2.0)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert capsys.readouterr().err.endswith("\n")
