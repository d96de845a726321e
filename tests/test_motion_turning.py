"""Turns out of place: what is kept of those looked at never changes an answer, nor how much was counted."""

from __future__ import annotations

import numpy as np
import pytest

from steps.intake import read_model
from steps.model import Model, Rotation
from steps.motion.turning import Turning
from tests.models.families import family
from tests.models.files import write

TOLERANCE_MM = 0.2


class Forgetful(dict):  # type: ignore[type-arg]
    """Knows nothing of what was put in before, when it is asked whether it does."""

    def __contains__(self, _: object) -> bool:
        return False


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Model:
    """Equal axles, wheels and beams, so that alike pairs come often."""
    path = tmp_path_factory.mktemp("turning") / "model.3mf"
    write(family("axles", 4, most=24), path)
    return read_model(path)


def test_alike_pairs_are_asked_about_once_with_the_same_answers_and_count(
    model: Model, monkeypatch: pytest.MonkeyPatch
):
    looks: list[Turning] = []
    real = Turning._near
    monkeypatch.setattr(Turning, "_near", lambda self, *asked: looks.append(self) or real(self, *asked))
    keeps = Turning(model, TOLERANCE_MM)
    anew = Turning(model, TOLERANCE_MM, _entered=Forgetful(), _met=Forgetful())
    generator, answers = np.random.default_rng(3), []
    rows = range(len(model.parts))
    for _ in range(60):
        own = int(generator.integers(len(model.parts)))
        others = [row for row in rows if row != own]
        axis = np.eye(3)[generator.integers(3)]
        turn = Rotation(axis, model.part_bounds[own].mean(axis=0), float(generator.choice([2.0, 45.0, 90.0])))
        pose, way = turn.pose(), np.eye(3)[generator.integers(3)]
        for one in (keeps, anew):
            answers.append((one.overlaps([own], others, pose), one.slides_out([own], others, pose, way)))
    assert answers[::2] == answers[1::2]
    assert len(set(answers)) > 2
    assert keeps.looked_at == anew.looked_at > 0
    assert 0 < sum(one is keeps for one in looks) < 0.9 * sum(one is anew for one in looks)


def test_the_way_back_of_a_pose_is_its_inverse(model: Model):
    for part, home in zip(model.parts, Turning(model, TOLERANCE_MM)._home, strict=True):
        np.testing.assert_allclose(home @ part.pose, np.eye(4), atol=1e-9)


def test_only_points_within_the_other_s_box_are_followed(model: Model):
    """By the plain test of all of them at once."""
    turning, generator = Turning(model, TOLERANCE_MM), np.random.default_rng(5)
    one, other = model.shapes[0].id, model.shapes[-1].id
    low, high = model.shape_by_id[other].bounds
    some = 0
    for _ in range(20):
        pose = Rotation(generator.normal(size=3), np.zeros(3), float(generator.uniform(0, 360))).pose()
        pose[:3, 3] = generator.uniform(low, high)
        points = turning.points(one) @ pose[:3, :3].T + pose[:3, 3]
        within = points[((points > low) & (points < high)).all(axis=1)]
        np.testing.assert_allclose(turning._near(one, other, pose), within, atol=1e-9)
        some += len(within)
    assert some > 0
