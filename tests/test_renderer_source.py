"""Whichever way OpenGL fails, pictures are drawn and one line says why."""

import os
import stat

import numpy as np
import pytest

from renderer.raster import GlProbe, probe
from renderer.rays import RaySource
from renderer.source import GuardedSource, choose_source
from tests.test_renderer_table import box, camera_of, letters

NONE = GlProbe(False, reason="libGL.so.1: cannot open shared object file\nmore of it")
SOFTWARE = GlProbe(True, "egl", "llvmpipe (LLVM 15.0.6, 256 bits)")
CARD = GlProbe(True, "egl", "A Graphics Card of Some Make")


@pytest.mark.parametrize(
    "wish, found, name, noticed",
    [
        (None, NONE, "rays", False),
        (None, SOFTWARE, "rays", False),
        (None, CARD, "gl", False),
        ("gl", NONE, "rays", True),
        ("gl", SOFTWARE, "gl", False),
        ("gl", CARD, "gl", False),
        ("rays", CARD, "rays", False),
    ],
)
def test_the_source_follows_the_wish_and_what_there_is(wish, found, name, noticed):
    source = choose_source(wish, lambda: found)
    assert source.name == name
    assert source.who == ("rays" if name == "rays" else f"OpenGL ({found.renderer})")
    assert bool(source.notice) == noticed
    assert "\n" not in source.notice


@pytest.mark.parametrize(
    "renderer, software",
    [
        ("llvmpipe (LLVM 15.0.6, 256 bits)", True),
        ("softpipe", True),
        ("Software Rasterizer", True),
        ("Mesa DRI swrast", True),
        ("GDI Generic", True),
        ("A Graphics Card of Some Make/PCIe/SSE2", False),
    ],
)
def test_opengl_in_software_is_told_from_a_card_by_its_name(renderer, software):
    # it is as slow as rays and less exact: only a card is chosen without being asked for
    found = GlProbe(True, "egl", renderer)
    assert found.software == software
    assert choose_source(None, lambda: found).name == ("rays" if software else "gl")


def test_rays_need_no_probe():
    def never() -> GlProbe:
        raise AssertionError("asked for OpenGL")

    assert choose_source("rays", never).name == "rays"


class Broken:
    """Works once, then throws as drivers do."""

    name = "gl"

    def __init__(self) -> None:
        self.calls = 0

    def table(self, items, camera, base=None):
        self.calls += 1
        if self.calls > 1:
            raise RuntimeError("GLError(err = 1285, out of memory)\nand a page of trace")
        return RaySource().table(items, camera, base)


def test_rays_take_over_in_the_middle_of_a_run_with_one_line_of_notice():
    source, broken = GuardedSource(Broken()), None
    broken = source.first
    item, camera = box(0, (0, 0, 0), (2, 1, 2)), camera_of(3, 2)
    pictures = [letters(source.table([item], camera)) for _ in range(4)]
    assert pictures == [["aa.", "aa."]] * 4
    assert source.name == source.who == "rays" and broken.calls == 2
    assert "out of memory" in source.notice and "rays" in source.notice and "\n" not in source.notice


@pytest.mark.parametrize("body", ["kill -SEGV $$", "exit 3", "echo 'renderer: liar'; exit 1"])
def test_a_driver_that_crashes_the_probe_is_not_used(tmp_path, monkeypatch, body):
    python = tmp_path / "python"
    python.write_text(f"#!/bin/sh\n{body}\n")
    python.chmod(python.stat().st_mode | stat.S_IEXEC)
    monkeypatch.setattr("sys.executable", str(python))
    found = probe(("egl",))
    assert not found.works and found.reason


def test_a_driver_that_hangs_is_not_waited_for(tmp_path, monkeypatch):
    python = tmp_path / "python"
    python.write_text("#!/bin/sh\nexec sleep 60\n")
    python.chmod(python.stat().st_mode | stat.S_IEXEC)
    monkeypatch.setattr("sys.executable", str(python))
    monkeypatch.setattr("renderer.raster.PATIENCE_S", 0.2)
    assert "timed out" in probe(("egl",)).reason


def test_no_platform_at_all_says_so(monkeypatch):
    monkeypatch.delenv("PYOPENGL_PLATFORM", raising=False)
    assert not probe(()).works


def test_the_environment_is_left_alone(monkeypatch):
    monkeypatch.setenv("PYOPENGL_PLATFORM", "no-such-platform")
    found = probe()
    assert not found.works and os.environ["PYOPENGL_PLATFORM"] == "no-such-platform"


def test_rays_draw_without_opengl_ever_being_imported():
    import subprocess
    import sys

    code = (
        "import sys, numpy as np\n"
        "from renderer.source import choose_source\n"
        "from tests.test_renderer_table import box, camera_of\n"
        "choose_source('rays').table([box(0, (0, 0, 0), (2, 1, 2))], camera_of(3, 2))\n"
        "assert not {'OpenGL', 'pyrender'} & set(sys.modules), 'imported'\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


def test_depth_of_both_ends_is_finite():
    table = choose_source("rays").table([box(0, (0, 0, 0), (2, 1, 2))], camera_of(2, 2))
    assert np.isfinite(table.depth).all()
