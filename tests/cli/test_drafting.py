"""Drafts: from the plan alone to a study that is whole but for its report; never a revision, never taken for a report."""

import io

import pytest
from pypdf import PdfReader

from doe.cli import planning, steps, verifying
from doe.cli.drafting import DRAFT, draft
from doe.cli.open_study import OpenStudy
from doe.cli.report_inputs import report_inputs
from doe.design.request import PlanRequest
from doe.errors import InputRefused
from doe.files import Folder
from doe.record.integrity import examine
from doe.record.read_tables import record_files
from tests.cli.conftest import collected, strength_study
from tests.records import simulated

pytestmark = pytest.mark.usefixtures("undrawn_throughout")


def _pages(folder):
    pages = PdfReader(io.BytesIO(folder.read(DRAFT))).pages
    return [" ".join(page.extract_text().split()) for page in pages]


def _planned(path):
    (path / "study.toml").write_text(strength_study("interactions"))
    folder = Folder(path)
    planning.plan(folder, PlanRequest(kind="factorial", centre=2, seed=1))
    return folder


def test_without_a_plan_it_names_what_comes_first(tmp_path):
    (tmp_path / "study.toml").write_text(strength_study("interactions"))
    with pytest.raises(InputRefused, match=r"the study has no plan yet.*doe plan"):
        draft(Folder(tmp_path))
    assert not (tmp_path / DRAFT).exists()


def test_from_the_plan_alone(tmp_path):
    folder = _planned(tmp_path)
    done = draft(folder)
    pages = _pages(folder)
    total = len(OpenStudy(folder).design(OpenStudy(folder).study()).runs)
    assert f"{total} of {total} prints are not recorded" in pages[0] and "Next step: doe sheet" in pages[0]
    assert all("DRAFT" in page for page in pages)
    assert "Approval" not in pages[0] and "Nothing was recorded yet." in " ".join(pages)
    assert done.data["next"] == "doe sheet"


def test_from_a_half_filled_record_it_counts_what_is_missing(tmp_path):
    folder = _planned(tmp_path)
    steps.sheet(folder)
    opened = OpenStudy(folder)
    study = opened.study()
    record = simulated(study, opened.design(study), load_sd=0.0)
    record.prints.loc[3:, "outcome"] = ""
    record.coupons.loc[6:, ["outcome", "z_strength"]] = "", float("nan")
    record.coupons.loc[1, "z_strength"] = float("nan")
    opened.commit("collect", record_files(record))
    draft(folder)
    first = _pages(folder)[0]
    total = len(record.prints)
    assert f"{total - 3} of {total} prints are not recorded" in first and "1 values of z strength" not in first
    assert "1 value of z strength" in first and "what is recorded has not been fitted" in first


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    folder = collected(tmp_path_factory.mktemp("clip"), "interactions")
    steps.fit(folder, None)
    return folder


@pytest.mark.slow
def test_after_the_fit_it_shows_the_models(fitted):
    draft(fitted)
    text = " ".join(_pages(fitted))
    assert "Coefficients of z strength" in text and "has not been fitted" not in text


@pytest.mark.slow
def test_it_is_the_same_bytes_twice_and_no_revision_and_the_report_made_after_it_is_verified(fitted):
    steps.report(fitted)
    report = fitted.read("report.pdf")
    draft(fitted)
    first = fitted.read(DRAFT)
    with pytest.raises(InputRefused, match="it is a draft: it carries no study"):
        verifying.verified(fitted.path / DRAFT)
    draft(fitted)
    assert fitted.read(DRAFT) == first
    steps.report(fitted)
    assert fitted.read("report.pdf") == report
    assert verifying.verified(fitted.path / "report.pdf").data["identical"] is True
    assert report_inputs(OpenStudy(fitted)).revision.number == 1
    assert not examine(fitted).problems


def test_after_the_data_changed_the_old_fit_is_not_shown(fitted):
    opened = OpenStudy(fitted)
    study = opened.study()
    opened.commit("collect", record_files(simulated(study, opened.design(study), seed=2)))
    draft(fitted)
    text = " ".join(_pages(fitted))
    assert "Coefficients of z strength" not in text and "has not been fitted" in text


def test_it_may_be_thrown_away_but_not_altered(tmp_path):
    folder = _planned(tmp_path)
    draft(folder)
    (tmp_path / DRAFT).write_bytes(folder.read(DRAFT) + b" ")
    assert [one.where for one in examine(folder).problems] == [DRAFT]
    (tmp_path / DRAFT).unlink()
    assert examine(folder).problems == ()
