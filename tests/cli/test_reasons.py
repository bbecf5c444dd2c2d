"""What the log keeps of why a plan was chosen, the revisions that a report lists, and what ``doe status`` says of a draft."""

import io
import json

import pytest
from pypdf import PdfReader

from doe.cli import planning, steps, study_status, verifying
from doe.cli.drafting import DRAFT, draft
from doe.cli.open_study import OpenStudy
from doe.cli.report_inputs import report_inputs
from doe.design.request import PlanRequest
from doe.files import Folder, digest
from doe.record.read_tables import record_files
from doe.report.sections import study_digest
from tests.cli.conftest import collected, strength_study
from tests.records import simulated

pytestmark = pytest.mark.usefixtures("undrawn_throughout")


def _text(folder):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(folder.read("report.pdf"))).pages).split())


def _kept(folder):
    return folder.log()[-1]["detail"]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text(strength_study("main"))
    return Folder(tmp_path)


def test_a_plan_that_was_chosen_for_the_engineer_is_kept_with_reason_and_comparison_as_shown(folder):
    done = planning.plan(folder, PlanRequest(prints=12, seed=1))
    kept = _kept(folder)
    assert kept["reason"] == " ".join(done.opening) and "12 prints" in kept["reason"]
    shown = {table.title: table for table in done.tables}
    for table in kept["comparison"]:
        assert tuple(map(tuple, table["rows"])) == shown[table["title"]].rows
    side = kept["comparison"][0]
    assert side["columns"][:2] == ["", "this plan"] and len(side["columns"]) > 2
    prints = next(row for row in side["rows"] if row[0] == "prints")
    assert prints[1] == "12"
    said = json.loads(json.dumps({key: done.data[key] for key in ("reason", "comparison")}))
    assert said == {key: kept[key] for key in said}


def test_where_the_study_gives_no_size_the_proposed_ones_stand_beside(folder):
    sizes = planning.plan(folder, PlanRequest(seed=1)).data["candidates"]
    planning.plan(folder, PlanRequest(prints=sizes[0]["prints"], seed=1))
    columns = _kept(folder)["comparison"][0]["columns"]
    assert sizes[1]["label"] in columns and sizes[0]["label"] not in columns


def test_a_kind_by_name_is_its_own_reason(folder):
    planning.plan(folder, PlanRequest(kind="factorial", seed=1))
    assert (_kept(folder)["reason"], _kept(folder)["comparison"]) == ("Asked for by name: factorial.", [])


def test_a_plan_made_elsewhere_says_so(folder, tmp_path):
    file = tmp_path / "ours.csv"
    file.write_text("nozzle_temperature,bed_temperature\n" + "".join(f"{a},{b}\n" for a in (255, 285) for b in (60, 80)) * 2)
    planning.adopt(folder, file)
    assert _kept(folder)["reason"].startswith("Taken over from ours.csv: a plan that was made elsewhere. Its values count")


@pytest.fixture(scope="module")
def revised(tmp_path_factory):
    """A study with two revisions that are written, the first of them twice and with a draft between, and a third that is due."""
    folder = collected(tmp_path_factory.mktemp("clip"), "interactions")
    steps.fit(folder, None)
    heads = []
    for seed in (2, 3):
        inputs = report_inputs(OpenStudy(folder))
        heads.append((study_digest(inputs.attachments), inputs.log_head, inputs.prepared_at))
        draft(folder)
        steps.report(folder)
        if seed == 2:
            steps.report(folder)
        opened = OpenStudy(folder)
        study = opened.study()
        record = simulated(study, opened.design(study), seed=seed, load_sd=0.0)
        opened.commit("collect", record_files(record), corrections=seed)
        steps.fit(folder, None)
    return folder, heads


def test_revisions_have_the_digests_that_their_reports_printed(revised):
    folder, heads = revised
    found = report_inputs(OpenStudy(folder)).revision
    assert found.number == 3
    assert [(one.study_digest, one.log_head, one.prepared_at) for one in found.earlier] == heads
    assert [line["command"] for line in found.since] == ["collect", "fit"]
    assert [line["command"] for line in found.earlier[1].since if line["command"] != "draft"] == ["collect", "fit"]


def test_the_report_lists_all_of_them_and_is_verified(revised):
    folder, heads = revised
    steps.report(folder)
    text = _text(folder)
    for study, head, _ in heads:
        assert study[:16] in text and head[:16] in text
    assert "Results collected with 3 corrections of earlier values; fitted" in text
    assert "Asked for by name: factorial. It was set beside no other plan." in text
    assert verifying.verified(folder.path / "report.pdf").data["identical"] is True


@pytest.mark.slow
def test_a_log_from_before_is_honest_about_it_and_its_report_is_verified(tmp_path):
    folder = collected(tmp_path, "main")
    lines, before = folder.log(), "0" * 64
    for line in lines:  # the log as it would have been without the two keys
        line["detail"] = {key: value for key, value in line["detail"].items() if key not in ("reason", "comparison")}
    folder.path.joinpath("log.jsonl").unlink()
    for line in lines:
        contents = {name: folder.read(name) for name in line["wrote"]}
        assert {name: digest(content) for name, content in contents.items()} == line["wrote"]
        reads = {name: folder.read(name) for name in line["read"]}
        folder.commit(line["command"], contents, reads=reads, version=line["version"], detail=line["detail"])
    assert folder.log()[0]["previous"] == before
    steps.fit(folder, None)
    steps.report(folder)
    assert "Why this plan was chosen is not on record" in _text(folder)
    assert verifying.verified(folder.path / "report.pdf").data["identical"] is True


def test_status_tells_of_a_draft_whether_it_is_current(tmp_path):
    folder = collected(tmp_path, "main")
    said = [study_status.status(folder).data["draft"]]
    draft(folder)
    said.append(study_status.status(folder).data["draft"])
    steps.fit(folder, None)
    outdated = study_status.status(folder)
    draft(folder)
    steps.report(folder)
    said += [outdated.data["draft"], study_status.status(folder).data["draft"]]
    folder.path.joinpath(DRAFT).write_bytes(b"%PDF-1.7 of somebody else")
    said.append(study_status.status(folder).data["draft"])
    assert said == [None, "current", "outdated", "reported", "altered"]
    assert any("draft of the report is outdated" in line for line in outdated.lines) and outdated.lines[-1].startswith("Next:")
