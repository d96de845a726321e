"""The demo models as files, in a scenario of our own: a harbour tug and a beacon."""

from __future__ import annotations

from pathlib import Path

from steps.errors import CannotWrite
from steps.output import write_whole

#: Read by itself beside the models: the demo is a big print, as the tool's users make them.
DEMO_SETTINGS = """\
# Settings of the demo models; anything an option sets can stand here. Remove a '#' to try one.
scale = 4.0            # printed four times as big as drawn
# reader = "child"     # child, helper or adult
# paper = "letter"     # a4, letter or a5
# material = "petg"
# adhesive = "none"
# steps_per_sheet = 1  # every step on a sheet of its own
# stickers = "70x37"   # also stickers for the printed parts; the name is a sticker's size in mm
"""


def demo_files(folder: Path) -> tuple[Path, ...]:
    """What is written there and a user may have changed: the models and the table of placements."""
    names = ("tug.3mf", "tug.glb", "beacon.3mf", "tug-stl/placements.csv")
    return tuple(folder / name for name in names)


def write_demo_models(folder: Path) -> tuple[Path, ...]:
    """Write the tug (3MF, GLB, STL folder with CSV), the beacon and their settings; the 3MF comes first.

    A settings file that is there already stays. Raises CannotWrite.
    """
    from demo_model.beacon import beacon
    from demo_model.tug import tug
    from demo_model.write import write_3mf, write_glb, write_stl_folder

    boat, light, settings = tug(), beacon(), folder / "stepleaf.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_3mf(boat, folder / "tug.3mf")
        write_glb(boat, folder / "tug.glb")
        write_stl_folder(boat, folder / "tug-stl")
        write_3mf(light, folder / "beacon.3mf")
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be written ({error.strerror or error}).") from error
    if not settings.exists():
        write_whole(settings, DEMO_SETTINGS)
    return (*(folder / name for name in ("tug.3mf", "tug.glb", "tug-stl", "beacon.3mf")), settings)
