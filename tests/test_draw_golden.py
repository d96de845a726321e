"""Golden pictures: a few, small, by rays, compared with tolerance.

After a change that is meant: look at what ``python -m tests.test_draw_golden`` writes, then commit it.
"""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from demo_model.beacon import beacon
from demo_model.tug import tug
from renderer.flatten import flatten
from renderer.picture import Picture
from steps.draw import Studio, cover_picture, overview_picture, step_picture, thumbnail
from steps.settings import Settings
from tests.draw_scenes import plan_of

FOLDER = Path(__file__).parent / "golden"
DPI = 72.0
#: A pixel differs where a channel is this far off (of 255): more than resampling and rounding do.
OFF = 40
#: Most pixels that may differ: a line that moves by a pixel of the table is half a pixel here.
MOST = 0.003


def _step(mono: bool) -> Picture:
    return step_picture(
        Studio(plan_of(beacon(), per_step=3), Settings(pictures="rays", mono=mono)), 3, 90, 80
    )


def _cover() -> Picture:
    return cover_picture(Studio(plan_of(tug()), Settings(pictures="rays")), 90, 80)


def _overview() -> Picture:
    return overview_picture(Studio(plan_of(beacon(), per_step=3), Settings(pictures="rays")), 2, 45, 40)


def _thumbnail() -> Picture:
    studio = Studio(plan_of(beacon()), Settings(pictures="rays"))
    return thumbnail(studio, studio.plan.model.shapes[0].id, "#34414d", 30, 25)


GOLDEN = {
    "beacon-step-3": lambda: _step(False),
    "beacon-step-3-mono": lambda: _step(True),
    "tug-cover": _cover,
    "beacon-overview-2": _overview,
    "thumbnail-dark": _thumbnail,
}


def differing(one: np.ndarray, two: np.ndarray) -> float:
    """Share of pixels that differ."""
    off = np.abs(one.astype(int) - two.astype(int)).max(axis=2) > OFF
    return float(off.mean())


@pytest.mark.parametrize("name", GOLDEN)
def test_pictures_look_as_they_did(name):
    kept = np.asarray(Image.open(FOLDER / f"{name}.png").convert("RGB"))
    now = flatten(GOLDEN[name](), DPI)
    assert now.shape == kept.shape
    assert differing(now, kept) <= MOST


def test_the_comparison_sees_a_missing_line_and_a_wrong_tint():
    picture = _step(False)
    kept = np.asarray(Image.open(FOLDER / "beacon-step-3.png").convert("RGB"))
    without = Picture(picture.width_mm, picture.height_mm, picture.pixels, picture.strokes[:-40])
    assert differing(flatten(without, DPI), kept) > MOST
    assert differing(flatten(_step(True), DPI), kept) > MOST


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, make in GOLDEN.items():
        small = Image.fromarray(flatten(make(), DPI)).quantize(64, dither=Image.Dither.NONE)
        small.save(FOLDER / f"{name}.png", optimize=True)
