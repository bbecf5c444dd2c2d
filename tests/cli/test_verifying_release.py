"""``doe verify`` judges a confirmation anew, says what a re-sealed log proves, and finds what is laid over pages."""

import json
import shutil

import pytest
from pypdf import PdfReader, PdfWriter
from pypdf.annotations import FreeText

from doe.cli import releasing, steps, verifying
from doe.errors import NotReproduced
from doe.files import LOG, Folder, digest, digest_of
from tests.cli.test_confirming import answered_once, confirmed_once, tried  # noqa: F401 - fixtures

pytestmark = pytest.mark.usefixtures("undrawn_throughout")


def sealed_again(folder, changed):
    """Put other files into a study, and make its whole log fit them: every digest of a file, of a line, and of the one before."""
    now = {digest(folder.read(name)): digest(content) for name, content in changed.items()}
    for name, content in changed.items():
        (folder.path / name).write_bytes(content)
    texts, before = [], "0" * 64
    for line in folder.log():
        for part in ("read", "wrote"):
            line[part] = {name: now.get(value, value) for name, value in line[part].items()}
        if line["detail"].get("verdict"):
            line["detail"]["verdict"] = "confirmed"
        rest = {key: value for key, value in line.items() if key != "own"} | {"previous": before}
        texts.append(json.dumps(rest | {"own": digest_of(rest)}, sort_keys=True, ensure_ascii=False).encode())
        before = digest(texts[-1])
    (folder.path / LOG).write_bytes(b"\n".join(texts) + b"\n")


def test_a_verdict_that_was_changed_in_a_log_sealed_again_is_named_first(answered_once, tmp_path, doe):  # noqa: F811
    folder = Folder(shutil.copytree(answered_once.path, tmp_path / "clip"))
    assert tried(folder, shift=5.0)["verdict"] == "not confirmed"
    judged = folder.read("judgement-1.json").replace(b'"verdict": "not confirmed"', b'"verdict": "confirmed"')
    sealed_again(folder, {"judgement-1.json": judged})
    assert doe("check", "--study", folder.path)[0] == 0  # the log, which fits, cannot tell
    assert doe("release", "--by", "A. Person", "--study", folder.path)[0] == 0
    steps.report(folder)
    with pytest.raises(NotReproduced, match="verdict") as found:
        verifying.verified(folder.path / "report.pdf")
    (said,) = found.value.problems
    assert said.where == "judgement-1.json"
    assert said.found == "verdict: 'confirmed' in the report, 'not confirmed' made anew"


@pytest.fixture(scope="module")
def released_once(confirmed_once, tmp_path_factory):  # noqa: F811
    """Return a released and reported study, with what the release said."""
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path_factory.mktemp("released") / "clip"))
    said = " ".join(releasing.released(folder, "A. Person").lines)
    steps.report(folder)
    return folder, said


def test_what_was_judged_anew_and_the_digest_to_compare_are_said(released_once):
    folder, said = released_once
    done = verifying.verified(folder.path / "report.pdf")
    lines = " ".join(done.lines)
    assert "Fitted, recommended and judged anew: every number of fit.json, recommendation.json and judgement-1.json" in lines
    released = next(text for text in folder.log_texts() if json.loads(text)["command"] == "release")
    assert done.data["log_head"] == digest(released) and digest(released) in said and digest(released) in lines
    assert "sealed again as a whole proves nothing by itself" in lines


@pytest.mark.slow
def test_what_is_laid_over_a_page_is_found_by_the_bytes(released_once, tmp_path, monkeypatch):
    writer = PdfWriter(clone_from=PdfReader(released_once[0].path / "report.pdf"))
    writer.add_annotation(0, FreeText(text="RELEASED", rect=(50, 550, 200, 650)))
    laid_over = tmp_path / "laid-over.pdf"
    writer.write(laid_over)
    with pytest.raises(NotReproduced, match="the file was changed after doe wrote it") as found:
        verifying.verified(laid_over)
    assert [one.where for one in found.value.problems] == ["laid-over.pdf"]
    monkeypatch.setattr(verifying, "_other_versions", lambda _: ["numpy 0.1, verified with 0.2"])
    done = verifying.verified(laid_over)
    assert not done.data["identical"] and verifying._NOT_SEEN in " ".join(done.lines)
