"""A study in which no factor matters but the requirement is met by far is confirmed: every command says so."""

from tests.cli.test_hard_cases import STRENGTH, THREE, recommended, strength, study_of


def test_recommendation_status_and_confirmation_agree(tmp_path, doe):
    path = tmp_path / "clip"
    data, shown = recommended(path, doe, study_of(THREE, strength(15)), {STRENGTH: lambda at: 40.0}, seed=1)
    assert "model predicts nothing" in [one["name"] for one in data["verdicts"]]
    assert "These data show it" in " ".join(shown.split()) and "the requirements hardly depend on the setting" in data["next"]
    assert data["next"].startswith("confirm: doe confirm, since z strength: every requirement is met though")
    _, said, _ = doe("status", "--study", path)
    assert "Next: doe report, then confirm: doe confirm, since z strength" in " ".join(said.split())
    assert doe("confirm", "--study", path)[0] == 0
