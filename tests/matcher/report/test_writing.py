"""The report as a file: whole, valid, self-contained, small, and safe against hostile names."""

from __future__ import annotations

import functools
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import html5lib
import numpy as np
import pytest
import soundfile

from matcher import Target, load_run, match_leaving_out, save_run
from matcher.report import render_comparison, render_report, write_report
from matcher.report.writing import RIGHTS_NOTE
from shared import HEARING_CAUTION, AudioError, RunFolderError
from tests.matcher.comparing.made_runs import comparison_of, made_run
from tests.matcher.report.report_runs import (
    HOSTILE,
    check_keyboard,
    edit_document,
    explain_run,
    fullest_patch,
    set_patch,
    small_run,
)
from tests.matcher.small_match import small_match

if TYPE_CHECKING:
    from matcher.runs.folder import RunFolder

pytestmark = pytest.mark.slow

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Return a run of two notes."""
    return small_run(tmp_path_factory.mktemp("two"), "reed_A3", "reed_A#3")


@pytest.fixture(scope="module")
def page(run: RunFolder) -> str:
    """Return its report."""
    return render_report(run)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the report of a run whose every text is hostile, with an explanation."""
    folder = small_run(tmp_path_factory.mktemp("hostile"), HOSTILE)
    set_patch(folder, fullest_patch())
    explain_run(folder, text=HOSTILE)
    edit_document(
        folder,
        command_line=["earwright", "match", f"{HOSTILE}.wav"],
        warnings=[HOSTILE],
        versions={HOSTILE: HOSTILE},
        created=HOSTILE,
        stop_reason=HOSTILE,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("matcher.report.notes.MOST_PICTURED", 0)
        return render_report(load_run(folder.path))


@pytest.fixture
def unpictured(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the pictures, which take most of the time of a report."""
    monkeypatch.setattr("matcher.report.notes.MOST_PICTURED", 0)


# A page is parsed once, however many tests look at it.
_tree = functools.lru_cache(maxsize=4)(html5lib.parse)


def _texts(page: str) -> list[str]:
    """Return the texts of all elements but style and script."""
    tree = _tree(page)
    return [
        text
        for element in tree.iter()
        if element.tag not in {f"{HTML}style", f"{HTML}script"}
        for text in (element.text, element.tail)
        if text
    ]


def _said(page: str) -> str:
    """Return all that a page says, in one line."""
    return " ".join(" ".join(_texts(page)).split())


def _clips(page: str) -> list[str]:
    """Return the names of the short sounds, without the figures in them."""
    names = re.findall(r'data-clip="([^"]*)"', page.partition("<script ")[0])
    return [re.sub(r"^\d+ ", "", name) for name in names]


def _valid(page: str) -> None:
    """Parse a page strictly: the HTML standard's parse errors raise."""
    html5lib.HTMLParser(strict=True).parse(page)


def test_the_page_is_valid(page: str, hostile: str) -> None:
    """html5lib 1.1 finds no parse error of the HTML standard, whatever the names are."""
    _valid(page)
    _valid(hostile)


@pytest.fixture(scope="module")
def validator() -> list[str]:
    """Find html-validate, an npm package."""
    folders = [os.environ.get("EARWRIGHT_NODE_TOOLS"), str(Path.cwd())]
    for folder in filter(None, folders):
        tool = Path(folder) / "node_modules" / ".bin" / "html-validate"
        if tool.is_file() and shutil.which("node"):
            return [str(tool)]
    pytest.skip("html-validate isn't there (npm install html-validate; EARWRIGHT_NODE_TOOLS)")


@pytest.mark.parametrize("kind", ["page", "hostile", "comparison"])
def test_the_page_passes_a_validator(
    kind: str, validator: list[str], tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """html-validate finds no error in its recommended rules."""
    text = (
        render_comparison(comparison_of([made_run(), made_run(structure="other")]))
        if kind == "comparison"
        else request.getfixturevalue(kind)
    )
    (tmp_path / "report.html").write_text(text, encoding="utf-8")
    # The rule counts escaped signs by their codes; a hostile title is longer only in that way.
    rules = {"long-title": "off"} if kind == "hostile" else {}
    config = {"root": True, "extends": ["html-validate:recommended"], "rules": rules}
    (tmp_path / ".htmlvalidate.json").write_text(json.dumps(config), encoding="utf-8")
    done = subprocess.run(  # noqa: S603  the tool was looked up above
        [*validator, "report.html"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_nothing_is_loaded_from_elsewhere(page: str) -> None:
    """Every address lies within the page, and its policy forbids all others."""
    tree = _tree(page)
    addresses = [
        value
        for element in tree.iter()
        for name, value in element.attrib.items()
        if str(name).rpartition("}")[2] in {"src", "href", "data", "action", "poster", "srcset"}
    ]
    assert addresses
    assert all(address.startswith(("#", "data:")) for address in addresses)
    assert "default-src 'none'" in page
    # References within pictures.
    assert all(found.startswith("#") for found in re.findall(r"url\(([^)]*)\)", page))
    assert "@import" not in page


def test_names_are_unique_within_the_page(page: str) -> None:
    """HTML: an id is used once; and what is referred to is there."""
    tree = _tree(page)
    ids = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:url\(|href=")#([^)"]+)', page)) <= set(ids)


def test_a_hostile_name_stays_text(hostile: str) -> None:
    """Markup in names, files, versions and explanations becomes text, sign by sign."""
    tree = _tree(hostile)
    assert sum(element.tag == f"{HTML}script" for element in tree.iter()) == 1
    images = [element for element in tree.iter() if element.tag == f"{HTML}img"]
    assert images == []
    handlers = [n for element in tree.iter() for n in element.attrib if str(n).startswith("on")]
    assert handlers == []
    assert sum(HOSTILE in text for text in _texts(hostile)) >= 8
    title = tree.find(f".//{HTML}title")
    assert title is not None
    # Shortened, as window titles are.
    assert title.text == f"{HOSTILE[:47]}...: report"


def test_only_the_own_script_may_run(hostile: str) -> None:
    """The policy names the digest of the one script, so that no other would run."""
    from base64 import b64encode  # noqa: PLC0415
    from hashlib import sha256  # noqa: PLC0415

    (script,) = re.findall(r"<script[^>]*>(.*?)</script>", hostile, flags=re.DOTALL)
    digest = b64encode(sha256(script.encode()).digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', hostile)
    assert policy is not None
    assert f"script-src 'sha256-{digest}'" in policy[1].replace("&#39;", "'")


def test_it_says_what_the_run_says(page: str, run: RunFolder) -> None:
    """Sentences of `run.json`, patch, command, caution and rights are on the page."""
    said = _said(page)
    for note in run.run["notes"]:  # type: ignore[attr-defined]
        for difference in (*note["audible"], *note["not_audible"]):
            assert " ".join(difference["sentence"].rpartition(": ")[0].split()) in said
    assert "earwright match reed.wav" in said
    assert HEARING_CAUTION in said
    assert RIGHTS_NOTE in said
    assert str(run.run["seed"]) in said
    for name, version in run.run["versions"].items():  # type: ignore[attr-defined]
        assert name in said
        assert version in said


def test_pictures_of_each_note_are_there(page: str) -> None:
    """Two notes: both spectra and their difference, levels, attack, pitch, movement, harmonics."""
    tree = _tree(page)
    labels = [
        element.attrib["aria-label"]
        for element in tree.iter()
        if element.tag == f"{SVG}svg" and "aria-label" in element.attrib
    ]
    for title in (
        "Spectrum of the target",
        "Spectrum of the match",
        "Difference of the spectra",
        "Level over time",
        "The attack, enlarged",
        "Pitch over time",
        "Movement of level",
        "Movement of pitch",
        "Harmonics in the attack",
        "Harmonics in the held part",
    ):
        assert sum(label.startswith(f"{title}.") for label in labels) == 2
    assert sum(label.startswith("The search.") for label in labels) == 1


def test_pictures_follow_the_colours_of_the_page(page: str) -> None:
    """Lines and text are drawn in the page's own colours, dark or light."""
    assert "var(--target)" in page
    assert "var(--match)" in page
    # The colours that stand for them while drawing.
    assert "#0a0b0" not in page
    assert "#0a0b1" not in page


def test_without_an_explanation_the_command_is_named(page: str, run: RunFolder) -> None:
    """What isn't known yet is said, with the commands that find out."""
    for command in ("explain", "keyboard"):
        assert f"earwright {command} {run.path}" in _said(page)


@pytest.mark.usefixtures("unpictured")
def test_what_was_found_out_is_said(tmp_path: Path) -> None:
    """Parts over time, build order, trade-offs, slack and the check of the keyboard."""
    run = small_run(tmp_path, "reed")
    explain_run(run)
    check_keyboard(run, f"From C4 up the vibrato runs away. {HOSTILE}")
    page = render_report(load_run(run.path))
    _valid(page)
    for text in (
        "Without it the front edge is dull.",
        "attack (first 100 ms)",
        "4.00",
        "A lower cutoff with more depth sounds the same.",
        "Cutoff and depth act jointly.",
        f"From C4 up the vibrato runs away. {HOSTILE}",
        "Played from C3 to C4",
    ):
        assert text in _said(page)
    for text in ("It does nothing.", "earwright explain", "earwright keyboard"):
        assert text not in _said(page)
    assert len(re.findall(r'data-clip="(the plain patch|step \d)', page)) == 3
    # The first step of the build order sets the amplifier envelope, so it comes first.
    assert re.findall(r'class="sheet-part">\s*<h3>([^<]*)<', page)[0] == "amplifier envelope"
    assert page.count('data-clip="the scale"') == 1
    # A scale is long, so it is compressed with loss; target, match, three steps and the
    # one rung of the ladder stay exact.
    assert page.count("data:audio/ogg") == 1
    assert page.count("data:audio/flac") == 6
    for title in ("Loudness over the keyboard.", "Brightness over the keyboard."):
        assert f'aria-label="{title}' in page


@pytest.mark.usefixtures("unpictured")
def test_an_explanation_of_an_earlier_patch_is_not_shown(tmp_path: Path) -> None:
    """After the patch was changed the page says so; a keyboard on which nothing breaks, too."""
    run = small_run(tmp_path, "reed")
    explain_run(run)
    check_keyboard(run)
    set_patch(run, fullest_patch())
    page = render_report(load_run(run.path))
    assert "of an earlier state of the patch" in _said(page)
    assert "front edge is dull" not in _said(page)
    assert "Nothing breaks." in _said(page)


@pytest.mark.usefixtures("unpictured")
def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    """The report comes all the same, and says what is wrong."""
    run = small_run(tmp_path, "reed")
    (run.path / "explain.json").write_text("{", encoding="utf-8")
    (run.path / "keyboard.json").write_text("[]", encoding="utf-8")
    page = render_report(run)
    assert "explain.json" in _said(page)
    assert "keyboard.json" in _said(page)


@pytest.mark.usefixtures("unpictured")
def test_a_partial_explanation_names_the_rest(tmp_path: Path) -> None:
    """A stopped explanation shows what it has, and the command for the rest."""
    run = small_run(tmp_path, "reed")
    whole = explain_run(run).to_dict()
    document = {**whole, "build": None, "slack": None, "search": None, "stop_reason": "stopped"}
    (run.path / "explain.json").write_text(json.dumps(document), encoding="utf-8")
    page = render_report(load_run(run.path))
    _valid(page)
    assert "front edge is dull" in _said(page)
    assert "stopped before its end" in _said(page)
    assert _clips(page) == ["settings"]


@pytest.mark.usefixtures("unpictured")
def test_a_step_points_at_sounds_of_the_run_only(tmp_path: Path) -> None:
    """A file outside of the run folder isn't read, whatever the explanation says."""
    run = small_run(tmp_path, "reed")
    document = explain_run(run).to_dict()
    secret = tmp_path / "secret.wav"
    shutil.copyfile(run.notes[0].target, secret)
    document["build"]["start_file"] = "../secret.wav"
    document["build"]["steps"][0]["file"] = str(secret)
    (run.path / "explain.json").write_text(json.dumps(document), encoding="utf-8")
    page = render_report(load_run(run.path))
    assert len(_clips(page)) == 2


@pytest.mark.usefixtures("unpictured")
def test_a_match_from_python_is_reproduced_in_python(tmp_path: Path) -> None:
    """Without a command line, the page shows lines of Python with the settings."""
    run = save_run(small_match("reed"), tmp_path / "run")
    said = _said(render_report(run))
    assert "matcher.match(" in said
    assert "evals=64" in said
    assert "seed=3" in said


@pytest.mark.usefixtures("unpictured")
def test_the_file_is_written_whole_and_replaced(tmp_path: Path) -> None:
    """Writing twice leaves one page, the same to the byte, and no temporary file."""
    run = small_run(tmp_path, "reed")
    before = set(run.path.rglob("*"))
    path = write_report(run.path)
    first = path.read_bytes()
    assert write_report(run) == path
    assert path.read_bytes() == first
    assert set(run.path.rglob("*")) - before == {path}


def test_another_folder_is_refused(tmp_path: Path) -> None:
    """What is no run is named, and nothing is written."""
    with pytest.raises(RunFolderError, match=r"has no run\.json"):
        write_report(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("unpictured")
def test_sounds_at_two_rates_are_refused(tmp_path: Path) -> None:
    """A run whose sounds were exchanged is named."""
    run = small_run(tmp_path, "reed")
    soundfile.write(run.notes[0].match, 0.1 * np.ones(4000), 16_000)
    with pytest.raises(match="different sampling rates"):
        render_report(run)


@pytest.mark.usefixtures("unpictured")
def test_a_note_left_out_is_told_apart(tmp_path: Path) -> None:
    """A note that the patch was not fitted to is named as such, with both distances."""
    target = Target(small_match("low", "high").target.notes)
    result = match_leaving_out(
        target, leave_out="high", structure="one-oscillator", evals=16, seed=1, progress=False
    )
    run = save_run(result, tmp_path / "run")
    page = render_report(run)
    _valid(page)
    said = _said(page)
    (entry,) = run.run["left_out"]  # type: ignore[misc]
    assert "high (left out of the fit)" in said
    assert f"its distance is {entry['loss']['total']:.2f}" in said
    assert f"that of the fitted notes {entry['fitted_loss']['total']:.2f}" in said
    title = _tree(page).find(f".//{HTML}title")
    assert title is not None
    assert title.text == "low: report"


@pytest.mark.usefixtures("unpictured")
def test_the_ladder_is_a_table_with_sounds(tmp_path: Path) -> None:
    """Each rung has its settings, its distance, what it adds, and a sound of its version."""
    run = small_run(tmp_path, "reed")
    rungs = [
        {"settings": 9, "version": 2, "distance": 3.25, "adds": ["vibrato"], "is_suggested": True},
        {"settings": 4, "version": 1, "distance": 5.5, "adds": [HOSTILE]},
    ]
    edit_document(run, ladder=rungs)
    page = render_report(load_run(run.path))
    _valid(page)
    said = _said(page)
    assert said.index("5.50") < said.index("3.25")
    assert "vibrato (suggested)" in said
    assert page.count('<span class="clip" data-clip="') == 2


def test_a_silent_match_has_a_report(tmp_path: Path) -> None:
    """A patch turned down by hand leaves silence, and the page says what it can."""
    run = small_run(tmp_path, "reed")
    sound, rate_hz = soundfile.read(run.notes[0].match)
    soundfile.write(run.notes[0].match, 0.0 * sound, rate_hz, subtype="PCM_24")
    page = render_report(run)
    _valid(page)
    assert len(re.findall(r'data-sound="', page.partition("<script ")[0])) == 2


@pytest.mark.usefixtures("unpictured")
def test_a_damaged_sound_is_named(tmp_path: Path) -> None:
    """A file that is no sound any more is named in one line, and no page is left."""
    run = small_run(tmp_path, "reed")
    run.notes[0].match.write_bytes(b"RIFF")
    with pytest.raises(AudioError, match=r"reed\.wav can't be read"):
        write_report(run)
    assert not (run.path / "report.html").exists()


@pytest.mark.usefixtures("unpictured")
def test_a_replaced_run_takes_its_page_along(tmp_path: Path) -> None:
    """After --force there is no page of the earlier run beside the new one."""
    run = small_run(tmp_path, "reed")
    report = write_report(run)
    save_run(small_match("pipe"), run.path, force=True)
    assert not report.exists()


def test_a_comparison_tells_its_verdict_and_figures() -> None:
    """Verdict, medians and failed runs are on the page; names are escaped."""
    runs = [
        made_run("horn", structure, seed, loss=loss + 0.1 * seed)
        for structure, loss in (("plain", 3.0), (HOSTILE, 2.0))
        for seed in range(3)
    ]
    comparison = comparison_of(runs, n_missing=2)
    page = render_comparison(comparison)
    _valid(page)
    said = _said(page)
    assert comparison.verdict in said
    assert HOSTILE in said
    # Median of 3.0, 3.1, 3.2.
    assert "3.10" in said
    assert "earwright compare --resume nowhere" in said
    assert sum(e.tag == f"{HTML}script" for e in _tree(page).iter()) == 1


def test_a_comparison_without_a_finished_run_has_a_page() -> None:
    """Before the first run is finished, the page says so."""
    page = render_comparison(comparison_of([], n_missing=4))
    _valid(page)
    assert "No run is finished yet" in _said(page)
